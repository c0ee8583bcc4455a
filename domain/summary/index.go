package summary

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// hourShare is the share of each clock hour of a period that must have been
// measured, in sum over the span, for its level to be given (house value).
const hourShare = 0.5

// periodFigures returns the level of each period of a scope and the index over
// the day. tallies are by slot.
func (p *Plan) periodFigures(s *scope, tallies []series.Tally) (figures []Figure, times []PeriodTime, cannot []Unavailable) {
	set := p.request.Periods
	sounds := make([]sound, len(set.Periods))
	missing := ""
	for i, period := range set.Periods {
		var t series.Tally
		var asked int64
		var hours []string
		for n, sl := range p.slots {
			if sl.period != i {
				continue
			}
			t = t.Plus(tallies[n])
			asked += s.asked[n]
			if !p.represented(s, n, tallies[n].Samples()) {
				hours = append(hours, sl.String())
			}
		}
		pt := PeriodTime{Symbol: period.Symbol, Measured: p.header.duration(t.Samples()), Asked: time.Duration(asked) * time.Microsecond}
		nominal := time.Duration(period.Minutes()) * time.Minute
		pt.Coverage = min(1, float64(pt.Measured)/float64(max(pt.Asked, nominal)))
		times = append(times, pt)

		sounds[i] = lot{&p.header, t}.sound()
		f, reason := sounds[i].level(sounds[i].time)
		if why := tooLittle(pt.Coverage, p.request.MinCoverage, hours); why != "" {
			reason = why
		}
		if reason != "" {
			cannot = append(cannot, Unavailable{period.Symbol, reason})
			missing = period.Symbol
			continue
		}
		f.Symbol, f.Basis = period.Symbol, p.form.meanBasis
		figures = append(figures, f)
	}
	switch {
	case set.Index == "":
	case missing != "":
		cannot = append(cannot, Unavailable{set.Index, missing + " is unavailable"})
	default:
		f, _ := rated(set, sounds).level(1)
		f.Symbol, f.Basis = set.Index, p.form.meanBasis
		figures = append(figures, f)
	}
	return figures, times, cannot
}

// rated returns the sound of the index, in one unit of time. Bounds of the periods carry over.
func rated(set acoustic.PeriodSet, sounds []sound) sound {
	low, high := make([]acoustic.Decibel, len(sounds)), make([]acoustic.Decibel, len(sounds))
	sum := sound{}
	for i, s := range sounds {
		low[i], high[i] = acoustic.FromRatio(s.low/s.time), acoustic.FromRatio(s.high/s.time)
		sum = sum.plus(s)
	}
	sum.low, sum.high, sum.time = set.Rate(low).Ratio(), set.Rate(high).Ratio(), 1
	return sum
}

// represented reports whether enough of a slot was measured. A slot that the
// clock skipped, and that does not come again in the scope, need not be.
func (p *Plan) represented(s *scope, n int, samples int64) bool {
	asked := s.asked[n]
	if asked == 0 {
		for _, sk := range p.skipped {
			if sk.slot == n && sk.at >= s.from && sk.at < s.to {
				return true
			}
		}
		return false
	}
	return float64(p.header.duration(samples).Microseconds()) >= hourShare*float64(asked)
}

// tooLittle says why a period was not measured enough, or is empty. hours are those not represented.
func tooLittle(coverage, least float64, hours []string) string {
	var why []string
	if coverage < least {
		why = append(why, fmt.Sprintf("coverage %s is below %s", thousandths(coverage), strconv.FormatFloat(least, 'f', -1, 64)))
	}
	switch {
	case len(hours) == 1:
		why = append(why, "hour "+hours[0]+" not represented")
	case len(hours) > 1:
		why = append(why, "hours "+strings.Join(hours, ", ")+" not represented")
	}
	return strings.Join(why, "; ")
}

// thousandths writes a share with at most three decimals, never above its value.
func thousandths(share float64) string {
	return strconv.FormatFloat(math.Floor(share*1000+1e-9)/1000, 'f', -1, 64)
}

// String returns the hour of a slot, "06-07", with minutes where it is no whole hour.
func (s slot) String() string {
	if s.from%hour == 0 && s.to%hour == 0 {
		return fmt.Sprintf("%02d-%02d", s.from/hour, s.to/hour)
	}
	minute := hour / 60
	return fmt.Sprintf("%02d:%02d-%02d:%02d", s.from/hour, s.from%hour/minute, s.to/hour, s.to%hour/minute)
}
