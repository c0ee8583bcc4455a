package api

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/series"
)

// Engine names the rules by which figures are computed. It changes when any figure could.
const Engine = "leveltrail 1"

// Evidence says what figures were made from and by which rules.
type Evidence struct {
	Engine      string       `json:"engine"`      // Rules by which the figures are computed
	Definitions []Definition `json:"definitions"` // Where the figures are defined
	Inputs      []Input      `json:"inputs"`      // What they were made from
	Digest      string       `json:"digest"`      // SHA-256 over what was asked and the samples' tallies and histograms that answered
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
	{"exceedance level", "/docs#description/exceedance-level"},
	{"periods and indices", "/docs#description/periods-and-indices"},
	{"coverage", "/docs#description/coverage"},
	{"samples out of range", "/docs#description/samples-out-of-range"},
	{"uncertainty from samples", "/docs#description/uncertainty-from-samples"},
	{"residual sound", "/docs#description/residual-sound"},
	{"comparison with limits", "/docs#description/comparison-with-limits"},
}

// evidenceOf says what answers were made from: the first of each series, which gives the
// figures of the span.
func evidenceOf(facts []series.Facts, asks [][]series.Ask, answers [][]series.Answer) Evidence {
	e := Evidence{Engine: Engine, Definitions: definitions, Inputs: make([]Input, len(facts))}
	sum := sha256.New()
	var b []byte
	put := func(ns ...int64) {
		for _, n := range ns {
			b = binary.BigEndian.AppendUint64(b, uint64(n))
		}
	}
	sum.Write([]byte(Engine))
	for i, f := range facts {
		in := Input{SeriesID: f.Series.ID, Revision: f.Content.Revision, Version: f.Series.Version, Exclusions: []uuid.UUID{}}
		b = append(b[:0], f.Series.ID[:]...)
		ask, answer := &asks[i][0], &answers[i][0]
		if n := len(ask.Cells); n > 0 {
			in.From, in.To = &ask.Cells[0].From, &ask.Cells[n-1].To
		}
		for j, t := range answer.Tallies {
			cell := ask.Cells[j]
			in.Samples += t.Samples()
			put(cell.From.UnixMicro(), cell.To.UnixMicro(), t.Count, t.Under, t.Over, int64(t.Energy.Hi), int64(t.Energy.Lo), int64(t.Min), int64(t.Max))
		}
		for _, h := range answer.Histograms {
			put(h.Under, h.Over)
			for _, bin := range h.Bins {
				put(int64(bin.Level), bin.Count)
			}
		}
		for _, x := range f.Exclusions {
			in.Exclusions = append(in.Exclusions, x.ID)
		}
		e.Inputs[i] = in
		sum.Write(b)
	}
	e.Digest = hex.EncodeToString(sum.Sum(nil))
	return e
}
