package assessment

import (
	"fmt"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// AdjustmentKind says what an adjustment is for (ISO 1996-1).
type AdjustmentKind string

// The kinds.
const (
	ToneAdjustment    AdjustmentKind = "tone"
	ImpulseAdjustment AdjustmentKind = "impulse"
	SourceAdjustment  AdjustmentKind = "source"
	TimeAdjustment    AdjustmentKind = "time_of_day"
	OtherAdjustment   AdjustmentKind = "other"
)

// Adjustment is added to an equivalent level for what makes a sound more annoying.
type Adjustment struct {
	Kind   AdjustmentKind
	DB     acoustic.Decibel
	Found  string // how it was found: the rule and what it found; empty: entered by a person
	Source string // where it is laid down
}

// RatedPart is a part of the rating time with adjustments of its own.
type RatedPart struct {
	Level       acoustic.Decibel // equivalent level over Duration
	Duration    time.Duration
	Adjustments []Adjustment
}

// Adjusted returns the level of p with all of its adjustments.
func (p RatedPart) Adjusted() acoustic.Decibel {
	l := p.Level
	for _, a := range p.Adjustments {
		l += a.DB
	}
	return l
}

// RatingLevel returns 10 lg(Σ tᵢ·10^((Lᵢ + Σ Kᵢ)/10) / T) in the manner of ISO 1996-1:
// the energy mean of the adjusted levels of parts over the rating time T. Of what T holds
// beside the parts the source was silent. It is an Invalid error if an adjustment or a
// duration makes no sense.
func RatingLevel(parts []RatedPart, rating time.Duration) (acoustic.Decibel, error) {
	var bad fault.Fields
	var exposures []acoustic.Decibel
	var total time.Duration
	for i, p := range parts {
		path := fmt.Sprintf("parts/%d", i)
		kinds := map[AdjustmentKind]bool{}
		for j, a := range p.Adjustments {
			at := fmt.Sprintf("%s/adjustments/%d", path, j)
			switch a.Kind {
			case ToneAdjustment, ImpulseAdjustment, SourceAdjustment, TimeAdjustment, OtherAdjustment:
			default:
				bad.Add(at+"/kind", "not_allowed", "must be tone, impulse, source, time_of_day or other")
			}
			bad.Check(a.Kind == OtherAdjustment || !kinds[a.Kind], at+"/kind", "duplicate", "must come once in a part")
			bad.Check(a.DB >= -15 && a.DB <= 15, at+"/adjustment_db", "out_of_range", "must lie between -15 and 15")
			bad.Check(a.Source != "", at+"/source", "required", "must say where the adjustment is laid down")
			kinds[a.Kind] = true
		}
		if p.Duration <= 0 {
			bad.Add(path+"/duration_s", "out_of_range", "must be above zero")
			continue
		}
		total += p.Duration
		exposures = append(exposures, acoustic.Exposure(p.Adjusted(), p.Duration))
	}
	bad.Check(len(parts) > 0, "parts", "required", "must name at least one part")
	bad.Check(rating > 0 && total <= rating, "rating_s", "out_of_range", "must be at least the time of the parts")
	if err := bad.Err("rating level"); err != nil {
		return 0, err
	}
	l, _ := acoustic.OfExposures(exposures, rating)
	return l, nil
}

// ImpulseRule finds impulsive sound by how far one figure lies above another.
type ImpulseRule struct {
	Code       string
	High, Low  string // symbols of the figures
	Least      acoustic.Level
	Compare    Compare // Greater: above Least; GreaterOrEqual: at it too
	Adjustment acoustic.Decibel
	Source     string
}

// ImpulseRules are the rules known.
var ImpulseRules = []ImpulseRule{
	{Code: "western_australia", High: "LApeak", Low: "LASmax", Least: 15_00, Compare: Greater, Adjustment: 10, Source: "Environmental Protection (Noise) Regulations 1997 (Western Australia), reg. 9(1): more than 15 dB; adjustment memory"},
	{Code: "portugal", High: "LAIeq", Low: "LAeq", Least: 6_00, Compare: Greater, Adjustment: 3, Source: "DL 9/2007 (Portugal), annex I no 1: more than 6 dB(A), K2 = 3"},
}

// Impulsive reports whether the figures of the rule show impulsive sound.
func (r ImpulseRule) Impulsive(high, low acoustic.Decibel) bool {
	return r.Compare.Exceeds(high-low, r.Least.Decibel())
}
