package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

type feedStore interface {
	CreateFeed(ctx context.Context, f calibration.Feed) (calibration.Feed, error)
	Feed(ctx context.Context, id uuid.UUID) (calibration.Feed, error)
	FeedOpened(ctx context.Context, secretHash []byte) (calibration.Feed, error)
	Feeds(ctx context.Context, p request.Page) ([]calibration.Feed, error)
	DeleteFeed(ctx context.Context, f calibration.Feed) error
}

// NewFeed is a feed as asked for.
type NewFeed struct {
	Name        string  `json:"name" example:"Calibrations due"`                           // What calendar programs call it
	WithinDays  *int    `json:"within_days,omitempty" minimum:"0" maximum:"3660"`          // What falls due so many days from the day on which it is fetched; absent: 60
	RuleProfile *string `json:"rule_profile,omitempty" extensions:"x-nullable" example:""` // Code; null or absent: of each kind of instrument the strictest of the newest editions
}

// Feed is a calendar of what falls due, at a secret address.
type Feed struct {
	Stamp
	Name        string     `json:"name"`
	WithinDays  int        `json:"within_days"`       // What falls due so many days from the day on which it is fetched
	RuleProfile *string    `json:"rule_profile"`      // Code; null: of each kind of instrument the strictest of the newest editions
	LastUsedAt  *time.Time `json:"last_used_at"`      // To the minute; null: never
	Address     string     `json:"address,omitempty"` // Path of the calendar on this service, shown this once: whoever knows it needs no key
}

func (f Feed) path() string { return "/v1/calibrations/feeds/" + f.ID.String() }

func feedOf(f calibration.Feed) Feed {
	return Feed{
		Stamp: Stamp{f.ID, f.Version, f.CreatedAt, f.RecordedAt}, Name: f.Name, WithinDays: f.WithinDays,
		RuleProfile: orNil(f.RuleProfile), LastUsedAt: f.LastUsedAt,
	}
}

func (in NewFeed) feed() calibration.Feed {
	f := calibration.Feed{Name: in.Name, WithinDays: 60, RuleProfile: orZero(in.RuleProfile)}
	if in.WithinDays != nil {
		f.WithinDays = *in.WithinDays
	}
	return f
}

type feedHandlers struct{ *server }

func (h feedHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/calibrations/feeds", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/calibrations/feeds", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/calibrations/feeds/:id", respond(h.server, http.StatusOK, h.get))
	v1.DELETE("/calibrations/feeds/:id", respond(h.server, http.StatusNoContent, h.delete))
}

// list lists the feeds.
//
//	@Summary	List calendar feeds, without their addresses
//	@Tags		calibrations
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Feed]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/calibrations/feeds [get]
func (h feedHandlers) list(c *gin.Context) (List[Feed], error) {
	return listAll(h.server, c, h.store.Feeds, func(f calibration.Feed) uuid.UUID { return f.ID }, feedOf)
}

// create makes a feed and shows its address, this once.
//
//	@Summary		Make a calendar feed of what falls due
//	@Description	Calendar programs subscribe to the address that the answer shows, this once: only a digest of its secret is kept. Whoever knows it reads the due list without a key, and nothing of surveys or clients. Deleting the feed revokes it.
//	@Tags			calibrations
//	@Accept			json
//	@Param			feed	body		NewFeed	true	"Feed to make"
//	@Success		201		{object}	Feed
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/calibrations/feeds [post]
func (h feedHandlers) create(c *gin.Context) (Feed, error) {
	var in NewFeed
	if err := decode(c, &in, func() error { return in.feed().Validate() }); err != nil {
		return Feed{}, err
	}
	f := in.feed()
	if known, err := h.newestProfiles(c.Request.Context(), f.RuleProfile); err != nil {
		return Feed{}, err
	} else if len(known) == 0 {
		var bad fault.Fields
		bad.Add("rule_profile", "unknown_reference", "is the code of no rule profile")
		return Feed{}, bad.Err("feed")
	}
	secret := calibration.NewFeedSecret()
	f.SecretHash, _ = calibration.FeedSecretHash(secret) // NewFeedSecret makes secrets
	f, err := h.store.CreateFeed(c.Request.Context(), f)
	out := feedOf(f)
	out.Address = feedsPath + secret + ".ics"
	return out, err
}

// get returns a feed.
//
//	@Summary	Read a calendar feed's record, without its address
//	@Tags		calibrations
//	@Param		id		path		string	true	"Feed"	format(uuid)
//	@Success	200		{object}	Feed
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/calibrations/feeds/{id} [get]
func (h feedHandlers) get(c *gin.Context) (Feed, error) { return readOne(c, h.store.Feed, feedOf) }

