package uncertainty

import (
	"fmt"
	"math"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Gaps estimates what goes on between readings at equal intervals. It takes readings
// in time order and keeps a few sums of them.
//
// The mean of readings at equal intervals h misses the mean over all of the time by an
// error of variance γ(h)·g/n, where γ(h) is half the mean square of the differences of
// neighbours and g depends on how smooth the signal is. Halving the readings, to every
// second one, gives γ(2h), and γ(2h)/γ(h) − 1 is the correlation φ of neighbours, free
// of slow changes. For an exponential correlation, a = −ln φ, the sum over lags less
// the integral over lags gives g = [coth(a/2) − 2/a]/(1 − φ): 1/6 for readings close
// to each other and 1 for unrelated ones. Sources: systematic sampling and its variance
// from the variogram, G. Matheron 1971 and W. G. Cochran, Sampling Techniques, ch. 8
// (memory); g is derived from them. A smooth signal has a smaller g, so that 1/6 is on
// the safe side. The ends of each unbroken run, where a reading stands for the interval
// after it, add ((last − first)/2)² to the square of the sum.
//
// Of levels that scatter widely the few highest readings say too little about what lay
// between: there the same sums over levels in nepers, of variance v² and correlation φ,
// give those over power, Σ v²ᵐ/m!·[coth(ma/2) − 2/(ma)], and the larger of the two
// counts.
type Gaps struct {
	n              int64 // readings
	sum            float64
	have           int // readings of the run under way that are kept: 0, 1, 2
	before, last   float64
	first          float64
	ends           float64
	power, level   differences
	origin, y1, y2 float64 // of levels in nepers: the first, and sums of powers of deviations from it
	lasty, beforey float64
	levelled       bool // a reading had a level
}

// differences are sums over neighbours.
type differences struct {
	ones, twos float64 // squared differences over one, two intervals
	fourth     float64 // fourth powers of differences over one interval
	nOne, nTwo int64
}

func (d *differences) one(x float64) {
	x *= x
	d.ones, d.fourth, d.nOne = d.ones+x, d.fourth+x*x, d.nOne+1
}

func (d *differences) two(x float64) { d.twos, d.nTwo = d.twos+x*x, d.nTwo+1 }

// half returns γ(h) and φ.
func (d *differences) half() (gamma, correlation float64) {
	gamma = d.ones / float64(2*d.nOne)
	return gamma, d.twos/float64(2*d.nTwo)/gamma - 1
}

// places returns how many differences carry the sum of squares: one bang among many
// equal readings is one place, or two.
func (d *differences) places() float64 { return d.ones * d.ones / d.fourth }

// Add takes the next reading of a run: a power ratio, or 1 and 0 for above a level and not.
func (g *Gaps) Add(x float64) {
	switch {
	case x <= 0:
		g.add(x, g.lasty)
	case x == 1:
		g.add(x, 0)
	default:
		g.add(x, math.Log(x))
	}
}

// add is Add of a reading whose level in nepers is known; of none it is that of the reading
// before, or of the first one that has a level.
func (g *Gaps) add(x, y float64) {
	if x > 0 && !g.levelled {
		g.levelled, g.origin, g.lasty, g.beforey = true, y, y, y
	} else if !g.levelled {
		y = 0
	}
	if g.have == 0 {
		g.first = x
	}
	if g.have >= 1 {
		g.power.one(x - g.last)
		g.level.one(y - g.lasty)
	}
	if g.have >= 2 {
		g.power.two(x - g.before)
		g.level.two(y - g.beforey)
	}
	g.n++
	g.sum += x
	g.y1 += y - g.origin
	g.y2 += (y - g.origin) * (y - g.origin)
	g.before, g.last = g.last, x
	g.beforey, g.lasty = g.lasty, y
	g.have = min(g.have+1, 2)
}

// Break ends a run: the reading after it is no neighbour of the one before.
func (g *Gaps) Break() {
	if g.have > 0 {
		g.ends += (g.last - g.first) * (g.last - g.first) / 4
	}
	g.have = 0
}

// ready says why there are too few neighbours, or is empty. It ends the run under way.
func (g *Gaps) ready() string {
	g.Break()
	if g.power.nOne < 2*leastEffective || g.power.nTwo == 0 {
		return fmt.Sprintf("%d pairs of neighbouring readings, at least %d are needed", g.power.nOne, 2*leastEffective)
	}
	return ""
}

// variance returns that of the mean of what was added, from the differences alone.
func (g *Gaps) variance() float64 {
	gamma, correlation := g.power.half()
	return (gamma*factor(correlation) + g.ends/float64(g.n)) / float64(g.n)
}

// factor returns g of [Gaps] for the correlation φ of neighbours, held in [0, 1].
func factor(correlation float64) float64 {
	switch {
	case correlation <= 0:
		return 1
	case correlation > 0.999:
		return 1. / 6
	}
	a := -math.Log(correlation)
	return (1/math.Tanh(a/2) - 2/a) / (1 - correlation)
}

// fromLevels returns the variance of the mean power as a share of its square, from levels.
func (g *Gaps) fromLevels() float64 {
	gamma, correlation := g.level.half()
	n := float64(g.n)
	v := g.y2/n - g.y1/n*g.y1/n
	correlation = max(1e-6, min(correlation, 0.999))
	v = min(v, gamma/(1-correlation))
	a := -math.Log(correlation)
	sum, term := 0.0, 1.0
	for m := 1.0; m < 60; m++ {
		term *= v / m
		sum += term * (1/math.Tanh(m*a/2) - 2/(m*a))
	}
	return sum / n
}

// Mean returns the sampling uncertainty of the energy mean of readings that were added
// as power ratios. reason is empty or says why there is none.
func (g *Gaps) Mean() (e Estimate, reason string) {
	reason = g.ready()
	switch {
	case reason != "":
		return e, reason
	case g.sum == 0:
		return e, "no samples"
	case g.power.ones == 0: // nothing changes
		return Estimate{Freedom: float64(g.power.nOne), Effective: float64(g.power.nOne)}, ""
	}
	levels := g.level.ones > 0 // else readings of one level alternate with such of none
	if e.Effective = g.power.places(); levels {
		e.Effective = g.level.places()
	}
	if e.Effective < 2*leastEffective {
		return Estimate{}, tooFewPlaces(e.Effective)
	}
	e.Freedom = e.Effective / 2
	mean := g.sum / float64(g.n)
	u := math.Sqrt(g.variance()) / mean
	if levels {
		u = max(u, min(math.Sqrt(g.fromLevels()), mostRaised*u))
	}
	e.Standard = acoustic.Decibel(perRatio * u)
	return e, ""
}

// tooFewPlaces says why there is no figure.
func tooFewPlaces(n float64) string {
	return fmt.Sprintf("the level changes in effectively %.1f places, at least %d are needed", n, 2*leastEffective)
}

// Exceedance returns the sampling uncertainty of the level exceeded in p of the time,
// h being the distribution of readings that were added as 1 if they lie above it and 0
// if not.
func (g *Gaps) Exceedance(h series.Histogram, p series.Percent) (e Estimate, reason string) {
	switch reason = g.ready(); {
	case reason != "":
		return e, reason
	case g.power.ones == 0:
		return e, tooFewPlaces(0)
	}
	e.Effective = g.power.places()
	if e.Effective < 2*leastEffective {
		return Estimate{}, tooFewPlaces(e.Effective)
	}
	e.Freedom = e.Effective / 2
	e.Standard = acoustic.Decibel(math.Sqrt(g.variance()))
	return ofShare(h, p, e, math.Inf(1))
}

// GapsAtMost returns an upper bound of the sampling uncertainty of the energy mean from
// the distribution alone, for spans so long that it is small anyway: the variance of as
// many unrelated readings. h is of readings of one interval, none over range.
func GapsAtMost(h series.Histogram) (e Estimate, reason string) {
	var n, sum, squares, fourth float64
	for _, b := range h.Bins {
		w, c := b.Level.Decibel().Ratio(), float64(b.Count)
		n, sum, squares = n+c, sum+c*w, squares+c*w*w
	}
	n += float64(h.Under)
	switch {
	case h.Over > 0:
		return e, overRange
	case sum == 0:
		return e, "no samples"
	}
	mean := sum / n
	variance := squares/n - mean*mean
	for _, b := range h.Bins {
		d := b.Level.Decibel().Ratio() - mean
		fourth += float64(b.Count) * d * d * d * d
	}
	e = Estimate{Effective: n, Freedom: n, AtMost: true}
	if variance > 1e-12*mean*mean {
		e.Effective = n * variance * variance / (fourth / n)
		e.Freedom = e.Effective
		e.Standard = acoustic.Decibel(perRatio * math.Sqrt(variance/n) / mean)
	}
	if e.Effective < leastEffective {
		return Estimate{}, tooFew(e.Effective, leastEffective)
	}
	return e, ""
}

// GapsAtMostOf returns an upper bound of the sampling uncertainty of the level exceeded
// in p of the time from the distribution alone, see [GapsAtMost].
func GapsAtMostOf(h series.Histogram, p series.Percent) (e Estimate, reason string) {
	n := float64(h.Samples())
	if n < leastEffective {
		return e, tooFew(n, leastEffective)
	}
	share := float64(p) / 100_000
	e = Estimate{Standard: acoustic.Decibel(math.Sqrt(share * (1 - share) / n)), Freedom: n, Effective: n, AtMost: true}
	return ofShare(h, p, e, math.Inf(1))
}

// GapsAtMostOfTallies returns an upper bound of the sampling uncertainty of the energy mean
// from the tallies of stretches, where no distribution is kept: that of unrelated readings
// of which in each stretch nothing is known but mean, least and greatest. Their variance is
// at most (greatest − mean)·(mean − least) (R. Bhatia and C. Davis, American Mathematical
// Monthly 107, 2000, memory). The effective size counts stretches that reach as high as
// the loudest.
func GapsAtMostOfTallies(stretches []series.Tally) (e Estimate, reason string) {
	var n, sum float64
	for _, t := range stretches {
		if t.Over > 0 {
			return e, overRange
		}
		n, sum = n+float64(t.Samples()), sum+t.Energy.Ratio()
	}
	if sum == 0 {
		return e, "no samples"
	}
	mean := sum / n
	squares, peaks, loudest := 0.0, 0.0, 0.0
	for _, t := range stretches {
		c := float64(t.Samples())
		if c == 0 {
			continue
		}
		least, greatest, own := 0.0, 0.0, t.Energy.Ratio()/c
		if t.Count > 0 {
			least, greatest = t.Min.Decibel().Ratio(), t.Max.Decibel().Ratio()
		}
		if t.Under > 0 {
			least = 0
		}
		squares += c * (max(0, (greatest-own)*(own-least)) + (own-mean)*(own-mean))
		peak := (greatest - mean) * (greatest - mean)
		peaks, loudest = peaks+peak, max(loudest, peak)
	}
	e = Estimate{Effective: n, Freedom: n, AtMost: true}
	if squares > 1e-12*n*mean*mean {
		e.Effective = min(n, peaks/loudest)
		e.Freedom = e.Effective
		e.Standard = acoustic.Decibel(perRatio * math.Sqrt(squares) / n / mean)
	}
	if e.Effective < leastEffective {
		return Estimate{}, tooFew(e.Effective, leastEffective)
	}
	return e, ""
}

const overRange = "samples over range have no upper end"
