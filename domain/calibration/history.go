package calibration

import (
	"cmp"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/civil"
)

// HistoryEntry is one thing in the life of an instrument. Exactly one of its records is set.
type HistoryEntry struct {
	At          time.Time // of a record that knows only a day: the start of it
	Certificate *Certificate
	Status      *CertificateStatus
	Event       *Event
	Component   *Component
	Check       *FieldCheck
	FoundDB     acoustic.Level // of a check: as found less expected
	LeftDB      acoustic.Level // of a check: as left less expected
}

// History is the life of one instrument, with how its checks went over time.
type History struct {
	Entries []HistoryEntry // in time order
	Trends  []Trend        // one for each channel checked, by channel
}

// Trend is how the sensitivity of one channel of a meter went over its acoustic field checks.
type Trend struct {
	Channel int
	Checks  int
	// SlopeDBPerYear is the slope of the least-squares line through the sensitivity over
	// time: the sum of what the meter drifted between checks, adjustments taken
	// out. Fitted is false below five checks or thirty days.
	SlopeDBPerYear acoustic.Decibel
	StandardError  acoustic.Decibel // of the slope, in dB per year
	Fitted         bool
	LargestStepDB  acoustic.Level // the largest drift between two checks, with its sign
	LookAt         bool           // have it looked at
	Why            string         // a sentence; empty unless LookAt
}

// When a trend says "have it looked at": house values, there is no rule for it in
// the standards of the instruments. ILAC-G24 has checks in service as one ground
// for the interval between calibrations, without numbers.
const (
	trendChecks = 5
	trendDays   = 30
	trendSlope  = 0.5  // dB a year, if it is also more than twice its standard error
	trendStep   = 50   // hundredths: beyond the usual drift limit
	trendTotal  = 1_00 // hundredths: drifted altogether
)

// HistoryOf returns the life of an instrument from its records, as they are known.
// checks are those made on it, if it is a meter, or with it, if it is a calibrator.
func HistoryOf(instrument uuid.UUID, h Past, fits []Component, checks []FieldCheck, zone *time.Location) History {
	var out History
	add := func(e HistoryEntry) { out.Entries = append(out.Entries, e) }
	for _, c := range h.Certificates {
		add(HistoryEntry{At: c.CalibratedOn.Start(zone), Certificate: &c})
	}
	for _, s := range h.Statuses {
		add(HistoryEntry{At: s.RecordedAt, Status: &s})
	}
	for _, e := range h.Events {
		add(HistoryEntry{At: e.On.Start(zone), Event: &e})
	}
	for _, c := range fits {
		add(HistoryEntry{At: c.From, Component: &c})
	}
	changed := func(from, to time.Time) bool { // adjusted in the laboratory, or repaired
		within := func(d civil.Date) bool { return !d.Before(civil.DayOf(from, zone)) && !d.After(civil.DayOf(to, zone)) }
		return slices.ContainsFunc(h.Certificates, func(c Certificate) bool { return c.Adjusted && within(c.CalibratedOn) }) ||
			slices.ContainsFunc(h.Events, func(e Event) bool { return e.EndsCover && within(e.On) })
	}
	channels := map[int][]FieldCheck{}
	for _, c := range checks {
		add(HistoryEntry{At: c.At, Check: &c, FoundDB: acoustic.Level(c.found()), LeftDB: acoustic.Level(c.left())})
		if c.InstrumentID == instrument && c.Signal != Electrical {
			channels[c.Channel] = append(channels[c.Channel], c)
		}
	}
	slices.SortStableFunc(out.Entries, func(a, b HistoryEntry) int { return a.At.Compare(b.At) })
	for channel, own := range channels {
		slices.SortFunc(own, func(a, b FieldCheck) int { return cmp.Or(a.At.Compare(b.At), slices.Compare(a.ID[:], b.ID[:])) })
		t := trendOf(own, changed)
		t.Channel = channel
		out.Trends = append(out.Trends, t)
	}
	slices.SortFunc(out.Trends, func(a, b Trend) int { return cmp.Compare(a.Channel, b.Channel) })
	return out
}

// trendOf returns the trend of checks in time order. Between two at which the meter was changed nothing is drift.
func trendOf(checks []FieldCheck, changed func(from, to time.Time) bool) Trend {
	t := Trend{Checks: len(checks)}
	var total difference
	years, drifted := []float64{0}, []float64{0}
	for k := 1; k < len(checks); k++ {
		step := checks[k].found() - checks[k-1].left()
		if changed(checks[k-1].At, checks[k].At) {
			step = 0
		}
		if step.exceeds(max(t.LargestStepDB, -t.LargestStepDB)) {
			t.LargestStepDB = acoustic.Level(step)
		}
		total += step
		years = append(years, checks[k].At.Sub(checks[0].At).Hours()/(24*365.25))
		drifted = append(drifted, float64(total)/100)
	}
	if len(checks) >= trendChecks && years[len(years)-1]*365.25 >= trendDays {
		slope, stderr := fit(years, drifted)
		t.SlopeDBPerYear, t.StandardError, t.Fitted = acoustic.Decibel(slope), acoustic.Decibel(stderr), true
	}
	switch slope := math.Abs(float64(t.SlopeDBPerYear)); {
	case difference(t.LargestStepDB).exceeds(trendStep):
		t.LookAt, t.Why = true, "It drifted by "+difference(t.LargestStepDB).String()+" between two checks."
	case total.exceeds(trendTotal):
		t.LookAt, t.Why = true, "It drifted by "+total.String()+" altogether, adjustments taken out."
	case t.Fitted && slope >= trendSlope && slope > 2*float64(t.StandardError):
		t.LookAt, t.Why = true, "It drifts by "+difference(math.Round(float64(t.SlopeDBPerYear)*100)).String()+" a year."
	}
	return t
}

// fit returns the slope of the least-squares line through (x, y) and its standard
// error. Three or more points of different x are given.
func fit(x, y []float64) (slope, stderr float64) {
	n := float64(len(x))
	var mx, my float64
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	slope = sxy / sxx
	var rest float64
	for i := range x {
		r := y[i] - my - slope*(x[i]-mx)
		rest += r * r
	}
	return slope, math.Sqrt(rest / (n - 2) / sxx)
}