// delete revokes a feed.
//
//	@Summary	Delete a calendar feed: nothing is served at its address from then on
//	@Tags		calibrations
//	@Param		id	path	string	true	"Feed"	format(uuid)
//	@Success	204	"Deleted"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/calibrations/feeds/{id} [delete]
func (h feedHandlers) delete(c *gin.Context) (struct{}, error) {
	id, err := pathID(c)
	if err != nil {
		return struct{}{}, err
	}
	f, err := h.store.Feed(c.Request.Context(), id)
	if err != nil {
		return struct{}{}, err
	}
	if err := expectVersion(c, f.Version); err != nil {
		return struct{}{}, err
	}
	return struct{}{}, h.store.DeleteFeed(c.Request.Context(), f)
}

const (
	feedsPath = "/feeds/"
	feedKey   = "leveltrail.feed"
)

// shown returns the path of a request without the secret
// of a feed's address, also where it stands in a path that nothing is served at.
func shown(path string) string {
	before, secret, found := strings.Cut(path, feedsPath)
	if _, err := uuid.Parse(secret); !found || err == nil && before == "/v1/calibrations" {
		return path
	}
	return before + feedsPath + "…"
}

// openFeed finds the feed of a secret address. Each has the allowance of a key; all addresses
// that lead nowhere share one.
func (s *server) openFeed(c *gin.Context) {
	by := access.Caller{KeyID: "feeds", RequestID: requestID(c)}
	secret, isCalendar := strings.CutSuffix(strings.TrimPrefix(c.Request.URL.Path, feedsPath), ".ics")
	if hash, ok := calibration.FeedSecretHash(secret); ok && isCalendar {
		f, err := s.store.FeedOpened(c.Request.Context(), hash)
		switch {
		case err == nil:
			by.KeyID, by.Name = "feed "+f.ID.String(), f.Name
			c.Set(feedKey, f)
		case fault.KindOf(err) != fault.NotFound:
			s.send(c, s.failure(c, err))
			c.Abort()
			return
		}
	}
	c.Request = c.Request.WithContext(access.With(c.Request.Context(), by)) // who sees no client
}

// calendar answers a feed.
//
//	@Summary		Calendar of what falls due, at a feed's secret address
//	@Description	iCalendar (RFC 5545): on the last day that each calibration covers, an event of the whole day with alarms 30 and 7 days before. Overdue ones stay until they are calibrated. No key is needed; the address is the secret.
//	@Tags			calibrations
//	@Produce		text/calendar
//	@Param			secret	path		string	true	"Secret of the feed, as its making showed it"
//	@Success		200		{string}	string	"The calendar"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/feeds/{secret}.ics [get]
func (s *server) calendar(c *gin.Context) {
	body, err := s.calendarAsked(c)
	if err != nil {
		s.send(c, s.failure(c, err))
		return
	}
	sum := sha256.Sum256(body)
	a := request.Answer{Status: http.StatusOK, Body: body, Headers: map[string]string{
		"Content-Type": "text/calendar; charset=utf-8", "ETag": `"` + hex.EncodeToString(sum[:16]) + `"`,
	}}
	if matches(c.GetHeader("If-None-Match"), a.Headers["ETag"]) {
		a.Status = http.StatusNotModified
	}
	s.send(c, a)
}

func (s *server) calendarAsked(c *gin.Context) ([]byte, error) {
	found, _ := c.Get(feedKey)
	f, ok := found.(calibration.Feed)
	if !ok {
		return nil, &refusal{status: http.StatusNotFound, code: "not_found", detail: "there is no calendar at this address"}
	}
	if err := checkQuery(c, nil); err != nil {
		return nil, err
	}
	ctx := c.Request.Context()
	profiles, err := s.newestProfiles(ctx, f.RuleProfile)
	if err != nil {
		return nil, err
	}
	today := civil.DayOf(s.now(), time.UTC)
	due := func(of []calibration.Kept) []calibration.DueRow {
		return calibration.DueList(of, profiles, today, f.WithinDays)
	}
	var events []dueEvent
	months, horizon := calibration.ShortestIntervals(profiles), today.AddDays(f.WithinDays)
	for p := (request.Page{Limit: maxLimit + 1}); ; {
		kept, err := s.store.MayFallDue(ctx, months, horizon, p)
		if err != nil {
			return nil, err
		}
		for _, k := range kept[:min(len(kept), maxLimit)] {
			events = append(events, dueEvents(k, due)...)
		}
		if len(kept) < p.Limit {
			return calendarOf(f.Name, events), nil
		}
		p.After = kept[maxLimit-1].Instrument.ID
	}
}
