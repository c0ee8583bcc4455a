package dcc

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"leveltrail/domain/fault"
)

// Bounds on what is read: house values, far above any certificate.
const (
	MaxBytes    = 32 << 20 // a certificate may carry its printed form
	maxDepth    = 64
	maxElements = 200_000
	maxItems    = 100
	maxLines    = 10_000 // of results
	maxContents = 50     // texts of one name
	maxText     = 1000   // bytes of one text
	maxWarnings = 200
)

// element is an XML element without its namespace. Elements are told apart by
// their local names: prefixes differ between files, and namespaces between versions.
type element struct {
	name     string
	space    string
	attr     map[string]string // by local name
	text     string            // its own characters, without the space around them
	raw      []byte            // of text, while it is read
	children []*element
}

// parse reads the root of an XML document. Document types, entities other than the
// five of XML, other encodings than UTF-8, and documents beyond the bounds are refused.
func parse(b []byte) (*element, error) {
	if len(b) > MaxBytes {
		return nil, refuse("it is larger than %d bytes", MaxBytes)
	}
	d := xml.NewDecoder(bytes.NewReader(b))
	var open []*element
	var root *element
	elements := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) && root != nil && len(open) == 0 {
			return root, nil
		}
		if err != nil {
			return nil, &fault.Error{Kind: fault.Invalid, Code: "certificate_unreadable", Message: "the file is not well-formed XML in UTF-8", Err: err}
		}
		switch t := token.(type) {
		case xml.Directive:
			return nil, refuse("it declares a document type or entities")
		case xml.StartElement:
			if elements++; elements > maxElements {
				return nil, refuse("it has more than %d elements", maxElements)
			}
			if len(open) == maxDepth {
				return nil, refuse("its elements are nested deeper than %d", maxDepth)
			}
			e := &element{name: t.Name.Local, space: t.Name.Space, attr: map[string]string{}}
			for _, a := range t.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			switch n := len(open); {
			case n > 0:
				open[n-1].children = append(open[n-1].children, e)
			case root == nil:
				root = e
			default:
				return nil, refuse("it has more than one root")
			}
			open = append(open, e)
		case xml.EndElement:
			n := len(open) - 1
			open[n].text, open[n].raw = string(bytes.TrimSpace(open[n].raw)), nil
			open = open[:n]
		case xml.CharData:
			if n := len(open); n > 0 && len(bytes.TrimSpace(t)) > 0 {
				open[n-1].raw = append(open[n-1].raw, t...)
			}
		}
	}
}

func refuse(format string, args ...any) error {
	return &fault.Error{Kind: fault.Invalid, Code: "certificate_unreadable", Message: "the file is refused: " + fmt.Sprintf(format, args...)}
}

// all returns the descendants of e along a path of names, such as "items/item".
func (e *element) all(path string) []*element {
	found := []*element{}
	if e == nil {
		return found
	}
	name, rest, more := strings.Cut(path, "/")
	for _, c := range e.children {
		if c.name != name {
			continue
		}
		if more {
			found = append(found, c.all(rest)...)
		} else {
			found = append(found, c)
		}
	}
	return found
}

// at returns the first of all, nil if there is none. Methods of nil find nothing.
func (e *element) at(path string) *element {
	if found := e.all(path); len(found) > 0 {
		return found[0]
	}
	return nil
}

// textAt returns the text of the first element at path, "" if there is none.
func (e *element) textAt(path string) string {
	if f := e.at(path); f != nil {
		return f.text
	}
	return ""
}

// is reports whether e is marked as being of a type: "basic_measuredValue" is of type measuredValue, whatever its prefix.
func (e *element) is(kind string) bool {
	if e == nil {
		return false
	}
	for r := range strings.FieldsSeq(e.attr["refType"]) {
		if _, name, ok := strings.Cut(r, "_"); r == kind || ok && name == kind {
			return true
		}
	}
	return false
}

// words returns the text of an element that holds one content for each language:
// the one in the given language, else the one in none, else the first.
func (e *element) words(language string) string {
	contents := e.contents()
	for _, want := range []string{language, ""} {
		for _, c := range contents {
			if c.attr["lang"] == want {
				return clipped(c.text)
			}
		}
	}
	if len(contents) > 0 {
		return clipped(contents[0].text)
	}
	return ""
}

// contents returns the texts of a name, no more than the first few.
func (e *element) contents() (found []*element) {
	if e == nil {
		return nil
	}
	for _, c := range e.children[:min(len(e.children), maxContents)] {
		if c.name == "content" {
			found = append(found, c)
		}
	}
	return found
}

// clipped returns the beginning of a text that is too long for one.
func clipped(s string) string {
	if len(s) <= maxText {
		return s
	}
	return strings.ToValidUTF8(s[:maxText], "")
}

// everyWord returns the texts of all languages in one line, in lower case.
func (e *element) everyWord() string {
	var s []string
	for _, c := range e.contents() {
		s = append(s, clipped(c.text))
	}
	return clipped(strings.ToLower(strings.Join(s, " ")))
}
