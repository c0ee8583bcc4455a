package api

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// EventLevels are the figures of one sound event.
type EventLevels struct {
	EventID     uuid.UUID         `json:"event_id"`    // Sound event
	PositionID  uuid.UUID         `json:"position_id"` // Its position
	Kind        string            `json:"kind"`
	From        time.Time         `json:"from"`
	To          time.Time         `json:"to"`
	Levels      map[string]Figure `json:"levels"` // LAE needs all of the event measured
	Unavailable []Unavailable     `json:"unavailable"`
}

// EventSum sums up sound events of one kind at one position, or readings of sound
// exposure levels that a meter gave at instants.
type EventSum struct {
	PositionID uuid.UUID    `json:"position_id"` // Position
	Kind       *string      `json:"kind"`        // Of the events; null for readings of a meter
	SeriesID   *uuid.UUID   `json:"series_id"`   // Series of the readings; null for marked events
	Events     int          `json:"events"`      // How many there were
	Counted    int          `json:"counted"`     // Of how many the sound exposure level is known
	LAE        *PlainFigure `json:"lae"`         // Sound exposure level of all of them together
	MeanLAE    *PlainFigure `json:"mean_lae"`    // Energy mean of their sound exposure levels
	LAeqT      *PlainFigure `json:"laeq_t"`      // Spread over the rating time: 10 lg(Σ10^(LAE/10)/T); null without one
	RatingS    *float64     `json:"rating_s"`
	Reason     *string      `json:"reason"` // Why there are no levels, or why they are bounds
}

// SurveyEventLevels are the figures of the sound events of a survey.
type SurveyEventLevels struct {
	SurveyID uuid.UUID     `json:"survey_id"`                  // Survey
	Windows  string        `json:"windows" enums:"all,usable"` // Which samples the figures cover
	Outcome  string        `json:"outcome"`                    // Of the verdict on the survey
	Events   []EventLevels `json:"events"`                     // In time order
	Sums     []EventSum    `json:"sums"`                       // By position and kind
	Cautions []Caution     `json:"cautions"`                   // To be shown beside the figures
	Evidence Evidence      `json:"evidence"`
}

// mostEvents bounds the events of which one request asks the figures.
const mostEvents = 500

