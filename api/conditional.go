package api

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
)

// Stamp is what every record's answer has.
type Stamp struct {
	ID        uuid.UUID `json:"id"`         // Identifier, a version 7 UUID
	Version   int       `json:"version"`    // Counts the changes, from 1
	CreatedAt time.Time `json:"created_at"` // Arrival of the first version
	UpdatedAt time.Time `json:"updated_at"` // Arrival of this version
}

func (s Stamp) etag() string { return etagOf(s.Version) }

func (s Stamp) id() uuid.UUID { return s.ID }

func etagOf(version int) string { return `"v` + itoa(version) + `"` }

// etagWith is the entity tag of a body that also tells what is no part of the
// record: state names that. A change needs only the version.
func etagWith(version int, state string) string {
	return `"v` + itoa(version) + "-" + state + `"`
}

// matches reports whether an If-None-Match header names etag (weak comparison, RFC 9110).
func matches(header, etag string) bool {
	for tag := range strings.SplitSeq(header, ",") {
		if tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/"); tag == etag || tag == "*" {
			return true
		}
	}
	return false
}

// matchesVersion reports whether an If-Match header names the version.
func matchesVersion(header string, version int) bool {
	for tag := range strings.SplitSeq(header, ",") {
		named, _, stated := strings.Cut(strings.TrimSpace(tag), "-")
		if stated {
			named += `"`
		}
		if named == etagOf(version) || named == "*" {
			return true
		}
	}
	return false
}

// expectVersion refuses a change unless If-Match names the current version.
func expectVersion(c *gin.Context, current int) error {
	header := c.GetHeader("If-Match")
	if header == "" {
		return &refusal{
			status: http.StatusPreconditionRequired, code: "precondition_required",
			detail: "send If-Match with the entity tag of the version that you change",
		}
	}
	if !matchesVersion(header, current) {
		return stale(current)
	}
	return nil
}

func stale(current int) error {
	return &refusal{
		status: http.StatusPreconditionFailed, code: "precondition_failed", currentETag: etagOf(current),
		detail: "the record has changed: its entity tag is now " + etagOf(current),
	}
}

// staleAs returns err, which names the entity tag of body if it is about a record that has changed.
func staleAs(err error, body tagged) error {
	if r, ok := errors.AsType[*refusal](err); ok && r.currentETag != "" {
		r.currentETag = body.etag()
		r.detail = "the record has changed: its entity tag is now " + r.currentETag
	}
	return err
}

// expectNew refuses a PUT that does not say that it only creates.
func expectNew(c *gin.Context) error {
	if strings.TrimSpace(c.GetHeader("If-None-Match")) != "*" {
		return &refusal{
			status: http.StatusPreconditionRequired, code: "precondition_required",
			detail: "PUT only creates: send If-None-Match: *",
		}
	}
	return nil
}

// pathID returns the id in the path. One that is no UUID names nothing.
func pathID(c *gin.Context) (uuid.UUID, error) {
	id, err := uuid.Parse(c.Param("id"))
	if err != nil || len(c.Param("id")) != 36 {
		return uuid.Nil, &refusal{status: http.StatusNotFound, code: "not_found", detail: "no record has this id"}
	}
	return id, nil
}
