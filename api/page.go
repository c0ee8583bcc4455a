package api

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/url"
	"slices"
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
	p, _, err := s.pageOfWalks(c, "")
	return p, err
}

// pageOfWalks is pageOf for a list that walks several things in turn: it returns the walk
// that the page goes on with too, the first where there is no cursor.
func (s *server) pageOfWalks(c *gin.Context, walks ...string) (p request.Page, walk string, err error) {
	p.Limit, walk = defaultLimit, walks[0]
	if text, ok := c.GetQuery("limit"); ok {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > maxLimit {
			return p, walk, badParameter("limit", "out_of_range", "must be a whole number from 1 to "+itoa(maxLimit))
		}
		p.Limit = n
	}
	if text, ok := c.GetQuery("cursor"); ok {
		i := slices.IndexFunc(walks, func(walk string) (ok bool) {
			p.After, ok = s.openCursor(c, walk, text)
			return ok
		})
		if i < 0 {
			return p, walk, badParameter("cursor", "unknown_cursor", "was not issued for this list and filter")
		}
		walk = walks[i]
	}
	p.Limit++
	return p, walk, nil
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
		l.NextCursor = s.more(c, "", id(recs[len(recs)-1]))
	}
	for _, r := range recs {
		l.Items = append(l.Items, body(r))
	}
	return l
}

// more tells where the next page of a list begins: after the last id of the walk that
// the list is at, "" where it has but one.
func (s *server) more(c *gin.Context, walk string, last uuid.UUID) *string {
	cursor := base64.RawURLEncoding.EncodeToString(append(last[:], s.cursorSeal(c, walk, last)...))
	q := c.Request.URL.Query()
	q.Set("cursor", cursor)
	c.Header("Link", "<"+c.Request.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	return &cursor
}

func (s *server) openCursor(c *gin.Context, walk, text string) (last uuid.UUID, ok bool) {
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) != 32 {
		return last, false
	}
	copy(last[:], b)
	return last, hmac.Equal(b[16:], s.cursorSeal(c, walk, last))
}

// cursorSeal seals the last id of a page to the list, the filter it was asked with and the walk.
func (s *server) cursorSeal(c *gin.Context, walk string, last uuid.UUID) []byte {
	filter := url.Values{}
	for name, values := range c.Request.URL.Query() {
		if name != "cursor" && name != "limit" && name != "expand" {
			filter[name] = values
		}
	}
	mac := hmac.New(sha256.New, s.cursorSecret)
	mac.Write(last[:])
	mac.Write([]byte(c.Request.URL.Path + "?" + filter.Encode() + "#" + walk))
	return mac.Sum(nil)[:16]
}

func itoa(n int) string { return strconv.Itoa(n) }
