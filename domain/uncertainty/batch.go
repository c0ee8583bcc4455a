package uncertainty

import (
	"fmt"
	"math"
	"slices"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// OfMean returns the representativity uncertainty of the energy mean of samples, from
// their tallies over consecutive stretches of equal length, empty ones included: how
// far the energy mean of much more time of this kind lies from it. reason is empty or
// says why there is none.
func OfMean(stretches []series.Tally) (e Estimate, reason string) {
	sums, counts := make([]float64, len(stretches)), make([]float64, len(stretches))
	for i, t := range stretches {
		if t.Over > 0 {
			return e, overRange
		}
		sums[i], counts[i] = t.Energy.Ratio(), float64(t.Samples())
	}
	return OfEnergies(sums, counts)
}

// OfEnergies is as [OfMean], of the sound energy of each stretch and the time of it that
// was measured, in any unit: of samples of several intervals.
func OfEnergies(energies, times []float64) (e Estimate, reason string) {
	total, time := 0.0, 0.0
	for i := range energies {
		total, time = total+energies[i], time+times[i]
	}
	if total == 0 {
		return e, "no samples"
	}
	if e, reason = ofRatio(energies, times); reason != "" {
		return e, reason
	}
	e.Standard *= acoustic.Decibel(perRatio / (total / time))
	return ofLevels(energies, times, e)
}

// OfExceedance returns the representativity uncertainty of the level exceeded in p of
// the time, from the distributions over consecutive stretches of equal length.
func OfExceedance(stretches []series.Histogram, p series.Percent) (e Estimate, reason string) {
	var all series.Counts
	for _, h := range stretches {
		all.AddHistogram(h)
	}
	whole := all.Histogram()
	level, ok := whole.Exceedance(p)
	if !ok {
		return e, "no samples"
	}
	above, counts := make([]float64, len(stretches)), make([]float64, len(stretches))
	for i, h := range stretches {
		above[i], counts[i] = float64(Above(h, level)), float64(h.Samples())
	}
	if e, reason = ofRatio(above, counts); reason != "" {
		return e, reason
	}
	return ofShare(whole, p, e, settled)
}

// Above returns how many samples of h lie above l, those over range included.
func Above(h series.Histogram, l acoustic.Level) int64 {
	n := h.Over
	for _, b := range slices.Backward(h.Bins) {
		if b.Level <= l {
			break
		}
		n += b.Count
	}
	return n
}

// ofShare turns the uncertainty of the share of time that lies above a level into that
// of the level exceeded in p of the time: by how far the level moves if the share does,
// the further of both directions. With more effective samples on the rarer side than
// even, the level scatters alike to both sides, and what is further tends to their mean.
// e.Standard is the share's.
func ofShare(h series.Histogram, p series.Percent, e Estimate, even float64) (Estimate, string) {
	share, further := float64(p)/100_000, 1.0
	if s := float64(e.Standard); s > 0 {
		few := min(share, 1-share) * share * (1 - share) / (s * s) // effective samples on the rarer side
		further = min(1, even/few)
		if few < leastBeyond {
			return Estimate{}, fmt.Sprintf("effectively %.1f samples lie beyond the level, at least %.1f are needed", few, leastBeyond)
		}
		e.Freedom = min(e.Freedom, few)
	}
	k := student975(e.Freedom)
	half := k * float64(e.Standard) * 100_000
	low, high := max(0, float64(p)-half), min(float64(p)+half, 100_000)
	middle, _ := h.Exceedance(p)
	above, _ := h.Exceedance(series.Percent(low))
	below, _ := h.Exceedance(series.Percent(math.Ceil(high)))
	if above == series.OverRange || below == series.UnderRange {
		return Estimate{}, "the level lies too near the end of the measuring range"
	}
	// Readings are rounded to steps, which leaves step/√12 (GUM F.2.2.1): all there is
	// where a level moves by less than a step.
	up, down := float64((above - middle).Decibel()), float64((middle - below).Decibel())
	moves := ((up+down)/2 + further*math.Abs(up-down)/2) / k
	e.Standard = acoustic.Decibel(math.Hypot(moves, float64(resolution(h).Decibel())/math.Sqrt(12)))
	return e, ""
}

// resolution returns the least distance between levels of h, zero if there is but one.
func resolution(h series.Histogram) (step acoustic.Level) {
	for i := 1; i < len(h.Bins); i++ {
		if d := h.Bins[i].Level - h.Bins[i-1].Level; step == 0 || d < step {
			step = d
		}
	}
	return step
}

// leastBeyond is how many effective samples must lie on each side of an exceedance level
// (by simulation, see COVERAGE.md).
const leastBeyond = 7.5

// settled is the size above which an exceedance level scatters more and more alike to
// both sides (by simulation, see COVERAGE.md).
const settled = 20

// ofRatio returns the standard uncertainty of Σ sums/Σ counts over consecutive
// stretches, by batch means with the scatter of their autocovariances.
//
// With xᵢ = (sumᵢ − R·countᵢ)/mean count, the error of R is the mean of x (ratio
// estimate, Cochran, Sampling Techniques, ch. 6, memory). The variance of a mean of b
// correlated values is V/b with V = c₀ + 2·Σ c_k, see [scatterOf]. A daily cycle makes
// V too large and so the uncertainty, on the safe side. Effective sample size: b·c₀/V,
// at most b, counted in stretches and so never too large. Nothing here is random, so
// there is no seed.
func ofRatio(sums, counts []float64) (e Estimate, reason string) {
	var total, n float64
	b := 0
	for i := range sums {
		total, n = total+sums[i], n+counts[i]
		if counts[i] > 0 {
			b++
		}
	}
	if b < leastEffective {
		return e, tooFew(float64(b), leastEffective)
	}
	x := make([]float64, len(sums))
	for i := range x {
		x[i] = (sums[i] - total/n*counts[i]) / (n / float64(b))
	}
	s := scatterOf(x, b)
	if scale := total / n; s.cov[0] <= 1e-20*scale*scale {
		return Estimate{Freedom: float64(b) - 1, Effective: float64(b)}, "" // nothing changes
	}
	return s.estimate(math.Sqrt(s.v / float64(b)))
}

// ofLevels takes the levels of the stretches into account. Energy means of levels that
// scatter widely hang on a few loud stretches, and the scatter of energies is then
// mostly too small: the loudest have not come yet. If the levels are about normal, their
// autocovariances c_k, which come out well, give those of the energies, exp(c_k) − 1
// of the squared mean; the larger of the two uncertainties counts. e is that of the
// energies alone.
func ofLevels(sums, counts []float64, e Estimate) (Estimate, string) {
	y := make([]float64, len(sums))
	mean, b := 0.0, 0
	for i := range sums {
		if sums[i] > 0 {
			y[i] = math.Log(sums[i] / counts[i])
			mean, b = mean+y[i], b+1
		}
	}
	for i := range y {
		if sums[i] > 0 {
			y[i] -= mean / float64(b)
		}
	}
	if b < leastEffective {
		return Estimate{}, tooFew(float64(b), leastEffective)
	}
	s := scatterOf(y, b)
	if s.cov[0] <= 1e-20 {
		return e, ""
	}
	levels, reason := s.estimate(0)
	if reason != "" {
		return levels, reason
	}
	// Of levels with a kurtosis κ the scatter of squares leaves 2/(κ − 1) of each sample:
	// a few events among many quiet stretches are as many samples as there are events.
	left := levels.Effective * min(1, 2/(s.kurtosis-1))
	if left < leastEffective {
		return Estimate{}, tooFew(left, leastEffective)
	}
	e.Freedom, e.Effective = min(e.Freedom, levels.Freedom, left-1), min(e.Effective, left)
	if s.kurtosis > leastKurtosis {
		v := 0.0
		for k, c := range s.cov {
			w := math.Expm1(c + s.v/float64(b))
			if k > 0 {
				w *= 2
			}
			v += w
		}
		v = max(v, math.Expm1(s.cov[0])/2) // regular ups and downs cancel out, as far as scatterOf lets them
		u := acoustic.Decibel(perRatio * math.Sqrt(v/float64(b)))
		e.Standard = max(e.Standard, min(u, mostRaised*e.Standard))
	}
	return e, ""
}

const (
	// leastKurtosis is that above which levels are taken as about normal (3), and not as
	// of two or more lasting states (1 for on and off).
	leastKurtosis = 2
	// mostRaised bounds by how much the scatter of levels raises the uncertainty.
	mostRaised = 3
)

// scatter is what values x of zero mean scatter, b of them not empty.
type scatter struct {
	cov      []float64 // autocovariances, of lag 0 first, as far as they count
	v        float64   // variance of the mean times b
	b        float64
	kurtosis float64
}

// scatterOf sums autocovariances up, in pairs while pairs stay positive, each held at
// the one before (initial monotone sequence, C. J. Geyer, Statistical Science 7, 1992,
// memory): the pairs of a reversible process fall and stay positive, what comes after
// is noise. The mean was taken off the same values, which costs each autocovariance V/b;
// that is given back.
func scatterOf(x []float64, b int) scatter {
	s := scatter{b: float64(b)}
	last := math.Inf(1)
	for k := 0; k+1 < len(x)/2; k += 2 {
		c, d := covariance(x, k)/s.b, covariance(x, k+1)/s.b
		if c+d <= 0 {
			break
		}
		if c+d > last {
			c, d = last/2, last/2
		}
		last = c + d
		s.cov = append(s.cov, c, d)
	}
	if s.cov == nil {
		s.cov = []float64{covariance(x, 0) / s.b}
	}
	for k, c := range s.cov {
		if k > 0 {
			c *= 2
		}
		s.v += c
	}
	s.v = max(s.v, s.cov[0]/2) / max(0.1, 1-float64(2*len(s.cov)-1)/s.b)
	for _, y := range x {
		s.kurtosis += y * y * y * y
	}
	s.kurtosis /= s.b * s.cov[0] * s.cov[0]
	return s
}

// estimate returns an uncertainty with what stands behind it. Degrees of freedom: of
// each effective sample a third, as V is estimated too.
func (s scatter) estimate(standard float64) (e Estimate, reason string) {
	e = Estimate{Standard: acoustic.Decibel(standard), Effective: min(s.b, s.b*s.cov[0]/s.v)}
	e.Freedom = e.Effective/3 - 1
	if e.Effective < leastEstimated {
		return Estimate{}, tooFew(e.Effective, leastEstimated)
	}
	return e, ""
}

// covariance returns Σ xᵢ·xᵢ₊ₗₐg.
func covariance(x []float64, lag int) (c float64) {
	for i, y := range x[lag:] {
		c += x[i] * y
	}
	return c
}
