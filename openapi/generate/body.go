package main

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

const (
	mergePatch = "application/merge-patch+json"
	// nullWhenSent marks a member that may be left out and then may be sent as null, too; it is never answered so.
	nullWhenSent = "x-null-when-sent"
)

// describeBodies says what the service takes in the bodies of requests: no unknown
// members, null for a member that may be absent, and in a merge patch any part of a record.
func describeBodies(doc, schemas object) {
	for _, op := range operations(doc) {
		body, ok := op.operation["requestBody"].(object)
		if !ok {
			continue
		}
		if op.path == "/v1/surveys/{id}/imports" {
			describeStoredImport(child(body, "content"), schemas)
		}
		describeDocument(child(body, "content"))
		closeObjects(body, schemas, map[string]bool{})
		if media, ok := child(body, "content")[mergePatch].(object); ok {
			patchSchema(child(media, "schema"), schemas)
		}
	}
	walk(doc, func(o object) { delete(o, nullWhenSent) })
	dropUnused(doc, schemas)
}

// describeStoredImport adds the JSON body of an import, which swag cannot describe
// beside a form: the options of the form and the file that the service has.
func describeStoredImport(content, schemas object) {
	stored := clone(schemas["ImportOptions"].(object))
	stored["description"] = "StoredImport imports a file that the service has: one of an import, or an upload that is complete. One of the two is named."
	child(stored, "properties")["import_id"] = object{"type": "string", "format": "uuid", "description": "Import whose file is tried again"}
	child(stored, "properties")["upload_id"] = object{"type": "string", "format": "uuid", "description": "Upload whose file is imported"}
	stored["oneOf"] = []any{object{"required": []any{"import_id"}}, object{"required": []any{"upload_id"}}}
	schemas["StoredImport"] = stored
	content["application/json"] = object{"schema": object{"$ref": schemaPath + "StoredImport"}}
}

// describeDocument makes the body of a request that takes a document the bytes themselves:
// swag always writes other types beside it.
func describeDocument(content object) {
	if content["application/xml"] == nil {
		return
	}
	delete(content, "application/json")
	delete(content, "text/plain")
	for media := range content {
		content[media] = object{"schema": object{"type": "string", "format": "binary"}}
	}
}

// closeObjects forbids unknown members in every object that a request body can hold, as the service does.
func closeObjects(v any, schemas object, seen map[string]bool) {
	walkAny(v, func(o object) {
		if members, ok := o["properties"].(object); ok && o["additionalProperties"] == nil {
			o["additionalProperties"] = false
			for _, m := range members {
				if m := m.(object); m[nullWhenSent] == true {
					allowNull(m)
				}
			}
		}
		ref, _ := o["$ref"].(string)
		if name := strings.TrimPrefix(ref, schemaPath); ref != "" && !seen[name] {
			seen[name] = true
			closeObjects(schemas[name], schemas, seen)
		}
	})
}

// allowNull lets null stand for what o describes.
func allowNull(o object) {
	switch t, ref := o["type"], o["$ref"]; {
	case ref != nil:
		delete(o, "$ref")
		o["oneOf"] = []any{object{"$ref": ref}, object{"type": "null"}}
	case o["allOf"] != nil:
		o["oneOf"] = append(slices.Clone(o["allOf"].([]any)), object{"type": "null"})
		delete(o, "allOf")
	default:
		name, ok := t.(string)
		if !ok { // null is allowed, or nothing is known
			return
		}
		o["type"] = []any{name, "null"}
		if values, ok := o["enum"].([]any); ok {
			o["enum"] = append(slices.Clone(values), nil)
		}
	}
}

// patchSchema makes of s, the schema of a record, that of a merge patch (RFC 7396)
// of such a record: no member is required, one that may be absent is removed by
// null, and so within the objects it holds. Arrays stand whole.
func patchSchema(s, schemas object) {
	if ref, ok := s["$ref"].(string); ok {
		name := strings.TrimPrefix(ref, schemaPath)
		patch := strings.TrimPrefix(name, "New") + "Patch"
		s["$ref"] = schemaPath + patch
		if schemas[patch] == nil {
			made := clone(schemas[name].(object))
			made["description"] = patch + " holds the members to change; null removes one that may be absent."
			schemas[patch] = made
			patchSchema(made, schemas)
		}
		return
	}
	for _, key := range []string{"allOf", "oneOf"} {
		parts, _ := s[key].([]any)
		for _, p := range parts {
			patchSchema(p.(object), schemas)
		}
	}
	members, ok := s["properties"].(object)
	if !ok {
		return
	}
	required, _ := s["required"].([]string)
	delete(s, "required")
	for name, m := range members {
		m := m.(object)
		patchSchema(m, schemas)
		if !slices.Contains(required, name) {
			allowNull(m)
		}
	}
}

func clone(o object) object {
	text, _ := json.Marshal(o) // made of JSON
	var c object
	_ = json.Unmarshal(text, &c)
	if required, ok := o["required"].([]string); ok {
		c["required"] = slices.Clone(required)
	}
	return c
}

// dropUnused removes the schemas that nothing in doc refers to.
func dropUnused(doc, schemas object) {
	used := map[string]bool{}
	walk(doc, func(o object) {
		if ref, ok := o["$ref"].(string); ok {
			used[strings.TrimPrefix(ref, schemaPath)] = true
		}
	})
	maps.DeleteFunc(schemas, func(name string, _ any) bool { return !used[name] })
}
