package api

import (
	"fmt"
	"regexp"
	"strconv"

	"leveltrail/domain/acoustic"
)

// PeriodSet divides the day of a project.
type PeriodSet struct {
	Name    string   `json:"name" example:"day_night_06_22"`          // Name, which summaries repeat
	Index   *string  `json:"index,omitempty" example:"Ldn"`           // Symbol of the index over the whole day; absent: none is formed
	Highest bool     `json:"highest,omitempty"`                       // The index is the highest of the raised levels and not their energy mean
	Source  *string  `json:"source,omitempty" example:"local by-law"` // Where the division is laid down
	Periods []Period `json:"periods" minItems:"1"`                    // In the order of the day, which starts with the first
}

// Period is a part of the day with a level of its own.
type Period struct {
	Symbol    string   `json:"symbol" example:"Lnight"`                                        // Of its level
	From      string   `json:"from" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" example:"22:00"` // On the clock at the site
	To        string   `json:"to" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" example:"06:00"`   // On the clock at the site; at or before from it lies on the next day
	PenaltyDB *float64 `json:"penalty_db,omitempty"`                                           // Added to its level in the index
}

var clockTime = regexp.MustCompile(`^([01][0-9]|2[0-3]):([0-5][0-9])$`)

// minuteOf returns the minute of the day that a clock shows, −1 where text is no time of day.
func minuteOf(text string) int {
	m := clockTime.FindStringSubmatch(text)
	if m == nil {
		return -1
	}
	h, _ := strconv.Atoi(m[1])
	minute, _ := strconv.Atoi(m[2])
	return h*60 + minute
}

// set returns what in says, nil where it is absent.
func (in *PeriodSet) set() *acoustic.PeriodSet {
	if in == nil {
		return nil
	}
	s := &acoustic.PeriodSet{Name: in.Name, Index: orZero(in.Index), Highest: in.Highest, Source: orZero(in.Source)}
	for _, p := range in.Periods {
		s.Periods = append(s.Periods, acoustic.Period{
			Symbol: p.Symbol, From: minuteOf(p.From), To: minuteOf(p.To), Penalty: acoustic.Decibel(orZero(p.PenaltyDB)),
		})
	}
	return s
}

func periodSetOf(s *acoustic.PeriodSet) *PeriodSet {
	if s == nil {
		return nil
	}
	clock := func(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }
	out := &PeriodSet{Name: s.Name, Index: orNil(s.Index), Highest: s.Highest, Source: orNil(s.Source)}
	for _, p := range s.Periods {
		out.Periods = append(out.Periods, Period{p.Symbol, clock(p.From), clock(p.To), orNil(float64(p.Penalty))})
	}
	return out
}
