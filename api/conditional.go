package api

import (
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

func etagOf(version int) string { return `"v` + itoa(version) + `"` }

// matches reports whether an If-Match or If-None-Match header names etag.
func matches(header, etag string) bool {
	for tag := range strings.SplitSeq(header, ",") {
		if tag = strings.TrimSpace(tag); tag == etag || tag == "*" {
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
	if !matches(header, etagOf(current)) {
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
