package api

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/url"
	"strconv"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/request"
)

// List is a page of records.
type List[T any] struct {
	Items      []T     `json:"items"`
	NextCursor *string `json:"next_cursor"` // Asks for the next page; null on the last
}

const (
	defaultLimit = 50
	maxLimit     = 200
)

// pageOf reads limit and cursor. One record more than a page is asked for, to know whether more follow.
func (s *server) pageOf(c *gin.Context) (request.Page, error) {
	p := request.Page{Limit: defaultLimit}
	if text, ok := c.GetQuery("limit"); ok {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > maxLimit {
			return p, badParameter("limit", "out_of_range", "must be a whole number from 1 to "+itoa(maxLimit))
		}
		p.Limit = n
	}
	if text, ok := c.GetQuery("cursor"); ok {
		id, ok := s.openCursor(c, text)
		if !ok {
			return p, badParameter("cursor", "unknown_cursor", "was not issued for this list and filter")
		}
		p.After = id
	}
	p.Limit++
	return p, nil
}

// listAll answers a page of the records that list reads.
func listAll[R, T any](
	s *server, c *gin.Context, list func(context.Context, request.Page) ([]R, error), id func(R) uuid.UUID, body func(R) T,
) (List[T], error) {
	p, err := s.pageOf(c)
	if err != nil {
		return List[T]{}, err
	}
	recs, err := list(c.Request.Context(), p)
	if err != nil {
		return List[T]{}, err
	}
	return listOf(s, c, p, recs, id, body), nil
}

// listUnder answers a page of the records that belong to the one in the path.
func listUnder[R, T any](
	s *server, c *gin.Context, list func(context.Context, uuid.UUID, request.Page) ([]R, error), id func(R) uuid.UUID, body func(R) T,
) (List[T], error) {
	parent, err := pathID(c)
	if err != nil {
		return List[T]{}, err
	}
	p, err := s.pageOf(c)
	if err != nil {
		return List[T]{}, err
	}
	recs, err := list(c.Request.Context(), parent, p)
	if err != nil {
		return List[T]{}, err
	}
	return listOf(s, c, p, recs, id, body), nil
}

// readOne answers the record in the path.
func readOne[R, T any](c *gin.Context, get func(context.Context, uuid.UUID) (R, error), body func(R) T) (T, error) {
	id, err := pathID(c)
	if err != nil {
		var none T
		return none, err
	}
	rec, err := get(c.Request.Context(), id)
	return body(rec), err
}

// listOf makes the page of a list from records fetched with [server.pageOf].
func listOf[R, T any](s *server, c *gin.Context, p request.Page, recs []R, id func(R) uuid.UUID, body func(R) T) List[T] {
	l := List[T]{Items: make([]T, 0, len(recs))}
	if len(recs) == p.Limit {
		recs = recs[:p.Limit-1]
		cursor := s.cursor(c, id(recs[len(recs)-1]))
		l.NextCursor = &cursor
		q := c.Request.URL.Query()
		q.Set("cursor", cursor)
		c.Header("Link", "<"+c.Request.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	for _, r := range recs {
		l.Items = append(l.Items, body(r))
	}
	return l
}

// cursor seals the last id of a page to the list and filter it was asked with.
func (s *server) cursor(c *gin.Context, last uuid.UUID) string {
	return base64.RawURLEncoding.EncodeToString(append(last[:], s.cursorSeal(c, last)...))
}

func (s *server) openCursor(c *gin.Context, text string) (last uuid.UUID, ok bool) {
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) != 32 {
		return last, false
	}
	copy(last[:], b)
	return last, hmac.Equal(b[16:], s.cursorSeal(c, last))
}

func (s *server) cursorSeal(c *gin.Context, last uuid.UUID) []byte {
	filter := url.Values{}
	for name, values := range c.Request.URL.Query() {
		if name != "cursor" && name != "limit" {
			filter[name] = values
		}
	}
	mac := hmac.New(sha256.New, s.cursorSecret)
	mac.Write(last[:])
	mac.Write([]byte(c.Request.URL.Path + "?" + filter.Encode()))
	return mac.Sum(nil)[:16]
}

func itoa(n int) string { return strconv.Itoa(n) }
