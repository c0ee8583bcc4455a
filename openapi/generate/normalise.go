package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"
)

type object = map[string]any

const schemaPath = "#/components/schemas/"

// normalise puts right what swag v2.0.0-rc6 gets wrong in doc, and fills in from the Go types what it leaves out.
func normalise(doc object, shapes map[string]shape) error {
	delete(doc, "externalDocs") // always there, always empty
	schemas := child(child(doc, "components"), "schemas")
	standIns := map[string]object{}
	for name, s := range schemas {
		if strings.HasPrefix(name, "main.standIn") {
			standIns[schemaPath+name] = standInSchemas[s.(object)["enum"].([]any)[0]]
			delete(schemas, name)
			continue
		}
		applyShape(s.(object), shapes, name)
	}
	names, err := componentNames(schemas)
	if err != nil {
		return err
	}
	for old, name := range names {
		s := schemas[old]
		delete(schemas, old)
		schemas[name] = s
	}
	walk(doc, func(o object) { tidySchema(o, standIns, names) })
	for _, op := range operations(doc) {
		tidyBody(op)
		tidyResponses(op)
	}
	describeBodies(doc, schemas)
	return nil
}

// applyShape adds to the schema of the Go type called component its description, its required members and where null may stand.
func applyShape(s object, shapes map[string]shape, component string) {
	name, _, _ := strings.Cut(component, "-") // a generic type's arguments follow
	if doc := shapes[name].doc; doc != "" && s["description"] == nil {
		s["description"] = doc
	}
	props, ok := s["properties"].(object)
	if !ok {
		return
	}
	var required []string
	for _, f := range members(shapes, name) {
		prop, ok := props[f.name].(object)
		if !ok {
			continue
		}
		if !f.optional && !slices.Contains(required, f.name) {
			required = append(required, f.name)
		}
		if f.null {
			prop["x-nullable"] = true
		}
		if f.nullWhenSent {
			prop[nullWhenSent] = true
		}
		if f.nullItems {
			child(prop, "items")["x-nullable"] = true
		}
	}
	delete(s, "required")
	if required != nil {
		s["required"] = required
	}
}

// componentNames maps swag's names to ours: "api.Client" to "Client", "api.List-api_Client" to "ClientList".
func componentNames(schemas object) (map[string]string, error) {
	names, taken := map[string]string{}, map[string]string{}
	for _, old := range slices.Sorted(maps.Keys(schemas)) {
		base, args, _ := strings.Cut(old, "-")
		name := base[strings.LastIndex(base, ".")+1:]
		for arg := range strings.SplitSeq(args, "-") {
			name = arg[strings.Index(arg, "_")+1:] + name
		}
		if name == "Client" || name == "NewClient" { // what generators call what they make
			name += "Record"
		}
		if first, ok := taken[name]; ok {
			return nil, fmt.Errorf("types %s and %s would both be called %s", first, old, name)
		}
		names[old], taken[name] = name, old
	}
	return names, nil
}

// tidySchema mends one object of the document, if it is a schema.
func tidySchema(o object, standIns map[string]object, names map[string]string) {
	if ref, ok := o["$ref"].(string); ok {
		if schema, ok := standIns[ref]; ok {
			delete(o, "$ref")
			maps.Copy(o, schema)
		} else if name, ok := names[strings.TrimPrefix(ref, schemaPath)]; ok {
			o["$ref"] = schemaPath + name
		}
	}
	if o["type"] == "file" {
		o["type"], o["format"] = "string", "binary"
	}
	if o["uniqueItems"] == false {
		delete(o, "uniqueItems")
	}
	describeValues(o)
	null, _ := o["x-nullable"].(bool)
	delete(o, "x-nullable")
	switch ref := o["$ref"]; {
	case null:
		allowNull(o)
	case ref != nil && len(o) > 1 && (len(o) != 2 || o[nullWhenSent] == nil):
		delete(o, "$ref")
		o["allOf"] = []any{object{"$ref": ref}}
	}
	if examples, ok := o["example"]; ok && (o["type"] != nil || o["oneOf"] != nil || o["allOf"] != nil) {
		delete(o, "example")
		if text, ok := examples.(string); ok && o["type"] == "number" { // of a stand-in, which is a text to swag
			examples = json.Number(text)
		}
		o["examples"] = []any{examples}
	}
}

