package api

import (
	"encoding/json"
	"maps"
	"mime"
	"net/http"

	"github.com/gin-gonic/gin"
)

const mergePatch = "application/merge-patch+json"

// merge applies the merge patch (RFC 7396) in the body of c to current and
// decodes the result into in, as strictly as [decode].
func merge[T any](c *gin.Context, current T, in *T, validate func() error) error {
	if t, _, err := mime.ParseMediaType(c.ContentType()); err != nil || t != mergePatch {
		return &refusal{status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send " + mergePatch}
	}
	patch, err := readBody(c)
	if err != nil {
		return err
	}
	if err := wellFormed(patch); err != nil {
		return err
	}
	target, err := json.Marshal(current)
	if err != nil {
		return err
	}
	return decodeJSON(merged(target, trim(patch)), in, validate)
}

// merged returns target changed by patch, both well-formed JSON. Members keep
// their order and duplicates of the patch stay, to be refused.
func merged(target, patch []byte) []byte {
	if patch[0] != '{' {
		return patch
	}
	old := map[string][]byte{}
	if target[0] == '{' {
		maps.Insert(old, members(target))
	}
	out := []byte{'{'}
	put := func(name string, value []byte) {
		if len(out) > 1 {
			out = append(out, ',')
		}
		quoted, _ := json.Marshal(name)
		out = append(append(append(out, quoted...), ':'), value...)
	}
	times := map[string]int{}
	for name := range members(patch) {
		times[name]++
	}
	changed := map[string]bool{}
	for name, value := range members(patch) {
		before, ok := old[name]
		first := !changed[name]
		changed[name] = true
		switch {
		case times[name] > 1: // for the decoder to refuse
			if first {
				put(name, value)
				put(name, value)
			}
		case string(value) == "null" && ok:
		case value[0] == '{' && ok:
			put(name, merged(before, value))
		case value[0] == '{':
			put(name, merged([]byte("{}"), value))
		case string(value) != "null":
			put(name, value)
		default: // removing what is not there changes nothing, unless nobody knows it
			put(name, value)
		}
	}
	if target[0] == '{' {
		for name, value := range members(target) {
			if !changed[name] {
				put(name, value)
			}
		}
	}
	return append(out, '}')
}
