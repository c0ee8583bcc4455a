package main

import (
	"fmt"
	"slices"
	"strings"
)

// addConventions adds what every operation under /v1 asks alike: the key, and the headers that its method calls for.
// An operation that declares such a header itself is left as it is.
func addConventions(doc object) {
	nameRoles(doc)
	walk(doc, func(o object) { // what generators of clients would else keep in 32 bits
		list, _ := o["type"].([]any)
		if o["format"] == nil && (o["type"] == "number" || slices.Contains(list, any("number"))) {
			o["format"] = "double"
		}
	})
	components := child(doc, "components")
	walk(child(components, "schemas"), sayDefaults)
	components["parameters"] = object{
		"IdempotencyKey": header("Idempotency-Key", false, "A text of the caller's own for this request. "+
			"The same key with the same request answers with the first answer and does nothing again, for 7 days."),
		"IfMatch": header("If-Match", true, "The ETag of the record as last read. "+
			"Without it the answer is 428, with an old one 412."),
		"IfNoneMatch": header("If-None-Match", true, "Always `*`: the record is created. "+
			"An equal record that exists already answers 200, another one 412. Without the header the answer is 428."),
	}
	for _, op := range operations(doc) {
		if !strings.HasPrefix(op.path, "/v1/") {
			continue
		}
		if op.operation["security"] == nil {
			op.operation["security"] = []any{object{"Bearer": []any{}}}
		}
		separateByCommas(op)
		switch {
		case op.method == "post" && !declares(op, "Idempotency-Key"):
			addParameter(op, "IdempotencyKey")
		case strings.HasPrefix(op.path, "/v1/uploads"): // Upload-Offset does what If-Match does elsewhere
		case declares(op, "If-Match") || declares(op, "If-None-Match"):
		case op.method == "patch" || op.method == "delete":
			addParameter(op, "IfMatch")
		case op.method == "put":
			addParameter(op, "IfNoneMatch")
		}
	}
}

// separateByCommas says that lists in the query are one parameter each, with commas in between.
func separateByCommas(op operation) {
	params, _ := op.operation["parameters"].([]any)
	for _, p := range params {
		p := p.(object)
		if schema, ok := p["schema"].(object); ok && p["in"] == "query" && schema["type"] == "array" {
			p["explode"] = false
		}
	}
}

// sayDefaults puts the defaults of members into words: generators of clients ask for what has one.
func sayDefaults(o object) {
	members, _ := o["properties"].(object)
	for _, m := range members {
		m, ok := m.(object)
		if otherwise := m["default"]; ok && otherwise != nil {
			delete(m, "default")
			text, _ := m["description"].(string)
			m["description"] = strings.TrimPrefix(fmt.Sprintf("%s; %v unless given", text, otherwise), "; ")
		}
	}
}

// nameRoles names the values of roles for generators of clients: Client alone is
// what some call the client itself.
func nameRoles(doc object) {
	walk(doc, func(o object) {
		members, _ := o["properties"].(object)
		role, _ := members["role"].(object)
		values, _ := role["enum"].([]any)
		var names []any
		for _, v := range values {
			if text, ok := v.(string); ok {
				names = append(names, "role_"+text)
			}
		}
		if names != nil {
			role["x-enum-varnames"] = names
		}
	})
}

func header(name string, required bool, text string) object {
	return object{"name": name, "in": "header", "required": required, "description": text, "schema": object{"type": "string"}}
}

func declares(op operation, name string) bool {
	params, _ := op.operation["parameters"].([]any)
	for _, p := range params {
		if p.(object)["name"] == name {
			return true
		}
	}
	return false
}

func addParameter(op operation, name string) {
	params, _ := op.operation["parameters"].([]any)
	op.operation["parameters"] = append(params, object{"$ref": "#/components/parameters/" + name})
}
