package api

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/survey"
)

// queryID returns the id that a query parameter holds, zero where it is absent.
func queryID(c *gin.Context, name string) (uuid.UUID, error) {
	text, ok := c.GetQuery(name)
	if !ok {
		return uuid.Nil, nil
	}
	id, err := uuid.Parse(text)
	if err != nil || len(text) != 36 {
		return uuid.Nil, badParameter(name, "type", "must be a UUID")
	}
	return id, nil
}

// queryText returns the text that a query parameter holds, empty where it is absent.
// One that is given holds something: an empty one would ask for all where the
// caller means one.
func queryText(c *gin.Context, name string) (string, error) {
	text, ok := c.GetQuery(name)
	if ok && strings.TrimSpace(text) == "" {
		return "", badParameter(name, "required", "must not be blank")
	}
	return text, nil
}

// queryTime returns the time that a query parameter holds, nil where it is absent.
func queryTime(c *gin.Context, name string) (*time.Time, error) {
	text, ok := c.GetQuery(name)
	if !ok {
		return nil, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil || t.Year() < 1970 || t.Year() >= 2200 {
		return nil, badParameter(name, "type", `must be a time with an offset such as 2026-03-03T07:00:00+01:00 (RFC 3339; + is written %2B)`)
	}
	t = utc(t)
	return &t, nil
}

// knownAt returns the instant whose knowledge the query asks for, nil for now.
func (s *server) knownAt(c *gin.Context) (*time.Time, error) {
	at, err := queryTime(c, "as_known_at")
	if err != nil {
		return nil, err
	}
	if at != nil && at.After(s.now()) {
		var bad fault.Fields
		bad.Add("as_known_at", "in_the_future", "must not lie in the future: what will be known then is not known yet")
		return nil, ofQuery(bad.Err("query"))
	}
	return at, nil
}

// queryZone returns the time zone that the query asks for, zone where it asks for none.
func queryZone(c *gin.Context, zone *time.Location) (*time.Location, error) {
	name, ok := c.GetQuery("time_zone")
	if !ok {
		return zone, nil
	}
	if zone = (survey.Project{TimeZone: name}).Zone(); zone.String() != name {
		return nil, badParameter("time_zone", "unknown_time_zone", "must be an IANA time zone such as Europe/Vienna")
	}
	return zone, nil
}

// utc returns t as the database keeps it: UTC, whole microseconds.
func utc(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

func utcOrNil(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := utc(*t)
	return &u
}

// versionsOf lists every version of the record in the path, oldest first.
func versionsOf[R, T any](c *gin.Context, versions func(context.Context, uuid.UUID) ([]R, error), body func(R) T) (List[T], error) {
	id, err := pathID(c)
	if err != nil {
		return List[T]{}, err
	}
	recs, err := versions(c.Request.Context(), id)
	l := List[T]{Items: make([]T, 0, len(recs))}
	for _, r := range recs {
		l.Items = append(l.Items, body(r))
	}
	return l, err
}

// queryStep returns the step that the query asks, zero where it is absent: a whole
// number of seconds, minutes, hours or days such as 30s, 15m, 1h, 1d.
func queryStep(c *gin.Context) (time.Duration, error) {
	text, ok := c.GetQuery("step")
	if !ok {
		return 0, nil
	}
	if step, ok := lengthOf(text); ok {
		return step, nil
	}
	return 0, badParameter("step", "type", "must be a length of time such as 15m, 1h or 1d, at most 366d")
}

// lengthOf returns the length of time that text says: 30s, 15m, 1h, 1d, at most 366d.
func lengthOf(text string) (d time.Duration, ok bool) {
	n := len(text) - 1
	if n <= 0 {
		return 0, false
	}
	unit, known := map[byte]time.Duration{'s': time.Second, 'm': time.Minute, 'h': time.Hour, 'd': 24 * time.Hour}[text[n]]
	count, err := strconv.ParseUint(text[:n], 10, 32)
	d = time.Duration(count) * unit
	return d, known && err == nil && d > 0 && d <= 366*24*time.Hour
}

// queryWord returns one of words that a query parameter holds, the first where it
// is absent; an empty first one stands for absence only.
func queryWord(c *gin.Context, name string, words ...string) (string, error) {
	text, ok := c.GetQuery(name)
	if !ok {
		return words[0], nil
	}
	if text == "" || !slices.Contains(words, text) {
		return "", badParameter(name, "not_allowed", "must be one of "+strings.TrimPrefix(strings.Join(words, ", "), ", "))
	}
	return text, nil
}