// levels returns the figures of sound events.
//
//	@Summary		Levels of the sound events of a survey
//	@Description	Each event's own figures, and by position and kind the sound exposure levels added up: LAeq,T = 10 lg(Σ10^(LAE/10)/T). Readings of sound exposure levels that a meter gave at instants add up likewise. A sound exposure level needs all of its event measured.
//	@Tags			figures
//	@Param			id			path		string	true	"Survey"	format(uuid)
//	@Param			from		query		string	false	"Beginning of the span that events lie in"	format(date-time)
//	@Param			to			query		string	false	"End of the span"	format(date-time)
//	@Param			position_id	query		string	false	"Events at this position"	format(uuid)
//	@Param			kind		query		string	false	"Events of this kind"
//	@Param			rating_s	query		number	false	"Rating time T in seconds: the span from, to unless given, else the survey's"
//	@Param			windows		query		string	false	"Which samples the figures cover"	Enums(all, usable)	default(all)
//	@Success		200			{object}	SurveyEventLevels
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/sound-events/levels [get]
func (h soundEventHandlers) levels(c *gin.Context) (SurveyEventLevels, error) {
	out := SurveyEventLevels{Events: []EventLevels{}, Sums: []EventSum{}, Windows: "all"}
	var err error
	if out.SurveyID, err = pathID(c); err != nil {
		return out, err
	}
	position, err := queryID(c, "position_id")
	if err != nil {
		return out, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyAndProject(ctx, out.SurveyID)
	if err != nil {
		return out, err
	}
	r := summary.Request{Zone: project.Zone()}
	if r.From, err = queryTime(c, "from"); err != nil {
		return out, err
	}
	if r.To, err = queryTime(c, "to"); err != nil {
		return out, err
	}
	if out.Windows, err = queryWord(c, "windows", "all", "usable"); err != nil {
		return out, err
	}
	r.UsableOnly = out.Windows == "usable"
	rating, err := queryRating(c, r, v)
	if err != nil {
		return out, err
	}
	marked, err := h.store.SoundEventsWithin(ctx, v.ID, r.From, r.To, mostEvents+1)
	if err != nil {
		return out, err
	}
	if len(marked) > mostEvents {
		return out, badParameter("from", "out_of_range", fmt.Sprintf("asks for more than %d events: ask for a shorter span", mostEvents))
	}
	kind, asked := c.GetQuery("kind")
	marked = slices.DeleteFunc(marked, func(e survey.SoundEvent) bool {
		return asked && e.Kind != kind || position != uuid.Nil && e.PositionID != position
	})
	verdict, err := h.verdict(ctx, v.ID, nil)
	if err != nil {
		return out, err
	}
	in := &inquiry{}
	var figures []func() summary.PositionFigures
	var readings []func() (EventSum, bool)
	plan := func(facts []series.Facts) ([][]series.Ask, error) {
		in.start(facts)
		figures, readings = nil, nil
		for _, e := range marked {
			f, err := planEvent(in, r, e, verdict)
			if err != nil {
				return nil, err
			}
			figures = append(figures, f)
		}
		for n, f := range facts {
			if f.Series.Quantity == "LAE" && f.Series.IntervalUS == 0 && !asked && (position == uuid.Nil || f.Series.PositionID == position) {
				read, err := planReadings(in, r, n, verdict, rating)
				if err != nil {
					return nil, err
				}
				readings = append(readings, read)
			}
		}
		return in.asks, nil
	}
	in.answers, err = h.store.CollectSurvey(ctx, v.ID, plan)
	if err == nil && len(figures) < len(marked) { // the survey has no series
		_, err = plan(nil)
	}
	if err != nil {
		return out, ofQuery(err)
	}
	found := made(figures)
	var all []summary.Figure
	for i, e := range marked {
		f := found[i]
		all = append(all, f.Levels...)
		out.Events = append(out.Events, EventLevels{
			e.ID, e.PositionID, e.Kind, e.StartsAt, e.EndsAt, bySymbol(f.Levels, figureOf), unavailableOf(f.Unavailable),
		})
	}
	out.Sums = sumsOf(marked, found, rating)
	for _, read := range readings {
		if s, ok := read(); ok {
			out.Sums = append(out.Sums, s)
		}
	}
	out.Outcome = string(verdict.Outcome)
	out.Cautions = cautionsOf(append(cautionsFor(all, nil, summary.Reference{}), caution.LawDecides))
	out.Evidence = evidenceOf(r, in, verdictInputs(verdict))
	return out, nil
}

// queryRating reads the rating time, zero where nothing says it.
func queryRating(c *gin.Context, r summary.Request, v survey.Survey) (time.Duration, error) {
	if text, ok := c.GetQuery("rating_s"); ok {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !(x >= 1 && x <= 1e9) {
			return 0, badParameter("rating_s", "out_of_range", "must be a number of seconds from 1 to 1000000000")
		}
		return time.Duration(x * float64(time.Second)), nil
	}
	from, to := &v.StartedAt, v.EndedAt
	if r.From != nil {
		from = r.From
	}
	if r.To != nil {
		to = r.To
	}
	if to == nil || !from.Before(*to) {
		return 0, nil
	}
	return to.Sub(*from), nil
}

// planEvent asks the figures of an event, of the broadband series that measured then.
func planEvent(in *inquiry, r summary.Request, e survey.SoundEvent, v calibration.Verdict) (func() summary.PositionFigures, error) {
	r.From, r.To = &e.StartsAt, &e.EndsAt
	var headers []summary.Header
	var of []int
	for n, f := range in.facts {
		extent := f.Content.Extent
		if f.Series.PositionID == e.PositionID && f.Series.BandFraction == nil && f.Series.IntervalUS > 0 &&
			extent.From.Before(e.EndsAt) && e.StartsAt.Before(extent.To) {
			headers, of = append(headers, plannedOf(f, v)), append(of, n)
		}
	}
	plans, err := summary.PlanPosition(r, headers)
	if err != nil {
		return nil, err
	}
	parts := make([]func() summary.Part, len(plans))
	for i, p := range plans {
		parts[i], _ = in.figures(of[i], p, false)
	}
	return func() summary.PositionFigures {
		if len(parts) == 0 {
			return summary.PositionFigures{Unavailable: []summary.Unavailable{{Symbol: "LAE", Reason: "no series of the position measured at that time"}}}
		}
		return summary.Position(made(parts))
	}, nil
}

// planReadings asks the sum of the sound exposure levels that a meter gave at instants.
func planReadings(in *inquiry, r summary.Request, n int, v calibration.Verdict, rating time.Duration) (func() (EventSum, bool), error) {
	h := plannedOf(in.facts[n], v)
	p, err := summary.PlanFor(r, h)
	if err != nil {
		return nil, err
	}
	answer := in.ask(n, p.Ask)
	return func() (EventSum, bool) {
		fs, events := summary.ExposureReadings(answer())
		s := eventSum(in.facts[n].Series.PositionID, summary.SumExposures(fs, events, rating, "LAeq"), rating)
		s.SeriesID = &h.SeriesID
		return s, events > 0
	}, nil
}

// sumsOf sums events up by position and kind, in the order of the first of each.
func sumsOf(marked []survey.SoundEvent, found []summary.PositionFigures, rating time.Duration) []EventSum {
	type key struct {
		position uuid.UUID
		kind     string
	}
	var keys []key
	events, known, ends, overlap := map[key]int{}, map[key][]summary.Figure{}, map[key]time.Time{}, map[key]bool{}
	for i, e := range marked {
		k := key{e.PositionID, e.Kind}
		if events[k]++; events[k] == 1 {
			keys = append(keys, k)
		}
		overlap[k] = overlap[k] || e.StartsAt.Before(ends[k])
		if e.EndsAt.After(ends[k]) {
			ends[k] = e.EndsAt
		}
		for _, f := range found[i].Levels {
			if f.Symbol == "LAE" {
				known[k] = append(known[k], f)
			}
		}
	}
	sums := []EventSum{}
	for _, k := range keys {
		all := summary.SumExposures(known[k], events[k], rating, "LAeq")
		if overlap[k] {
			all = summary.Exposures{Events: all.Events, Counted: all.Counted, Reason: "events overlap: what they share would count twice"}
		}
		s := eventSum(k.position, all, rating)
		s.Kind = &k.kind
		sums = append(sums, s)
	}
	return sums
}

func eventSum(position uuid.UUID, e summary.Exposures, rating time.Duration) EventSum {
	plain := func(f *summary.Figure) *PlainFigure {
		if f == nil {
			return nil
		}
		p := plainOf(*f)
		return &p
	}
	return EventSum{
		PositionID: position, Events: e.Events, Counted: e.Counted, LAE: plain(e.Sum), MeanLAE: plain(e.Mean), LAeqT: plain(e.Over),
		RatingS: orNil(rating.Seconds()), Reason: orNil(e.Reason),
	}
}
