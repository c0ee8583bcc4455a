package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// decode fills in from the JSON body of c. It refuses what encoding/json lets
// pass: unknown, case-variant and duplicate members, null where none is allowed,
// absent members whose tag has no omitempty, bytes that are not UTF-8. What is
// wrong with members and what validate then finds is reported at once.
func decode[T any](c *gin.Context, in *T, validate func() error) error {
	if t, _, err := mime.ParseMediaType(c.ContentType()); err != nil || t != "application/json" {
		return &refusal{status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send application/json"}
	}
	body, err := readBody(c)
	if err != nil {
		return err
	}
	return decodeJSON(body, in, validate)
}

func decodeJSON[T any](body []byte, in *T, validate func() error) error {
	if err := wellFormed(body); err != nil {
		return err
	}
	var d decoder
	d.value(body, reflect.ValueOf(in).Elem(), "")
	bad := d.bad
	if len(bad) > 0 && bad[0].Path == "" { // not even an object
		return bad.Err("body")
	}
	if err := validate(); err != nil {
		f, ok := errors.AsType[*fault.Error](err)
		if !ok || len(bad) == 0 {
			return err
		}
		for _, field := range f.Fields {
			if !slices.ContainsFunc(bad, func(b fault.Field) bool { return b.Path == field.Path }) {
				bad = append(bad, field)
			}
		}
	}
	return bad.Err("body")
}

// Bounds on a body: levels of nesting, bytes of a text.
const (
	maxDepth = 20
	maxText  = 8000
)

// wellFormed refuses bytes that are not one JSON value in UTF-8 of bounded depth.
func wellFormed(body []byte) error {
	refuse := func(detail string) error {
		return &refusal{status: http.StatusBadRequest, code: "not_json", detail: detail}
	}
	if !utf8.Valid(body) {
		return refuse("the body is not UTF-8")
	}
	if !json.Valid(body) {
		var v any
		err := json.Unmarshal(body, &v)
		if s, ok := errors.AsType[*json.SyntaxError](err); ok {
			return refuse(fmt.Sprintf("the body is not JSON: near byte %d: %s", s.Offset, s))
		}
		return refuse("the body is not JSON")
	}
	depth, inString := 0, false
	for i := 0; i < len(body); i++ {
		switch b := body[i]; {
		case inString && b == '\\':
			n, ok := escaped(body[i:])
			if !ok {
				return refuse("a string has half of a surrogate pair")
			}
			i += n - 1
		case b == '"':
			inString = !inString
		case inString:
		case b == '{' || b == '[':
			if depth++; depth > maxDepth {
				return refuse("the body is nested too deeply")
			}
		case b == '}' || b == ']':
			depth--
		}
	}
	return nil
}

// escaped returns the length of the escape sequence that s, well-formed JSON,
// begins with; ok is false for half of a surrogate pair.
func escaped(s []byte) (n int, ok bool) {
	unit := func(i int) rune {
		if len(s) < i+6 || s[i] != '\\' || s[i+1] != 'u' {
			return 0
		}
		x, _ := strconv.ParseUint(string(s[i+2:i+6]), 16, 16)
		return rune(x)
	}
	switch {
	case s[1] != 'u':
		return 2, true
	case !utf16.IsSurrogate(unit(0)):
		return 6, true
	default:
		return 12, utf16.DecodeRune(unit(0), unit(6)) != utf8.RuneError
	}
}

// decoder fills values from well-formed JSON and collects what is wrong.
type decoder struct{ bad fault.Fields }

var (
	uuidType        = reflect.TypeFor[uuid.UUID]()
	timeType        = reflect.TypeFor[time.Time]()
	dateType        = reflect.TypeFor[civil.Date]()
	unmarshalerType = reflect.TypeFor[json.Unmarshaler]()
)

// value decodes raw, a well-formed value, into v; at is its JSON pointer without leading slash.
func (d *decoder) value(raw []byte, v reflect.Value, at string) {
	raw = trim(raw)
	t := v.Type()
	if string(raw) == "null" {
		if t.Kind() != reflect.Pointer {
			d.bad.Add(at, "null", "must not be null")
		}
		return
	}
	if t.Kind() == reflect.Pointer {
		v.Set(reflect.New(t.Elem()))
		d.value(raw, v.Elem(), at)
		return
	}
	custom := reflect.PointerTo(t).Implements(unmarshalerType) || t == dateType
	switch {
	case t.Kind() == reflect.Struct && !custom:
		if raw[0] != '{' {
			d.bad.Add(at, "type", "must be an object")
			return
		}
		d.object(raw, v, at)
	case t.Kind() == reflect.Map && !custom:
		if raw[0] != '{' {
			d.bad.Add(at, "type", "must be an object")
			return
		}
		v.Set(reflect.MakeMap(t))
		for name, member := range members(raw) {
			if v.MapIndex(reflect.ValueOf(name)).IsValid() {
				d.bad.Add(join(at, name), "duplicate_member", "appears twice")
				continue
			}
			e := reflect.New(t.Elem()).Elem()
			d.value(member, e, join(at, name))
			v.SetMapIndex(reflect.ValueOf(name), e)
		}
	case t.Kind() == reflect.Slice && !custom:
		if raw[0] != '[' {
			d.bad.Add(at, "type", "must be an array")
			return
		}
		v.Set(reflect.MakeSlice(t, 0, 4))
		i := 0
		for element := range elements(raw) {
			e := reflect.New(t.Elem()).Elem()
			d.value(element, e, join(at, itoa(i)))
			v.Set(reflect.Append(v, e))
			i++
		}
	default:
		err := json.Unmarshal(raw, v.Addr().Interface())
		if f, ok := errors.AsType[*fault.Error](err); ok {
			for _, field := range f.Fields { // of a type that names its own elements
				d.bad.Add(join(at, field.Path), field.Code, field.Reason)
			}
		} else if err != nil {
			d.bad.Add(at, "type", expectation(t))
		} else if t.Kind() == reflect.String {
			d.bad.Check(!strings.ContainsRune(v.String(), 0), at, "not_allowed", "must not contain the character U+0000")
			d.bad.Check(v.Len() <= maxText, at, "too_long", "must have at most "+itoa(maxText)+" bytes")
		}
	}
}

// expectation says in words what a value of type t must be.
func expectation(t reflect.Type) string {
	switch t {
	case uuidType:
		return "must be a UUID"
	case timeType:
		return `must be a time with an offset such as "2026-03-03T07:00:00+01:00" (RFC 3339)`
	case dateType:
		return `must be a date such as "2026-01-13"`
	}
	if w, ok := reflect.TypeAssert[interface{ expectation() string }](reflect.New(t)); ok {
		return w.expectation()
	}
	switch t.Kind() {
	case reflect.String:
		return "must be a string"
	case reflect.Bool:
		return "must be true or false"
	case reflect.Int, reflect.Int64:
		return "must be a whole number"
	case reflect.Float64:
		return "must be a number"
	default:
		return "has a value of the wrong type"
	}
}

// object decodes the members of raw into the fields of struct v.
func (d *decoder) object(raw []byte, v reflect.Value, at string) {
	fields := map[string]int{}
	list := reflect.VisibleFields(v.Type())
	for i, f := range list {
		if tag, ok := f.Tag.Lookup("json"); ok && !f.Anonymous {
			name, _, _ := strings.Cut(tag, ",")
			fields[name] = i
		}
	}
	seen := map[string]bool{}
	for name, member := range members(raw) {
		i, known := fields[name]
		switch {
		case seen[name]:
			d.bad.Add(join(at, name), "duplicate_member", "appears twice")
		case !known:
			d.bad.Add(join(at, name), "unknown_member", "is not a member known here")
		default:
			d.value(member, v.FieldByIndex(list[i].Index), join(at, name))
		}
		seen[name] = true
	}
	for _, f := range list {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name != "" && !f.Anonymous && !strings.Contains(options, "omit") && !seen[name] {
			d.bad.Add(join(at, name), "required", "is required")
		}
	}
}

func join(at, name string) string {
	name = strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
	if at == "" {
		return name
	}
	return at + "/" + name
}
