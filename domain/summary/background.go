package summary

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// BackgroundSymbol names a background level: a statistic of the exceedance levels of
// consecutive stretches, "LAF90,15min median". It is no residual level, see [CorrectResidual].
type BackgroundSymbol struct {
	Prefix    string // of the exceedance levels: "LAF", or "LA" of short equivalent levels
	Percent   series.Percent
	Stretch   time.Duration // whole minutes that divide a day
	Statistic Statistic
}

// Statistic is which of many levels is taken.
type Statistic string

// The statistics. Which is right depends on the purpose: whoever sets a limit chooses.
const (
	Lowest Statistic = "lowest"
	Median Statistic = "median" // of an even number of levels the lower of the two in the middle
	Mean   Statistic = "mean"   // arithmetic, of levels in decibels
	Mode   Statistic = "mode"   // the most frequent whole decibel, of equals the lowest
)

var backgroundPattern = regexp.MustCompile(`^(L[ACZ][FS]?)(\d{1,2}(?:\.\d{1,3})?),(\d{1,4})min (lowest|median|mean|mode)$`)

// ParseBackground reads a background symbol. ok is false for any other text.
func ParseBackground(text string) (b BackgroundSymbol, ok bool) {
	m := backgroundPattern.FindStringSubmatch(text)
	if m == nil {
		return b, false
	}
	x, _ := strconv.ParseFloat(m[2], 64)
	minutes, _ := strconv.Atoi(m[3])
	b = BackgroundSymbol{m[1], series.Percent(math.Round(x * 1000)), time.Duration(minutes) * time.Minute, Statistic(m[4])}
	return b, b.Percent > 0 && minutes > 0 && 24*60%minutes == 0
}

// IsBackground reports whether a symbol is of a background level.
func IsBackground(symbol string) bool {
	_, ok := ParseBackground(symbol)
	return ok
}

// Background is the exceedance levels of stretches with their statistics.
type Background struct {
	Basis        Basis
	Counted      int // stretches that count
	LeftOut      int // stretches of which too little was measured, or the level is not known
	Lowest       acoustic.Decibel
	Highest      acoustic.Decibel
	Median       acoustic.Decibel
	Mean         acoustic.Decibel
	Mode         acoustic.Decibel
	Distribution []WholeLevel // by ascending level
}

// WholeLevel is how many stretches have a level that rounds to a whole decibel, halves up.
type WholeLevel struct {
	Level     int
	Stretches int
}

// fewestStretches is how many stretches a background level takes: an hour of quarter hours (house value).
const fewestStretches = 4

// PlanBackground returns a plan for [BackgroundOf]. Percentiles and periods of r are left out.
func PlanBackground(r Request, h Header, b BackgroundSymbol) (Plan, error) {
	r.Step, r.Percentiles, r.StepPercentiles, r.Periods = b.Stretch, nil, []series.Percent{b.Percent}, acoustic.PeriodSet{}
	return PlanFor(r, h)
}

// Carries reports whether a series carries the exceedance levels of b.
func (b BackgroundSymbol) Carries(h Header) bool { return formOf(h).exceed == b.Prefix }

// BackgroundOf returns the levels of stretches on the local clock that lie in the spans of
// the parts, each measured for least of its time, from series of one kind that do not
// overlap. inside are the spans that count, in time order. reason is empty, or says why
// there is none. The parts come from [PlanBackground].
func BackgroundOf(b BackgroundSymbol, parts []Part, inside []series.Span, least float64) (g Background, reason string) {
	if contest(headersOf(parts), func(Header, Header) bool { return false }) {
		return g, contested(headersOf(parts))
	}
	name := exceedance(b.Prefix, b.Percent)
	var levels []acoustic.Decibel
	for i := range parts {
		p := &parts[i].Plan
		if basis := p.form.exceedBasis; g.Basis != "" && g.Basis != basis || p.header.Interval != parts[0].Plan.header.Interval {
			return Background{}, "series of different kinds or intervals make no background level"
		}
		g.Basis = p.form.exceedBasis
		profile := Of(*p, parts[i].Answer).Steps
		var st Step
		for j := range profile.Len() {
			st = profile.At(j, st)
			if st.Samples == 0 || !within(inside, st.Span) {
				continue
			}
			n := slices.IndexFunc(st.Levels, func(f Figure) bool { return f.Symbol == name })
			if n < 0 || st.Levels[n].Level == nil || *st.Coverage < least {
				g.LeftOut++
				continue
			}
			levels = append(levels, *st.Levels[n].Level)
		}
	}
	if len(levels) < fewestStretches {
		return Background{}, fmt.Sprintf("%d stretches of %v have a level, at least %d are needed", len(levels), b.Stretch, fewestStretches)
	}
	g.settle(levels)
	return g, ""
}

// within reports whether one of the spans holds all of s.
func within(spans []series.Span, s series.Span) bool {
	return slices.ContainsFunc(spans, func(o series.Span) bool { return !s.From.Before(o.From) && !s.To.After(o.To) })
}

// settle fills in the statistics of levels.
func (g *Background) settle(levels []acoustic.Decibel) {
	slices.Sort(levels)
	g.Counted, g.Lowest, g.Highest, g.Median = len(levels), levels[0], levels[len(levels)-1], levels[(len(levels)-1)/2]
	for _, l := range levels {
		g.Mean += l / acoustic.Decibel(len(levels))
		// Exceedance levels are whole hundredths, which floats only nearly hold.
		whole := int(math.Floor((math.Round(float64(l)*100) + 50) / 100))
		if n := len(g.Distribution); n == 0 || g.Distribution[n-1].Level != whole {
			g.Distribution = append(g.Distribution, WholeLevel{Level: whole})
		}
		g.Distribution[len(g.Distribution)-1].Stretches++
	}
	most := slices.MaxFunc(g.Distribution, func(a, b WholeLevel) int {
		return cmp.Or(cmp.Compare(a.Stretches, b.Stretches), cmp.Compare(b.Level, a.Level))
	})
	g.Mode = acoustic.Decibel(most.Level)
}

// Level returns the level of a statistic.
func (g Background) Level(s Statistic) acoustic.Decibel {
	switch s {
	case Lowest:
		return g.Lowest
	case Mean:
		return g.Mean
	case Mode:
		return g.Mode
	case Median:
	}
	return g.Median
}
