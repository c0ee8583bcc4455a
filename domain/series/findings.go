package series

import (
	"fmt"
	"time"

	"leveltrail/domain/acoustic"
)

// Thresholds of what stands out in the samples of a series (house values).
const (
	pileSamples  = 20          // samples at a limit of the measuring range, at least,
	pilePercent  = 1           // and their share of all samples in percent, at least
	edgePercent  = 2           // likewise where no limit is declared and the highest or lowest number is taken as one,
	edgeTimes    = 5           // and how many times as many as at either of the two levels next to it
	stuckSamples = 30          // equal numbers one after another, at least,
	stuckTime    = time.Minute // and how long they last, at least
	floorReach   = 5_00        // a level exceeded for 90 % of the time this near to the range's lower end, in 0.01 dB
	noiseReach   = 50          // likewise to the lowest number, where no range is declared,
	noiseSpread  = 3_00        // while the level exceeded for 10 % of the time lies this far above
	noiseSamples = 600         // and there are this many numbers
)

// limitWidth is how far from a declared limit a number still counts as at it: the resolution of a display.
const limitWidth acoustic.Level = 10

// Traits are what stands out in the samples of a series, for a person to look at.
// They never change a sample.
type Traits struct {
	Samples     int64 // flagged ones included
	Under, Over int64 // flagged samples
	AtLower     Pile
	AtUpper     Pile
	Constant    Stuck
	Floor       Floor
}

// Remark is one trait in words.
type Remark struct{ Code, Detail string }

// Remarks returns what stands out in words.
func (t Traits) Remarks() []Remark {
	var rs []Remark
	add := func(code, format string, args ...any) { rs = append(rs, Remark{code, fmt.Sprintf(format, args...)}) }
	for _, p := range []Pile{t.AtLower, t.AtUpper} {
		switch {
		case p.Samples > 0 && p.Assumed:
			add("samples_at_limit", "%d of %d samples are %s dB, where the levels end abruptly: a measuring range may have been chosen wrongly", p.Samples, t.Samples, p.Level)
		case p.Samples > 0:
			add("samples_at_limit", "%d of %d samples lie at %s dB, an end of the measuring range: the level may have lain beyond it", p.Samples, t.Samples, p.Level)
		}
	}
	if c := t.Constant; c.Samples > 0 {
		add("samples_constant", "%d samples in a row are %s dB, from %s on: the meter may have stood still", c.Samples, c.Level, c.From.UTC().Format(time.RFC3339))
	}
	if f := t.Floor; f.Samples > 0 {
		add("samples_near_floor", "%d of %d samples lie near %s dB: the meter's own noise may be part of them", f.Samples, t.Samples, f.Level)
	}
	return rs
}

// Pile is samples piled up at a limit of the measuring range, as happens where a
// range was chosen by hand and wrongly. The zero Pile is none.
type Pile struct {
	Level   acoustic.Level // the limit
	Samples int64
	Assumed bool // no limit is declared; the numbers end here abruptly
}

// Stuck is the longest stretch of equal numbers. The zero Stuck is none worth naming.
type Stuck struct {
	Span
	Level   acoustic.Level
	Samples int64
}

// Floor says that the quiet tenth of the samples looks like the meter's own noise
// or the end of its range rather than the sound. The zero Floor says nothing.
type Floor struct {
	Level   acoustic.Level // of the floor
	Samples int64          // how many numbers are as near to it
	Assumed bool           // no range is declared; the numbers end so abruptly
}

// Piles returns what is piled up at the ends of the measuring range [from, to],
// nil where an end is not declared.
func Piles(h Histogram, from, to *acoustic.Level) (lower, upper Pile) {
	n := len(h.Bins)
	if n == 0 {
		return lower, upper
	}
	all := h.Samples()
	at := func(limit *acoustic.Level, edge int, inward int) Pile {
		if limit != nil {
			p := Pile{Level: *limit}
			for _, b := range h.Bins {
				if d := b.Level - *limit; d >= -limitWidth && d <= limitWidth {
					p.Samples += b.Count
				}
			}
			if p.Samples >= pileSamples && p.Samples*100 >= all*pilePercent {
				return p
			}
			return Pile{}
		}
		b := h.Bins[edge]
		var beside int64
		for i := 1; i <= 2; i++ {
			if j := edge + i*inward; j >= 0 && j < n {
				beside = max(beside, h.Bins[j].Count)
			}
		}
		if n > 10 && b.Count >= pileSamples && b.Count*100 >= all*edgePercent && b.Count >= edgeTimes*beside {
			return Pile{b.Level, b.Count, true}
		}
		return Pile{}
	}
	return at(from, 0, 1), at(to, n-1, -1)
}

