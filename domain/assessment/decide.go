package assessment

import (
	"fmt"
	"math"

	"leveltrail/domain/acoustic"
)

// hundredths returns l in hundredths of a decibel, which comparisons are made in.
func hundredths(l acoustic.Decibel) int64 { return int64(math.Round(float64(l) * 100)) }

// Apply returns l rounded. Halves are decided on hundredths of a decibel: 44.495 counts
// as 44.50.
func (r Rounding) Apply(l acoustic.Decibel) acoustic.Decibel {
	h := hundredths(l)
	switch r {
	case HalfUp1:
		h = floorTo(h+50, 100)
	case HalfUp05:
		h = floorTo(h+25, 50)
	case Up1:
		h = floorTo(h+99, 100)
	case NoRounding:
		return l
	}
	return acoustic.Decibel(h) / 100
}

// floorTo returns the multiple of step at or below h.
func floorTo(h, step int64) int64 {
	m := h % step
	if m < 0 {
		m += step
	}
	return h - m
}

// root returns the root of the sum of squares.
func root(a, b acoustic.Decibel) acoustic.Decibel {
	return acoustic.Decibel(math.Hypot(float64(a), float64(b)))
}

// Exceeds reports whether a level exceeds a limit, in hundredths of a decibel.
func (c Compare) Exceeds(level, limit acoustic.Decibel) bool {
	if c == GreaterOrEqual {
		return hundredths(level) >= hundredths(limit)
	}
	return hundredths(level) > hundredths(limit)
}

// normal returns the standard normal distribution function.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// ExceedanceProbability returns how probable it is that the true level lies above limit,
// for a measured level with standard uncertainty u, taken as normal (JCGM 106:2012,
// 7.2). Without uncertainty it is 0, 1, or ½ at the limit.
func ExceedanceProbability(level, limit, u acoustic.Decibel) float64 {
	switch d := float64(level - limit); {
	case u > 0:
		return normal(d / float64(u))
	case d == 0:
		return 0.5
	case d > 0:
		return 1
	}
	return 0
}

// ConformanceProbability returns how probable it is that the true value lies in
// [low, high], for a value with standard uncertainty u above zero (JCGM 106:2012, 7.3).
func ConformanceProbability(value, low, high, u float64) float64 {
	return normal((high-value)/u) - normal((low-value)/u)
}

// side is on which side of a limit a level was found.
type side int8

const (
	undecided side = iota
	under
	past
)

// decide applies the rule to a rounded level with expanded uncertainty expanded and
// standard uncertainty u. p is the probability of exceedance, nil without uncertainty.
// reason says why nothing is decided.
func (l Limit) decide(level, limit acoustic.Decibel, known bool, expanded, u acoustic.Decibel) (s side, p *float64, reason string) {
	if known {
		p = new(ExceedanceProbability(level, limit, u))
	}
	simply := under
	if l.Compare.Exceeds(level, limit) {
		simply = past
	}
	if l.Rule == Simple {
		return simply, p, ""
	}
	if !known {
		return undecided, nil, "the rule " + string(l.Rule) + " needs the uncertainty of the level"
	}
	switch l.Rule {
	case GuardedLow:
		if simply == under && l.Compare.Exceeds(level+expanded, limit) {
			return undecided, p, fmt.Sprintf("below the limit, but not with its uncertainty of %.1f dB", expanded)
		}
	case GuardedHigh:
		if simply == past && !l.Compare.Exceeds(level-expanded, limit) {
			return undecided, p, fmt.Sprintf("above the limit, but not less its uncertainty of %.1f dB", expanded)
		}
	case Probability:
		allowed := l.AllowedChance
		if allowed == 0 {
			allowed = 0.5
		}
		simply = under
		if *p > allowed || *p == allowed && l.Compare == GreaterOrEqual {
			simply = past
		}
	}
	return simply, p, ""
}
