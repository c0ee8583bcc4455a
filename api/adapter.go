package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

// maxBody bounds a JSON body, in bytes. Log files have a bound of their own.
const maxBody = 32 << 20

// tagged is a body that has an entity tag.
type tagged interface{ etag() string }

// unchanging is a body that is the same for ever.
type unchanging interface{ unchanging() }

// forever is the Cache-Control of what never changes: a year, as long as caches keep anything.
const forever = "private, max-age=31536000, immutable"

// located is a body of a record that has a path of its own.
type located interface{ path() string }

// once keeps the answers to repeated requests.
type once interface {
	Once(ctx context.Context, r request.Repeatable, do func(context.Context) (a request.Answer, undo bool)) (request.Answer, bool, error)
}

// respond adapts h, which returns the body of a response with the given status,
// or an error. Query parameters other than those named are refused. A POST with
// an Idempotency-Key is answered once.
func respond[T any](s *server, status int, h func(*gin.Context) (T, error), parameters ...string) gin.HandlerFunc {
	return func(c *gin.Context) {
		if err := checkQuery(c, parameters); err != nil {
			s.send(c, s.failure(c, err))
			return
		}
		key, repeatable := repeatKey(c)
		if c.Request.Method != http.MethodPost || !repeatable {
			a, _ := answer(s, c, status, h)
			s.send(c, a)
			return
		}
		body, err := readBody(c)
		if err != nil {
			s.send(c, s.failure(c, err))
			return
		}
		s.answerOnce(c, key, body, func() (request.Answer, bool) { return answer(s, c, status, h) })
	}
}

// noQuery lets requests pass that have no query parameters.
func (s *server) noQuery(c *gin.Context) {
	if err := checkQuery(c, nil); err != nil {
		s.send(c, s.failure(c, err))
		c.Abort()
	}
}

// checkQuery refuses query parameters other than those named, those given twice, and what is no text.
func checkQuery(c *gin.Context, parameters []string) error {
	query, err := url.ParseQuery(c.Request.URL.RawQuery)
	if err != nil {
		return &refusal{status: http.StatusBadRequest, code: "bad_request", detail: "the query cannot be read: reserved characters are written %XX"}
	}
	for name, values := range query {
		switch {
		case !slices.Contains(parameters, name):
			return badParameter(name, "unknown_parameter", "is not known here")
		case len(values) > 1:
			return badParameter(name, "duplicate", "must be given once")
		case !storable(values[0]):
			return badParameter(name, "type", "must be UTF-8 without the character U+0000")
		}
	}
	return nil
}

// storable reports whether the database can hold text.
func storable(text string) bool { return utf8.ValidString(text) && !strings.ContainsRune(text, 0) }

// repeatKey returns the Idempotency-Key of a request; given is false where it has no
// such header. An empty one is given, so that it is refused instead of protecting nothing.
func repeatKey(c *gin.Context) (key string, given bool) {
	keys := c.Request.Header.Values("Idempotency-Key")
	return c.GetHeader("Idempotency-Key"), len(keys) > 0
}

// answerOnce sends what do answers, or the answer kept from the first time that
// the request with this idempotency key was made.
func (s *server) answerOnce(c *gin.Context, key string, body []byte, do func() (request.Answer, bool)) {
	if key == "" || len(key) > 255 || !storable(key) || !storable(c.Request.URL.Path) {
		s.send(c, s.failure(c, badParameter("Idempotency-Key", "out_of_range", "must be UTF-8 of 1 to 255 bytes, for a path in UTF-8")))
		return
	}
	sum := sha256.Sum256(body)
	r := request.Repeatable{
		KeyID: access.From(c.Request.Context()).KeyID, Method: c.Request.Method, Path: c.Request.URL.Path,
		IdempotencyKey: key, RequestSHA256: sum[:],
	}
	original := c.Request.Context()
	a, replayed, err := s.store.Once(original, r, func(ctx context.Context) (request.Answer, bool) {
		c.Request = c.Request.WithContext(ctx)
		defer func() { c.Request = c.Request.WithContext(original) }()
		return do()
	})
	if err != nil {
		if f, ok := errors.AsType[*fault.Error](err); ok && f.Code == "request_in_flight" {
			err = &refusal{status: http.StatusConflict, code: f.Code, detail: f.Message, retryAfterS: "1"}
		}
		a = s.failure(c, err)
	} else if replayed {
		c.Header("Idempotency-Replayed", "true")
	}
	s.send(c, a)
}