// NearFloor says whether the quiet tenth of the samples lies at the floor of the
// measuring range, which begins at from, nil where that is not declared.
func NearFloor(h Histogram, from *acoustic.Level) Floor {
	quiet, ok := h.Exceedance(90_000)
	if !ok || len(h.Bins) == 0 || quiet == OverRange {
		return Floor{}
	}
	f := Floor{Level: h.Bins[0].Level, Assumed: from == nil}
	reach := acoustic.Level(noiseReach)
	if from != nil {
		f.Level, reach = *from, floorReach
	}
	var numbers int64
	for _, b := range h.Bins {
		numbers += b.Count
		if b.Level <= f.Level+reach {
			f.Samples += b.Count
		}
	}
	if f.Samples == 0 || quiet != UnderRange && quiet > f.Level+reach {
		return Floor{}
	}
	loud, _ := h.Exceedance(10_000)
	if f.Assumed && (quiet == UnderRange || numbers < noiseSamples || loud-quiet < noiseSpread && loud != OverRange) {
		return Floor{}
	}
	return f
}

// Surveyor finds the traits of a series whose runs are added in time order.
type Surveyor struct {
	interval time.Duration
	from, to *acoustic.Level
	dense    *Counts   // either this
	sparse   Histogram // or that counts
	end      time.Time // of the last run
	current  Stuck
	longest  Stuck
}

// NewSurveyor returns a surveyor of a series with the interval (0 = spot readings)
// and measuring range given, ends nil where not declared. dense spends 160 kB on speed.
func NewSurveyor(interval time.Duration, from, to *acoustic.Level, dense bool) Surveyor {
	s := Surveyor{interval: interval, from: from, to: to}
	if dense {
		s.dense = new(Counts)
	}
	return s
}

// Surveyed is what a surveyor knows of the samples added so far, to be kept and taken up again.
type Surveyed struct {
	Histogram        Histogram
	End              time.Time // of the last run
	Current, Longest Stuck
}

// Surveyed returns what s knows.
func (s *Surveyor) Surveyed() Surveyed { return Surveyed{s.histogram(), s.end, s.current, s.longest} }

// Resume has s, to which nothing was added yet, know what was kept.
func (s *Surveyor) Resume(k Surveyed) {
	s.end, s.current, s.longest = k.End, k.Current, k.Longest
	if s.dense != nil {
		s.dense.AddHistogram(k.Histogram)
	} else {
		s.sparse = k.Histogram
	}
}

// Add takes the next run.
func (s *Surveyor) Add(r Run) {
	if len(r.Levels) == 0 {
		return
	}
	if !r.Start.Equal(s.end) {
		s.stop()
	}
	s.count(r.Levels)
	if s.interval == 0 {
		return
	}
	s.end = r.Start.Add(time.Duration(len(r.Levels)) * s.interval)
	from := 0
	for i := 1; i <= len(r.Levels); i++ {
		if i < len(r.Levels) && r.Levels[i] == r.Levels[from] {
			continue
		}
		l := r.Levels[from]
		switch n := int64(i - from); {
		case l == UnderRange || l == OverRange:
			s.stop()
		case from == 0 && s.current.Samples > 0 && s.current.Level == l:
			s.current.Samples += n
		case from == 0 || i == len(r.Levels) || n >= stuckSamples:
			s.stop()
			s.current = Stuck{Span: Span{From: r.Start.Add(time.Duration(from) * s.interval)}, Level: l, Samples: n}
		case from > 0 && s.current.Samples > 0:
			s.stop()
		}
		from = i
	}
}

// stop ends the stretch of equal numbers.
func (s *Surveyor) stop() {
	if s.current.Samples > s.longest.Samples {
		s.longest = s.current
	}
	s.current = Stuck{}
}

func (s *Surveyor) count(levels []acoustic.Level) {
	if s.dense == nil {
		for _, l := range levels {
			s.sparse.Add(l)
		}
		return
	}
	first, last := OverRange, UnderRange
	var under, over int64
	for _, l := range levels {
		switch l {
		case UnderRange:
			under++
		case OverRange:
			over++
		default:
			first, last = min(first, l), max(last, l)
		}
	}
	s.dense.AddFlags(under, over)
	if first > last {
		return
	}
	n := s.dense.Places(first, last)
	for _, l := range levels {
		if i := int(l) - int(first); i >= 0 && i < len(n) {
			n[i]++
		}
	}
}

func (s *Surveyor) histogram() Histogram {
	if s.dense != nil {
		return s.dense.Histogram()
	}
	return s.sparse
}

// Traits returns the traits of what was added so far.
func (s *Surveyor) Traits() Traits {
	h := s.histogram()
	t := Traits{Samples: h.Samples(), Under: h.Under, Over: h.Over}
	t.AtLower, t.AtUpper = Piles(h, s.from, s.to)
	t.Floor = NearFloor(h, s.from)
	longest := s.longest
	if s.current.Samples > longest.Samples {
		longest = s.current
	}
	if d := time.Duration(longest.Samples) * s.interval; longest.Samples >= stuckSamples && d >= stuckTime {
		longest.To = longest.From.Add(d)
		t.Constant = longest
	}
	return t
}