// describeValues moves swag's comments on the values of an enum into its description.
func describeValues(o object) {
	comments, _ := o["x-enum-comments"].(object)
	names, _ := o["x-enum-varnames"].([]any)
	var lines []string
	for i, n := range names {
		if c, ok := comments[n.(string)].(string); ok && i < len(o["enum"].([]any)) {
			lines = append(lines, fmt.Sprintf("- `%v`: %s", o["enum"].([]any)[i], c))
		}
	}
	if lines != nil {
		text, _ := o["description"].(string)
		o["description"] = strings.TrimSpace(text + "\n\n" + strings.Join(lines, "\n"))
	}
	for _, k := range []string{"x-enum-comments", "x-enum-varnames", "x-enum-descriptions"} {
		delete(o, k)
	}
}

// tidyBody gives the schema of a request body to the media types that the operation accepts:
// swag always writes application/json and knows no other JSON type.
func tidyBody(op operation) {
	content := child(child(op.operation, "requestBody"), "content")
	if len(content) == 0 {
		delete(op.operation, "requestBody")
		return
	}
	if content["application/partial-upload"] != nil { // swag adds a text beside it
		op.operation["requestBody"] = object{
			"description": child(op.operation, "requestBody")["description"],
			"content":     object{"application/partial-upload": object{"schema": object{"type": "string", "format": "binary"}}},
		}
		return
	}
	if media, ok := content["application/json"].(object); ok {
		schema := child(media, "schema")
		delete(schema, "summary") // the parameter's name
		if all, ok := schema["allOf"].([]any); ok && len(all) == 1 {
			media["schema"] = all[0] // the description stands beside it in the body
		}
		for name := range content {
			if strings.HasSuffix(name, "+json") {
				content[name] = media
			}
		}
		if len(content) > 1 && op.method == "patch" {
			delete(content, "application/json")
		}
	}
	if form, ok := content["multipart/form-data"].(object); ok {
		for name, p := range child(child(form, "schema"), "properties") {
			if p := p.(object); p["$ref"] != nil || p["allOf"] != nil {
				child(child(form, "encoding"), name)["contentType"] = "application/json"
			}
		}
	}
}

// tidyResponses gives errors their media type: swag puts that of success on all. A table in
// CSV beside JSON is a text, whatever the JSON is.
func tidyResponses(op operation) {
	for _, r := range child(op.operation, "responses") {
		content, _ := r.(object)["content"].(object)
		for name, media := range content {
			if child(media.(object), "schema")["$ref"] == schemaPath+"Problem" {
				delete(content, name)
				content["application/problem+json"] = media
			} else if name == "text/csv" {
				content[name] = object{"schema": object{"type": "string"}}
			}
		}
	}
}

type operation struct {
	path, method string
	operation    object
}

// operations returns the operations of doc by path and method.
func operations(doc object) []operation {
	var all []operation
	for path, item := range child(doc, "paths") {
		for method, op := range item.(object) {
			all = append(all, operation{path, method, op.(object)})
		}
	}
	sort.Slice(all, func(i, j int) bool {
		return all[i].path+" "+all[i].method < all[j].path+" "+all[j].method
	})
	return all
}

// child returns the object called name in o, which it makes if there is none.
func child(o object, name string) object {
	c, ok := o[name].(object)
	if !ok {
		c = object{}
		o[name] = c
	}
	return c
}

// walk calls f for every object in o, the innermost first.
func walk(o object, f func(object)) { walkAny(o, f) }

func walkAny(v any, f func(object)) {
	switch v := v.(type) {
	case object:
		for _, c := range v {
			walkAny(c, f)
		}
		f(v)
	case []any:
		for _, c := range v {
			walkAny(c, f)
		}
	}
}
