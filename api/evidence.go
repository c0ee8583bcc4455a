package api

import (
	"encoding/hex"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// Engine names the rules by which figures are computed. It changes when any figure could.
const Engine = "leveltrail 4"

// Evidence says what figures were made from and by which rules.
type Evidence struct {
	Engine      string       `json:"engine"`      // Rules by which the figures are computed
	Definitions []Definition `json:"definitions"` // Where the figures are defined
	Inputs      []Input      `json:"inputs"`      // What they were made from
	Digest      string       `json:"digest"`      // SHA-256 over the engine, all that was asked of all series, their exclusions and the tallies and distributions of samples that answered: the same inputs give the same on any machine
}

// Definition says where a figure is defined.
type Definition struct {
	Name string `json:"name"` // Kind of figure
	Link string `json:"link"` // Path on this service
}

// Input is the samples of one series that figures were made from.
type Input struct {
	SeriesID   uuid.UUID   `json:"series_id"`  // Series
	Revision   int64       `json:"revision"`   // Counts the changes of its samples
	Version    int         `json:"version"`    // Of its header
	From       *time.Time  `json:"from"`       // Null where no sample was asked
	To         *time.Time  `json:"to"`         // End of what was asked
	Samples    int64       `json:"samples"`    // How many samples answered, flagged ones included
	Exclusions []uuid.UUID `json:"exclusions"` // Exclusions of the series that are in force
}

// definitions are the headings of the description's section on definitions.
var definitions = []Definition{
	{"equivalent level", "/docs#description/equivalent-level"},
	{"maxima and peaks", "/docs#description/maxima-and-peaks"},
	{"difference of weightings", "/docs#description/difference-of-weightings"},
	{"exceedance level", "/docs#description/exceedance-level"},
	{"periods and indices", "/docs#description/periods-and-indices"},
	{"coverage", "/docs#description/coverage"},
	{"samples out of range", "/docs#description/samples-out-of-range"},
	{"uncertainty from samples", "/docs#description/uncertainty-from-samples"},
	{"measurement uncertainty", "/docs#description/measurement-uncertainty"},
	{"repeated surveys", "/docs#description/repeated-surveys"},
	{"residual sound", "/docs#description/residual-sound"},
	{"highest stretches and typical day", "/docs#description/highest-stretches-and-typical-day"},
	{"sound exposure level", "/docs#description/sound-exposure-level"},
	{"background level", "/docs#description/background-level"},
	{"rating level", "/docs#description/rating-level"},
	{"comparison with limits", "/docs#description/comparison-with-limits"},
}

// evidenceOf says what answers were made from. Samples and span of an input are those
// of what was asked first of the series, which gives the figures of the span; the digest
// is over all that was asked of all series.
func evidenceOf(r summary.Request, in *inquiry, more ...func(*summary.Digest)) Evidence {
	e := Evidence{Engine: Engine, Definitions: definitions, Inputs: make([]Input, len(in.facts))}
	d := summary.NewDigest(Engine, r)
	for i, f := range in.facts {
		input := Input{SeriesID: f.Series.ID, Revision: f.Content.Revision, Version: f.Series.Version, Exclusions: []uuid.UUID{}}
		var ask series.Ask
		var answer series.Answer
		if len(in.asks[i]) > 0 {
			ask, answer = in.asks[i][0], in.answers[i][0]
		}
		if n := len(ask.Cells); n > 0 {
			input.From, input.To = &ask.Cells[0].From, &ask.Cells[n-1].To
		}
		for _, t := range answer.Tallies {
			input.Samples += t.Samples()
		}
		for _, x := range f.Exclusions {
			input.Exclusions = append(input.Exclusions, x.ID)
		}
		e.Inputs[i] = input
		d.Series(f, in.asks[i], in.answers[i])
	}
	for _, add := range more {
		add(d)
	}
	e.Digest = hex.EncodeToString(d.Sum())
	return e
}

// verdictInputs adds to a digest what the verdict lets stand of each series.
func verdictInputs(v calibration.Verdict) func(*summary.Digest) {
	return func(d *summary.Digest) {
		for _, s := range v.Series {
			d.Text(s.SeriesID.String(), string(s.Outcome))
			d.Spans(s.Usable)
		}
	}
}

// budgetInputs adds to a digest what the measurement uncertainty rests on beside samples.
func budgetInputs(v survey.Survey, limits acoustic.ResidualLimits, places []place) func(*summary.Digest) {
	return func(d *summary.Digest) {
		for _, c := range v.Contributions {
			d.Text(c.Name, string(c.Distribution), c.Source)
			d.Real(float64(c.Value))
			d.Real(c.Sensitivity)
		}
		d.Text(limits.Source)
		d.Real(float64(limits.Least))
		d.Real(float64(limits.Enough))
		for _, p := range places {
			for _, m := range p.meters {
				d.Text(m.Specification, m.Class)
			}
		}
	}
}