// answer returns what h answers; undo where it failed.
func answer[T any](s *server, c *gin.Context, status int, h func(*gin.Context) (T, error)) (a request.Answer, undo bool) {
	body, err := h(c)
	if err != nil {
		r, ok := errors.AsType[*refusal](err)
		return s.failure(c, err), !ok || r.imported == nil // a refused file stays
	}
	if chosen := c.GetInt(statusKey); chosen != 0 {
		status = chosen
	}
	a = request.Answer{Status: status, Headers: map[string]string{"Content-Type": "application/json"}}
	if t, ok := any(body).(tagged); ok {
		a.Headers["ETag"] = t.etag()
	}
	if l, ok := any(body).(located); ok && status == http.StatusCreated {
		a.Headers["Location"] = l.path()
	}
	if _, ok := any(body).(unchanging); ok && c.Request.Method == http.MethodGet {
		a.Headers["Cache-Control"] = forever
	}
	if more := c.GetString(expandedKey); more != "" {
		a.Headers["ETag"] = strings.TrimSuffix(a.Headers["ETag"], `"`) + "-" + more + `"`
	}
	if c.Request.Method == http.MethodGet && a.Headers["ETag"] != "" && matches(c.GetHeader("If-None-Match"), a.Headers["ETag"]) {
		a.Status = http.StatusNotModified
		return a, false
	}
	if status != http.StatusNoContent {
		if e, ok := any(body).(encoded); ok {
			a.Body, err = e.encode()
		} else {
			a.Body, err = json.Marshal(body)
		}
		if err != nil {
			return s.failure(c, err), true
		}
	}
	return a, false
}

const statusKey = "leveltrail.status"

// answerWith makes the answer's status other than the route's.
func answerWith(c *gin.Context, status int) { c.Set(statusKey, status) }

// failure returns the answer to a request that failed with err, and logs what is not for the client.
func (s *server) failure(c *gin.Context, err error) request.Answer {
	p := problemOf(c, err)
	if p.Status >= http.StatusInternalServerError && !errors.Is(err, context.Canceled) {
		s.log.ErrorContext(c.Request.Context(), "request failed", "request_id", p.RequestID, "path", masked(c), "error", err.Error())
	}
	a := request.Answer{Status: p.Status, Headers: map[string]string{"Content-Type": "application/problem+json"}}
	if r, ok := errors.AsType[*refusal](err); ok {
		if r.location != "" {
			a.Headers["Location"] = r.location
		}
		if r.retryAfterS != "" {
			a.Headers["Retry-After"] = r.retryAfterS
		}
	}
	switch p.Status {
	case http.StatusUnauthorized:
		a.Headers["WWW-Authenticate"] = `Bearer realm="leveltrail"`
	case http.StatusUnsupportedMediaType:
		if c.Request.Method == http.MethodPatch {
			a.Headers["Accept-Patch"] = mergePatch
		}
	}
	a.Body, _ = json.Marshal(p) // strings and numbers always marshal
	return a
}

func (s *server) send(c *gin.Context, a request.Answer) {
	for name, value := range a.Headers {
		c.Header(name, value)
	}
	if a.Headers["Cache-Control"] == "" {
		c.Header("Cache-Control", "private, no-cache")
	}
	if a.Status == http.StatusNotModified || a.Status == http.StatusNoContent {
		c.Status(a.Status)
		return
	}
	c.Data(a.Status, a.Headers["Content-Type"], a.Body)
}

// readBody returns the whole body, and leaves it to be read again.
func readBody(c *gin.Context) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, maxBody))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return nil, &refusal{status: http.StatusRequestEntityTooLarge, code: "too_large", detail: "the body is larger than 32 MiB"}
	}
	if err != nil {
		return nil, &refusal{status: http.StatusBadRequest, code: "body_unreadable", detail: "the body ended early"}
	}
	c.Request.Body = io.NopCloser(bytes.NewReader(body))
	return body, nil
}
