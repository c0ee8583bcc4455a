package acoustic

import "time"

// EnergySum returns the level of the sum of the powers of levels, as of sources
// that sound together. ok is false if levels is empty.
func EnergySum(levels []Decibel) (sum Decibel, ok bool) {
	var r float64
	for _, l := range levels {
		r += l.Ratio()
	}
	return FromRatio(r), len(levels) > 0
}

// EnergyMean returns the level of the mean power of levels, each of which stands
// for an interval of the same duration. ok is false if levels is empty.
func EnergyMean(levels []Decibel) (mean Decibel, ok bool) {
	var r float64
	for _, l := range levels {
		r += l.Ratio()
	}
	return FromRatio(r / float64(len(levels))), len(levels) > 0
}

// EnergyMeanOver returns 10 lg(Σ tᵢ·10^(Lᵢ/10) / Σ tᵢ) (ISO 1996-1): the equivalent
// continuous level of levels that last durations, one for each level, none negative.
// ok is false if the durations sum to zero.
func EnergyMeanOver(levels []Decibel, durations []time.Duration) (mean Decibel, ok bool) {
	var r float64
	var total time.Duration
	for i, l := range levels {
		r += l.Ratio() * float64(durations[i])
		total += durations[i]
	}
	return FromRatio(r / float64(total)), total > 0
}

// Exposure returns the sound exposure level, re 1 s, of an equivalent level over d
// (ISO 1996-1): leq + 10 lg(d/1 s). d is above zero.
func Exposure(leq Decibel, d time.Duration) Decibel { return leq + FromRatio(d.Seconds()) }

// OfExposures returns the equivalent level over d of events with the sound exposure
// levels given: 10 lg(Σ 10^(LAE/10) / d in seconds). ok is false if there are none
// or d is not above zero.
func OfExposures(exposures []Decibel, d time.Duration) (leq Decibel, ok bool) {
	sum, ok := EnergySum(exposures)
	if !ok || d <= 0 {
		return 0, false
	}
	return sum - FromRatio(d.Seconds()), true
}
