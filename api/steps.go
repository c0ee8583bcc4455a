package api

import (
	"bytes"
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
)

// A year has 8,760 steps of an hour. As values, each with a map, they would take many
// times as long to make and to encode as their figures do, so their JSON is written at once.

// encoded is a body that encodes itself.
type encoded interface{ encode() ([]byte, error) }

func (s Summary) encode() ([]byte, error) {
	return withSteps(s, []summary.Profile{s.profile})
}

func (s SurveySummary) encode() ([]byte, error) {
	profiles := make([]summary.Profile, len(s.Series))
	for i := range s.Series {
		profiles[i] = s.Series[i].profile
	}
	return withSteps(s, profiles)
}

// withSteps returns the JSON of body, in which profiles are the steps of one summary after another.
func withSteps(body any, profiles []summary.Profile) ([]byte, error) {
	rest, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	empty := []byte(`"steps":[]`) // inside a text its quotes are escaped
	var all []byte
	for _, p := range profiles {
		i := bytes.Index(rest, empty) + len(empty) - 1
		all = slices.Grow(append(all, rest[:i]...), p.Len()*300)
		all = appendSteps(all, p)
		rest = rest[i:]
	}
	return append(all, rest...), nil
}

// appendSteps appends the JSON of the [Step] of each step, separated by commas.
func appendSteps(dst []byte, p summary.Profile) []byte {
	var st summary.Step
	for i := range p.Len() {
		if i > 0 {
			dst = append(dst, ',')
		}
		st = p.At(i, st)
		dst = appendStep(dst, &st)
	}
	return dst
}

// appendStep appends the JSON of a [Step].
func appendStep(dst []byte, st *summary.Step) []byte {
	dst = append(dst, `{"from":"`...)
	dst = st.From.AppendFormat(dst, time.RFC3339Nano)
	dst = append(dst, `","to":"`...)
	dst = st.To.AppendFormat(dst, time.RFC3339Nano)
	dst = append(dst, `","samples":`...)
	dst = strconv.AppendInt(dst, st.Samples, 10)
	dst = append(dst, `,"coverage":`...)
	if st.Coverage == nil {
		dst = append(dst, "null"...)
	} else {
		dst = strconv.AppendFloat(dst, *share(st.Coverage), 'f', -1, 64)
	}
	dst = append(dst, `,"levels":`...)
	dst = appendFigures(dst, st.Levels)
	if len(st.Indices) > 0 {
		dst = appendFigures(append(dst, `,"indices":`...), st.Indices)
	}
	if len(st.Unavailable) > 0 {
		raw, _ := json.Marshal(unavailableOf(st.Unavailable)) // strings always marshal
		dst = append(append(dst, `,"unavailable":`...), raw...)
	}
	return append(dst, '}')
}

// appendFigures appends the JSON of a map of [Figure] by symbol, in the order of symbols.
func appendFigures(dst []byte, fs []summary.Figure) []byte {
	sorted := make([]*summary.Figure, 0, 16)
	for i := range fs {
		sorted = append(sorted, &fs[i])
	}
	slices.SortFunc(sorted, func(a, b *summary.Figure) int { return cmp.Compare(a.Symbol, b.Symbol) })
	dst = append(dst, '{')
	for i, f := range sorted {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(append(append(dst, '"'), f.Symbol...), `":{"level_db":`...)
		dst = appendDecibels(dst, f.Level)
		for _, m := range [...]struct {
			name  string
			level *acoustic.Decibel
		}{{`,"lowest_db":`, f.Lowest}, {`,"below_db":`, f.Below}, {`,"above_db":`, f.Above}} {
			if m.level != nil {
				dst = appendDecibels(append(dst, m.name...), m.level)
			}
		}
		dst = append(append(append(dst, `,"basis":"`...), f.Basis...), '"')
		if f.Bound != "" {
			dst = append(append(append(dst, `,"bound":"`...), f.Bound...), '"')
		}
		if f.Range != "" {
			dst = append(append(append(dst, `,"range":"`...), f.Range...), '"')
		}
		dst = appendEstimate(dst, f.Sampling, `,"sampling_uncertainty_db":`, `,"sampling":`)
		dst = appendEstimate(dst, f.Representativity, `,"representativity_uncertainty_db":`, `,"representativity":`)
		dst = append(dst, '}')
	}
	return append(dst, '}')
}

// appendEstimate appends an uncertainty and what it rests on, nothing where none was asked.
func appendEstimate(dst []byte, e *summary.Estimated, standard, basis string) []byte {
	u, rests := estimateOf(e)
	if rests == nil {
		return dst
	}
	if u != nil {
		raw, _ := json.Marshal(*u) // finite numbers always marshal
		dst = append(append(dst, standard...), raw...)
	}
	raw, _ := json.Marshal(rests)
	return append(append(dst, basis...), raw...)
}

// appendDecibels appends the level that [decibels] rounds, or null.
func appendDecibels(dst []byte, d *acoustic.Decibel) []byte {
	if d == nil {
		return append(dst, "null"...)
	}
	if n := math.Round(float64(*d) * 100); n != 0 && math.Abs(n) <= math.MaxInt16 {
		return appendLevel(dst, acoustic.Level(n))
	}
	return strconv.AppendFloat(dst, *decibels(d), 'f', -1, 64)
}
