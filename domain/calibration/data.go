package calibration

import (
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// SeriesData is what the samples of one series show about themselves and about
// the circumstances, as plain facts.
type SeriesData struct {
	SeriesID        uuid.UUID
	Samples         int // measured: numbers and flagged ones
	OverRange       int // flagged so
	UnderRange      int
	AtLimit         int          // numbers equal to an end of the measuring range
	NearFloor       int          // numbers less than DataRules.FloorMargin above its lower end
	LongestConstant int          // most samples in a row with one and the same number
	Coverage        *float64     // measured over asked time, 0 to 1; nil if nothing is asked for
	Weather         []BadWeather // see [DataRules.BadWeather]
	Clock           []Doubt      // when the meter's clock may have been wrong
	Overlaps        []Overlap
}

// Doubt is a span in which something is in doubt, and why.
type Doubt struct {
	Span   series.Span
	Reason string // a sentence
}

// Overlap is the use of the same channel by another series, at another position or in another survey, at the same time.
type Overlap struct {
	SeriesID uuid.UUID // the other; the finding's text does not name it, because not everyone may see it
	Version  int
	Span     series.Span
}

// DataRules says what samples may show about themselves without a remark.
type DataRules struct {
	MinCoverage      Sourced[float64]        // of the asked time; below is remarked
	FlaggedShare     Sourced[float64]        // of over-range, of under-range samples; above is remarked
	AtLimitShare     Sourced[float64]        // of samples at an end of the range; above is remarked
	ConstantSamples  Sourced[int]            // as many equal numbers in a row are remarked
	FloorMargin      Sourced[acoustic.Level] // above the lower end of the range a level is near it
	NearFloorShare   Sourced[float64]        // of samples near it; above is remarked
	MaxWindSpeed     Sourced[float64]        // m/s; without source: no limit
	MaxPrecipitation Sourced[float64]        // mm/h; without source: no limit
}

func dataRules(wind, rain Sourced[float64]) DataRules {
	return DataRules{
		MinCoverage:      from(0.75, "house value"),
		FlaggedShare:     from(0.0, "house value"),
		AtLimitShare:     from(0.001, "house value"),
		ConstantSamples:  from(60, "house value"),
		FloorMargin:      from[acoustic.Level](3_00, "house value"),
		NearFloorShare:   from(0.1, "house value"),
		MaxWindSpeed:     wind,
		MaxPrecipitation: rain,
	}
}

// data judges what the samples show about themselves.
func (j *judge) data() {
	rules := j.facts.Profile.Data
	about := aboutSeries(j.use)
	for _, d := range j.facts.Data {
		if d.SeriesID != j.use.ID {
			continue
		}
		share := func(r Rule, n int, limit Sourced[float64], what string) {
			if n > 0 && d.Samples > 0 && float64(n)/float64(d.Samples) > limit.Value {
				j.add(r, SeverityRemark, about, nil, "%d of %d samples %s.", n, d.Samples, what)
			}
		}
		share(SamplesOverRange, d.OverRange, rules.FlaggedShare, "lay above the measuring range")
		share(SamplesUnderRange, d.UnderRange, rules.FlaggedShare, "lay below the measuring range")
		share(SamplesAtLimit, d.AtLimit, rules.AtLimitShare, "equal an end of the measuring range: the level may have lain beyond it")
		share(SamplesNearFloor, d.NearFloor, rules.NearFloorShare,
			"lie less than "+rules.FloorMargin.Value.String()+" dB above the lower end of the measuring range: the meter's own noise may be part of them")
		if n := rules.ConstantSamples.Value; n > 0 && d.LongestConstant >= n {
			j.add(SamplesConstant, SeverityRemark, about, nil,
				"%d samples in a row have the same number: the meter may have stood still.", d.LongestConstant)
		}
		if d.Coverage != nil && *d.Coverage < rules.MinCoverage.Value {
			j.add(CoverageLow, SeverityRemark, about, nil, "Only %.4g %% of the time asked for was measured.", 100**d.Coverage)
		}
		j.weather(d.Weather)
		for _, c := range d.Clock {
			j.add(ClockSuspicious, SeverityUndetermined, about, &c.Span, "%s", c.Reason)
		}
		meter := j.instrument(j.use.InstrumentID)
		for _, o := range d.Overlaps {
			j.add(InstrumentUseOverlaps, SeverityUndetermined, Subject{"series", o.SeriesID, o.Version}, &o.Span,
				"Channel %d of the %v was also in use elsewhere from %s to %s.", j.use.Channel, meter, j.clock(o.Span.From), j.clock(o.Span.To))
		}
	}
}

// weather remarks, once for each side measurement, on bad weather while the series was measured.
func (j *judge) weather(bad []BadWeather) {
	type spell struct {
		series.Span
		BadWeather     // with the highest number
		spans      int // how many
		lasted     time.Duration
	}
	var all []spell
	for _, b := range bad {
		for _, part := range common([]series.Span{b.Span}, j.use.Stretches) {
			n := slices.IndexFunc(all, func(s spell) bool { return s.SeriesID == b.SeriesID })
			if n < 0 {
				n, all = len(all), append(all, spell{Span: part, BadWeather: b})
			}
			s := &all[n]
			if h := s.Highest; h != nil && (b.Highest == nil || *b.Highest > *h) {
				s.BadWeather = b
			}
			s.Span, s.spans, s.lasted = hull(s.Span, part), s.spans+1, s.lasted+part.To.Sub(part.From)
		}
	}
	for _, s := range all {
		// The version of the side measurement is not asked: the remark needs no decision.
		j.add(WeatherOutsideLimits, SeverityRemark, Subject{"series", s.SeriesID, 1}, &s.Span,
			"From %s to %s, in %d spans of %v together: %s.", j.clock(s.From), j.clock(s.To), s.spans, s.lasted, s.Reason())
	}
}

// write adds d to a digest.
func (d SeriesData) write(w io.Writer) {
	fmt.Fprintf(w, "data %s %d %d %d %d %d %d", d.SeriesID, d.Samples, d.OverRange, d.UnderRange, d.AtLimit, d.NearFloor, d.LongestConstant)
	if d.Coverage != nil {
		fmt.Fprintf(w, " %v", *d.Coverage)
	}
	span := func(s series.Span) string {
		return s.From.UTC().Format(time.RFC3339Nano) + "/" + s.To.UTC().Format(time.RFC3339Nano)
	}
	for _, b := range d.Weather {
		fmt.Fprintf(w, " weather %s %s %q", b.SeriesID, span(b.Span), b.Reason())
	}
	for _, c := range d.Clock {
		fmt.Fprintf(w, " clock %s %q", span(c.Span), c.Reason)
	}
	for _, o := range d.Overlaps {
		fmt.Fprintf(w, " overlap %s %d %s", o.SeriesID, o.Version, span(o.Span))
	}
	fmt.Fprintln(w)
}
