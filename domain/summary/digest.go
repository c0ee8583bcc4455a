package summary

import (
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Digest is a SHA-256 in the making over what figures are made from. The same engine,
// request, series and samples give the same sum on any machine, however the samples
// were sent. What is added after another is told from it: texts and lists carry their
// lengths.
type Digest struct {
	sum hash.Hash
	b   []byte // not yet summed
}

// NewDigest returns a digest over what a request asks of an engine, which is named by
// the rules that it computes by.
func NewDigest(engine string, r Request) *Digest {
	d := &Digest{sum: sha256.New()}
	d.Text(engine, r.Zone.String(), r.Periods.Name, r.Periods.Index)
	d.times(r.From, r.To)
	if r.Asked != nil {
		d.times(&r.Asked.From, &r.Asked.To)
	}
	d.Spans(r.Within)
	d.number(int64(r.Step), flag(r.IgnoreExclusions), flag(r.UsableOnly), flag(r.Periods.Highest))
	d.Real(r.MinCoverage)
	for _, ps := range [][]series.Percent{r.Percentiles, r.StepPercentiles} {
		d.number(int64(len(ps)))
		for _, p := range ps {
			d.number(int64(p))
		}
	}
	d.number(int64(len(r.Periods.Periods)))
	for _, p := range r.Periods.Periods {
		d.Text(p.Symbol)
		d.number(int64(p.From), int64(p.To))
		d.Real(float64(p.Penalty))
	}
	return d
}

// Series adds a series with everything that was asked of it and answered, in order.
func (d *Digest) Series(f series.Facts, asks []series.Ask, answers []series.Answer) {
	h, c := f.Series, f.Content
	d.b = append(d.b, h.ID[:]...)
	d.Text(h.Quantity)
	d.number(h.IntervalUS, flag(h.Residual), flag(f.Primary))
	if h.BandFraction != nil {
		d.number(int64(*h.BandFraction))
		d.Real(*h.BandNominalHz)
	}
	for _, end := range []*acoustic.Level{h.RangeFromDB, h.RangeToDB} {
		if d.number(flag(end != nil)); end != nil {
			d.number(int64(*end))
		}
	}
	d.times(&c.Extent.From, &c.Extent.To)
	d.number(c.Numbers, c.Under, c.Over, int64(c.Lowest), int64(c.Highest), int64(len(f.Exclusions)))
	for _, x := range f.Exclusions {
		d.times(&x.StartsAt, &x.EndsAt)
		d.number(flag(x.Residual))
	}
	d.number(int64(len(asks)))
	for i := range asks {
		d.answer(&asks[i], &answers[i])
	}
}

// answer adds the cells of an ask with their tallies, empty ones left out, or with their samples, and the histograms.
func (d *Digest) answer(ask *series.Ask, a *series.Answer) {
	d.number(int64(len(a.Tallies)), int64(len(a.Histograms)), int64(len(a.Runs)))
	for i, runs := range a.Runs {
		d.number(ask.Cells[i].From.UnixMicro(), ask.Cells[i].To.UnixMicro(), int64(len(runs)))
		for _, r := range runs {
			d.number(r.Start.UnixMicro(), int64(len(r.Levels)))
			for _, l := range r.Levels {
				d.b = binary.AppendVarint(d.b, int64(l))
			}
			d.spill()
		}
	}
	last := int64(0)
	for i := range a.Tallies {
		t := &a.Tallies[i]
		if t.Samples() == 0 {
			continue
		}
		from, to := ask.Cells[i].From.UnixMicro(), ask.Cells[i].To.UnixMicro()
		d.number(from-last, to-from, t.Count, t.Under, t.Over, int64(t.Min), int64(t.Max))
		if last = to; t.Count > 1 { // the energy of one number is known
			d.number(int64(t.Energy.Hi), int64(t.Energy.Lo))
		}
		d.spill()
	}
	for i := range a.Histograms {
		h := &a.Histograms[i]
		d.number(h.Under, h.Over, int64(len(h.Bins)))
		for _, b := range h.Bins {
			d.number(int64(b.Level), b.Count)
		}
		d.spill()
	}
}

// spill sums what has gathered.
func (d *Digest) spill() {
	if len(d.b) > 4096 {
		d.sum.Write(d.b)
		d.b = d.b[:0]
	}
}

// Text adds texts.
func (d *Digest) Text(texts ...string) {
	for _, s := range texts {
		d.number(int64(len(s)))
		d.b = append(d.b, s...)
	}
}

// Real adds a number.
func (d *Digest) Real(x float64) {
	d.b = binary.BigEndian.AppendUint64(d.b, math.Float64bits(x))
}

// Spans adds spans.
func (d *Digest) Spans(spans []series.Span) {
	d.number(int64(len(spans)))
	for _, s := range spans {
		d.times(&s.From, &s.To)
	}
}

func (d *Digest) number(ns ...int64) {
	for _, n := range ns {
		d.b = binary.AppendVarint(d.b, n)
	}
}

func (d *Digest) times(ts ...*time.Time) {
	for _, t := range ts {
		if d.number(flag(t != nil)); t != nil {
			d.number(t.UnixMicro())
		}
	}
}

// Sum returns the digest of what was added.
func (d *Digest) Sum() []byte {
	d.sum.Write(d.b)
	d.b = d.b[:0]
	return d.sum.Sum(nil)
}

func flag(b bool) int64 {
	if b {
		return 1
	}
	return 0
}
