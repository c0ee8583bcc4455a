package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
)

// shape is what swag does not take from a Go type: its doc comment and, of a struct, how its members are written.
type shape struct {
	doc    string
	fields []field
}

// field is a member of a struct, or a struct embedded in it.
type field struct {
	name      string // as in JSON; empty for an embedded struct
	embeds    string // the type embedded
	optional  bool   // may be left out: omitempty or omitzero
	null      bool   // a pointer that is written even where it is nil
	nullItems bool   // a slice of pointers

	nullWhenSent bool // a pointer that is left out where it is nil: the service takes null for it
}

// readShapes returns the types declared in the Go files below dirs, named "package.Type".
func readShapes(dirs ...string) (map[string]shape, error) {
	shapes := map[string]shape{}
	for _, dir := range dirs {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
			if err != nil {
				return err
			}
			for _, decl := range file.Decls {
				if gen, ok := decl.(*ast.GenDecl); ok && gen.Tok == token.TYPE {
					readTypes(shapes, file.Name.Name, gen)
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return shapes, nil
}

func readTypes(shapes map[string]shape, pkg string, gen *ast.GenDecl) {
	for _, spec := range gen.Specs {
		t := spec.(*ast.TypeSpec)
		doc := t.Doc
		if doc == nil {
			doc = gen.Doc
		}
		s := shape{doc: strings.Join(strings.Fields(doc.Text()), " ")}
		if st, ok := t.Type.(*ast.StructType); ok {
			for _, f := range st.Fields.List {
				s.fields = append(s.fields, fieldsOf(pkg, f)...)
			}
		}
		shapes[pkg+"."+t.Name.Name] = s
	}
}

func fieldsOf(pkg string, f *ast.Field) []field {
	var tag string
	if f.Tag != nil {
		tag, _ = strconv.Unquote(f.Tag.Value)
	}
	name, options, _ := strings.Cut(reflect.StructTag(tag).Get("json"), ",")
	optional := strings.Contains(options, "omit")
	_, pointer := f.Type.(*ast.StarExpr)
	array, isArray := f.Type.(*ast.ArrayType)
	nullItems := false
	if isArray {
		_, nullItems = array.Elt.(*ast.StarExpr)
	}
	out := field{name: name, optional: optional, null: pointer && !optional, nullItems: nullItems, nullWhenSent: pointer && optional}
	if len(f.Names) > 0 || name != "" {
		return []field{out}
	}
	return []field{{embeds: typeName(pkg, f.Type)}}
}

// typeName returns the name of a named type as readShapes does, without type arguments.
func typeName(pkg string, e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return pkg + "." + e.Name
	case *ast.StarExpr:
		return typeName(pkg, e.X)
	case *ast.IndexExpr:
		return typeName(pkg, e.X)
	case *ast.SelectorExpr:
		if x, ok := e.X.(*ast.Ident); ok {
			return x.Name + "." + e.Sel.Name
		}
	}
	return ""
}

// members returns the JSON members of the struct called name, those of embedded structs included.
func members(shapes map[string]shape, name string) []field {
	var all []field
	for _, f := range shapes[name].fields {
		if f.embeds != "" {
			all = append(all, members(shapes, f.embeds)...)
		} else if f.name != "" && f.name != "-" {
			all = append(all, f)
		}
	}
	return all
}
