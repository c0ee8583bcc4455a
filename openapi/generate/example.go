package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
)

// example is one request of the examples; see ../examples. A test of package api
// sends them all in order and keeps what was answered in answers.json, by name.
type example struct {
	Name      string
	Request   string // Method and path; $name stands for the id of what that example made
	Body      any
	File      *struct{ Text string }
	Text      string
	MediaType string `json:"media_type"`
}

// addExamples shows the examples in dir beside the bodies that they are of.
func addExamples(doc object, dir string) error {
	var answers object
	if err := readJSON(filepath.Join(dir, "answers.json"), &answers); err != nil {
		return err
	}
	files, err := filepath.Glob(filepath.Join(dir, "[0-9]*.json"))
	if err != nil {
		return err
	}
	for _, file := range files {
		var examples []example
		if err := readJSON(file, &examples); err != nil {
			return err
		}
		for _, e := range examples {
			if err := addExample(doc, e, answers); err != nil {
				return fmt.Errorf("%s: example %s: %w", filepath.Base(file), e.Name, err)
			}
		}
	}
	return nil
}

func readJSON(file string, into any) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("%s: %w", filepath.Base(file), err)
	}
	return nil
}

func addExample(doc object, e example, answers object) error {
	op := operationOf(doc, e.Request)
	if op == nil {
		return fmt.Errorf("%s is not described", e.Request)
	}
	show := func(media any, value any) {
		if media, ok := media.(object); ok {
			child(media, "examples")[e.Name] = object{"summary": strings.ReplaceAll(e.Name, "_", " "), "value": value}
		}
	}
	body, err := resolved(e.Body, answers)
	if err != nil {
		return err
	}
	if body != nil || e.Text != "" {
		content := child(child(op, "requestBody"), "content")
		switch {
		case e.File != nil:
			show(content["multipart/form-data"], object{"file": e.File.Text, "options": body})
		case e.Text != "":
			show(content[e.MediaType], e.Text)
		default:
			show(content["application/json"], body)
			show(content[mergePatch], body)
		}
	}
	answer, ok := answers[e.Name]
	if !ok {
		return nil
	}
	for _, status := range []string{"201", "200", "202"} {
		if r, ok := child(op, "responses")[status].(object); ok {
			show(child(r, "content")["application/json"], answer)
			return nil
		}
	}
	return nil
}

// operationOf returns the operation of doc that a request, a method and a path, is of; nil if there is none.
func operationOf(doc object, request string) object {
	method, path, _ := strings.Cut(request, " ")
	path, _, _ = strings.Cut(path, "?")
	segments := strings.Split(path, "/")
next:
	for _, op := range operations(doc) {
		parts := strings.Split(op.path, "/")
		if op.method != strings.ToLower(method) || len(parts) != len(segments) {
			continue
		}
		for i := range parts {
			if parts[i] != segments[i] && !strings.HasPrefix(parts[i], "{") {
				continue next
			}
		}
		return op.operation
	}
	return nil
}

var reference = regexp.MustCompile(`\$([a-z_]+)((?:\.[a-z0-9_]+)*)`)

// resolved returns v with $name and $name.member.0 in its texts replaced by what answers has there.
func resolved(v any, answers object) (any, error) {
	if v == nil {
		return nil, nil
	}
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	var bad error
	text = reference.ReplaceAllFunc(text, func(b []byte) []byte {
		m := reference.FindStringSubmatch(string(b))
		path := strings.Split(m[2], ".")[1:]
		if len(path) == 0 {
			path = []string{"id"}
		}
		found := answers[m[1]]
		for _, step := range path {
			switch at := found.(type) {
			case object:
				found = at[step]
			case []any:
				i, err := strconv.Atoi(step)
				if err != nil || i >= len(at) {
					found = nil
					break
				}
				found = at[i]
			}
		}
		id, ok := found.(string)
		if !ok {
			bad = fmt.Errorf("%s leads to nothing: run go test ./api -run TestExamples -update", b)
		}
		return []byte(id)
	})
	if bad != nil {
		return nil, bad
	}
	var out any
	err = json.Unmarshal(text, &out)
	return out, err
}
