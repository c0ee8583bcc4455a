package api

import (
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// Highest is the stretch of a given length in which the equivalent level is highest.
type Highest struct {
	WindowS   float64    `json:"window_s"`         // Its length
	MovingByS float64    `json:"moving_by_s"`      // By which stretches were tried
	From      *time.Time `json:"from"`             // Null where there is none
	To        *time.Time `json:"to"`               // Its end
	Symbol    string     `json:"symbol"`           // Of its level; empty where there is none
	Level     *Figure    `json:"level"`            // Null where there is none
	Coverage  *float64   `json:"coverage"`         // Measured over its time
	Reason    string     `json:"reason,omitempty"` // Why there is none
}

// PlaceHighest is the stretch of a given length in which an equivalent level of a position is highest.
type PlaceHighest struct {
	Highest
	LeftOut int `json:"left_out"` // Series that take no part, as their samples are longer than stretches move on by
}

// PlaceTypicalDay is the hours of the local day at a position over several days.
type PlaceTypicalDay struct {
	TypicalDay
	Symbol  string `json:"symbol"`   // Of the level: LAeq, or the first other equivalent level that a series carries; empty without any
	LeftOut int    `json:"left_out"` // Series that take no part, as their samples are longer than an hour
}

// TypicalDay is the hours of the local day over several days.
type TypicalDay struct {
	Hours  []HourOfDay `json:"hours"`            // Of the clock, from 00 on; empty where there are none
	Reason string      `json:"reason,omitempty"` // Why there are none
}

// HourOfDay is a clock hour over several days.
type HourOfDay struct {
	Hour      int      `json:"hour"`       // 0 for 00-01
	Days      int      `json:"days"`       // On which enough of it was measured; an hour that comes twice as clocks go back is of two days
	LeftOut   int      `json:"left_out"`   // Days on which some of it was measured, but too little
	Level     *Figure  `json:"level"`      // Equivalent level over the days that count; null without any
	LowestDB  *float64 `json:"lowest_db"`  // Of the hourly levels
	HighestDB *float64 `json:"highest_db"` // Of the hourly levels
	SpreadDB  *float64 `json:"spread_db"`  // Standard deviation of the hourly levels; null for fewer than two days
}

// profile is what a query asks of the course of time beside the steps.
type profile struct {
	windows  []time.Duration
	movingBy time.Duration // zero: by their own length
	typical  bool
}

// maxWindows bounds how many lengths one request may ask the highest stretch of.
const maxWindows = 10

func profileRequest(c *gin.Context) (p profile, err error) {
	if text, ok := c.GetQuery("highest"); ok {
		words := strings.Split(text, ",")
		for _, w := range words {
			d, ok := lengthOf(w)
			if !ok || len(words) > maxWindows {
				return p, badParameter("highest", "type", "must be at most 10 lengths of time such as 15m or 1h, separated by commas")
			}
			p.windows = append(p.windows, d)
		}
	}
	if text, ok := c.GetQuery("moving_by"); ok {
		if p.movingBy, ok = lengthOf(text); !ok {
			return p, badParameter("moving_by", "type", "must be a length of time such as 1m")
		}
	}
	word, err := queryWord(c, "typical_day", "omitted", "included")
	p.typical = word == "included"
	return p, err
}

// plan asks what p takes of the one series of in. enter adds the answer to its summary.
func (p profile) plan(in *inquiry, r summary.Request, h summary.Header) (enter func(*Summary), err error) {
	var all []func(*Summary)
	for _, window := range p.windows {
		by := p.movingBy
		if by == 0 {
			by = window
		}
		plan, err := summary.PlanWindow(r, h, window, by)
		if err != nil {
			return nil, renamed(err, map[string]string{"step": "moving_by", "window": "highest"})
		}
		answer := in.ask(0, plan.Ask)
		all = append(all, func(s *Summary) {
			w, reason := summary.Highest(plan, answer(), r.MinCoverage)
			s.Highest = append(s.Highest, highestOf(w, reason, window, by))
		})
	}
	if p.typical {
		plan, err := summary.PlanTypicalDay(r, h)
		if err != nil {
			return nil, renamed(err, map[string]string{"step": "typical_day", "window": "typical_day"})
		}
		answer := in.ask(0, plan.Ask)
		all = append(all, func(s *Summary) { s.TypicalDay = typicalDayOf(summary.TypicalDay(plan, answer())) })
	}
	return func(s *Summary) {
		for _, enter := range all {
			enter(s)
		}
	}, nil
}

// planPlace asks what p takes of the series of a position. enter adds the answer to it.
func (p profile) planPlace(in *inquiry, r summary.Request, counts []int, headers []summary.Header) (enter func(*place), err error) {
	var all []func(*place)
	symbols := summary.EquivalentSymbols(headers)
	course := func(symbol string, window, by time.Duration) (c summary.Course, answers func() []series.Answer, err error) {
		if c, err = summary.PlanCourse(r, headers, symbol, window, by); err != nil {
			return c, nil, renamed(err, map[string]string{"step": "moving_by", "window": "highest"})
		}
		var of []func() series.Answer
		for i := range c.Plans {
			of = append(of, in.ask(counts[c.Plans[i].Of], c.Plans[i].Ask))
		}
		return c, func() []series.Answer { return made(of) }, nil
	}
	for _, window := range p.windows {
		by := p.movingBy
		if by == 0 {
			by = window
		}
		if len(symbols) == 0 {
			all = append(all, func(p *place) {
				p.highest = append(p.highest, PlaceHighest{Highest: highestOf(summary.Window{}, noEquivalent, window, by)})
			})
		}
		for _, symbol := range symbols {
			c, answers, err := course(symbol, window, by)
			if err != nil {
				return nil, err
			}
			all = append(all, func(p *place) {
				w, reason := c.Highest(answers(), r.MinCoverage)
				h := PlaceHighest{highestOf(w, reason, window, by), c.LeftOut}
				h.Symbol = symbol
				p.highest = append(p.highest, h)
			})
		}
	}
	switch {
	case p.typical && len(symbols) == 0:
		all = append(all, func(p *place) { p.typical = &PlaceTypicalDay{TypicalDay: *typicalDayOf(nil, noEquivalent)} })
	case p.typical:
		c, answers, err := course(symbols[0], time.Hour, time.Hour)
		if err != nil {
			return nil, err
		}
		all = append(all, func(p *place) {
			p.typical = &PlaceTypicalDay{*typicalDayOf(c.TypicalDay(answers())), symbols[0], c.LeftOut}
		})
	}
	return func(p *place) {
		for _, enter := range all {
			enter(p)
		}
	}, nil
}

const noEquivalent = "no series of the position with an interval carries an equivalent level"

// highestOf returns the highest window of a length, or why there is none.
func highestOf(w summary.Window, reason string, window, by time.Duration) Highest {
	out := Highest{WindowS: window.Seconds(), MovingByS: by.Seconds(), Reason: reason}
	if reason == "" {
		f := figureOf(w.Figure)
		out.From, out.To, out.Symbol, out.Level, out.Coverage = &w.From, &w.To, w.Figure.Symbol, &f, share(&w.Coverage)
	}
	return out
}

func typicalDayOf(hours []summary.HourOfDay, reason string) *TypicalDay {
	out := &TypicalDay{Hours: make([]HourOfDay, len(hours)), Reason: reason}
	for i, h := range hours {
		o := HourOfDay{Hour: h.Hour, Days: h.Days, LeftOut: h.LeftOut}
		if h.Figure != nil {
			f := figureOf(*h.Figure)
			o.Level, o.LowestDB, o.HighestDB = &f, decibels(&h.Lowest), decibels(&h.Highest)
		}
		if h.Spread != nil {
			o.SpreadDB = decibels((*acoustic.Decibel)(h.Spread))
		}
		out.Hours[i] = o
	}
	return out
}
