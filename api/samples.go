package api

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// gap stands in Levels for null. It lies outside what a level or a flag can be.
const gap acoustic.Level = math.MinInt16 + 1

// Levels are numbers in dB with at most two decimals, null where there is none.
type Levels []acoustic.Level

// UnmarshalJSON implements json.Unmarshaler. What is wrong with elements is a [fault.Error] that names them.
func (l *Levels) UnmarshalJSON(raw []byte) error {
	raw = trim(raw)
	if raw[0] != '[' {
		return &json.UnmarshalTypeError{Value: "value", Field: "levels"}
	}
	*l = make(Levels, 0, bytes.Count(raw, []byte{','})+1)
	var bad fault.Fields
	i := 0
	for element := range elements(raw) {
		level := gap
		if string(element) != "null" {
			var ok bool
			if level, ok = parseReading(element); !ok && len(bad) < 100 {
				bad.Add(itoa(i), "level", levelExpected)
			}
		}
		*l = append(*l, level)
		i++
	}
	return bad.Err("levels")
}

// MarshalJSON implements json.Marshaler.
func (l Levels) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 6*len(l)+2), '[')
	for i, level := range l {
		if i > 0 {
			b = append(b, ',')
		}
		if level == gap || level == series.UnderRange || level == series.OverRange {
			b = append(b, "null"...)
		} else {
			b = appendReading(b, level)
		}
	}
	return append(b, ']'), nil
}

// appendLevel writes a level with as many decimals as it needs.
func appendLevel(b []byte, l acoustic.Level) []byte {
	if l < 0 {
		b = append(b, '-')
		l = -l
	}
	b = strconv.AppendInt(b, int64(l/100), 10)
	switch h := l % 100; {
	case h == 0:
		return b
	case h%10 == 0:
		return append(b, '.', '0'+byte(h/10))
	default:
		return append(b, '.', '0'+byte(h/10), '0'+byte(h%10))
	}
}

// parseLevel reads a JSON number of at most two decimals, exactly.
func parseLevel(raw []byte) (acoustic.Level, bool) {
	if raw[0] != '-' && (raw[0] < '0' || raw[0] > '9') {
		return 0, false
	}
	n, decimals := 0, -1
	for i, b := range raw {
		switch {
		case i == 0 && b == '-':
		case b == '.':
			decimals = 0
		case b < '0' || b > '9' || n > 1e6: // an exponent, or far out of range
			x, err := strconv.ParseFloat(string(raw), 64)
			if err != nil {
				return 0, false
			}
			return acoustic.LevelOf(acoustic.Decibel(x))
		case decimals >= 2:
			if b != '0' {
				return 0, false
			}
		default:
			n = n*10 + int(b-'0')
			if decimals >= 0 {
				decimals++
			}
		}
	}
	for ; decimals < 2; decimals = max(decimals, 0) + 1 {
		n *= 10
	}
	if raw[0] == '-' {
		n = -n
	}
	return acoustic.Level(n), n >= int(acoustic.MinLevel) && n <= int(acoustic.MaxLevel)
}

const levelExpected = "must be a number from -50 to 200 with at most two decimals, or null"

// Flag marks samples for which the meter gave no number.
type Flag struct {
	Index int    `json:"index"`                               // Place in levels_db, from 0
	Flag  string `json:"flag" enums:"under_range,over_range"` // Where the level lay: below or above the measuring range
}

// SpotSample is a reading at an instant.
type SpotSample struct {
	At      time.Time `json:"at"`
	LevelDB *Reading  `json:"level_db"`                                      // Null where it is flagged
	Flag    *string   `json:"flag,omitempty" enums:"under_range,over_range"` // Where the level lay: below or above the measuring range
}

// NewSamples are samples to append: levels from an instant on, or the readings of a spot series.
type NewSamples struct {
	StartedAt *time.Time   `json:"started_at,omitempty"` // Beginning of the first sample
	LevelsDB  Levels       `json:"levels_db,omitempty"`  // One after another; null is a gap unless flagged
	Flags     []Flag       `json:"flags,omitempty"`
	Samples   []SpotSample `json:"samples,omitempty"` // Of a spot series
}

var flagOf = map[string]acoustic.Level{"under_range": series.UnderRange, "over_range": series.OverRange}

// lastEnd bounds the times of samples.
var lastEnd = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// runs returns the runs of s in a series of quantity q and of the interval, zero for a spot series.
func (s NewSamples) runs(q series.Quantity, interval time.Duration) ([]series.Run, error) {
	var bad fault.Fields
	if interval == 0 {
		bad.Check(s.LevelsDB == nil, "levels_db", "not_allowed", "has no place in a spot series: send samples")
		bad.Check(s.Flags == nil, "flags", "not_allowed", "has no place in a spot series: flag the sample")
		bad.Check(s.StartedAt == nil || s.Samples == nil, "started_at", "not_allowed", "has no place in a spot series")
		return s.readings(q, bad)
	}
	bad.Check(s.Samples == nil, "samples", "not_allowed", "has no place in a series with an interval: send levels_db")
	if len(s.LevelsDB) > 0 {
		bad.Check(s.StartedAt != nil, "started_at", "required", "is required with levels_db")
	}
	levels := append(Levels(nil), s.LevelsDB...)
	for i, l := range levels {
		var ok bool
		if levels[i], ok = stored(l, q); !ok && len(bad) < 100 {
			bad.Add("levels_db/"+itoa(i), "level", readingExpected(q))
		}
	}
	for i, f := range s.Flags {
		at := "flags/" + itoa(i)
		flag, known := flagOf[f.Flag]
		switch {
		case !known:
			bad.Add(at+"/flag", "not_allowed", "must be under_range or over_range")
		case f.Index < 0 || f.Index >= len(levels):
			bad.Add(at+"/index", "out_of_range", "names no element of levels_db")
		case s.LevelsDB[f.Index] != gap:
			bad.Add(at+"/index", "contradicts", "names a level that is a number")
		case levels[f.Index] != gap:
			bad.Add(at+"/index", "duplicate", "names a level that is flagged already")
		default:
			levels[f.Index] = flag
		}
	}
	if bad != nil || s.StartedAt == nil {
		return nil, bad.Err("samples")
	}
	var runs []series.Run
	start := utc(*s.StartedAt)
	bad.Check(start.Year() >= 1970 && start.Year() < 2200, "started_at", "out_of_range", "must lie between 1970 and 2200")
	if bad == nil {
		left := lastEnd.Sub(start)
		bad.Check(time.Duration(len(levels)) <= left/interval, "levels_db", "out_of_range", "must end before 2200")
	}
	if bad != nil {
		return nil, bad.Err("samples")
	}
	for i := 0; i < len(levels); {
		j := i
		for j < len(levels) && levels[j] != gap {
			j++
		}
		if j > i {
			runs = append(runs, series.Run{Start: start.Add(time.Duration(i) * interval), Levels: levels[i:j:j]})
		}
		i = j
		for i < len(levels) && levels[i] == gap {
			i++
		}
	}
	return runs, bad.Err("samples")
}

// readings returns a run for each reading of a spot series of quantity q.
func (s NewSamples) readings(q series.Quantity, bad fault.Fields) ([]series.Run, error) {
	var runs []series.Run
	for i, r := range s.Samples {
		at := "samples/" + itoa(i)
		var level acoustic.Level
		switch {
		case r.Flag == nil && r.LevelDB == nil:
			bad.Add(at+"/level_db", "required", "must be a number where the sample is not flagged")
		case r.Flag == nil:
			var ok bool
			level, ok = stored(acoustic.Level(*r.LevelDB), q)
			bad.Check(ok, at+"/level_db", "level", readingExpected(q))
		case r.LevelDB != nil:
			bad.Add(at+"/flag", "contradicts", "flags a level that is a number")
		default:
			var known bool
			level, known = flagOf[*r.Flag]
			bad.Check(known, at+"/flag", "not_allowed", "must be under_range or over_range")
		}
		year := utc(r.At).Year()
		bad.Check(year >= 1970 && year < 2200, at+"/at", "out_of_range", "must lie between 1970 and 2200")
		runs = append(runs, series.Run{Start: utc(r.At), Levels: []acoustic.Level{level}})
	}
	return runs, bad.Err("samples")
}

// samplesOf is the inverse of [NewSamples.runs] for one run.
func samplesOf(r series.Run, q series.Quantity, interval time.Duration) NewSamples {
	if q.PerUnit != 100 {
		r.Levels = slices.Clone(r.Levels)
		for i, l := range r.Levels {
			r.Levels[i] = sent(l, q)
		}
	}
	if interval == 0 {
		s := SpotSample{At: r.Start}
		if name := flagName(r.Levels[0]); name != "" {
			s.Flag = &name
		} else {
			s.LevelDB = (*Reading)(&r.Levels[0])
		}
		return NewSamples{Samples: []SpotSample{s}}
	}
	s := NewSamples{StartedAt: &r.Start, LevelsDB: r.Levels}
	for i, l := range r.Levels {
		if name := flagName(l); name != "" {
			s.Flags = append(s.Flags, Flag{Index: i, Flag: name})
		}
	}
	return s
}

func flagName(l acoustic.Level) string {
	switch l {
	case series.UnderRange:
		return "under_range"
	case series.OverRange:
		return "over_range"
	}
	return ""
}
