package assessment

import (
	"fmt"
	"slices"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// Neighbours says what of the neighbouring bands a band is compared with.
type Neighbours string

// What a band can be compared with.
const (
	EachNeighbour  Neighbours = "each"            // it must stand out from every one of them
	ArithmeticMean Neighbours = "arithmetic_mean" // it must stand out from the mean of their levels in decibels
)

// ToneRule finds tones in one-third-octave levels by how far a band stands out from
// its neighbours.
type ToneRule struct {
	Code       string
	Weighting  byte // of the levels compared: 'A' or 'Z'
	PerSide    int  // neighbours on each side
	Of         Neighbours
	Compare    Compare // Greater: by more than Least; GreaterOrEqual: by Least too
	Ranges     []ToneRange
	Adjustment acoustic.Decibel // for a tone found
	Source     string
}

// ToneRange is a range of nominal mid-band frequencies, both ends included.
type ToneRange struct {
	From, To acoustic.Hertz
	Least    acoustic.Level
}

// ToneRules are the rules known, in no order of merit.
var ToneRules = []ToneRule{
	{
		Code: "iso_1996_2", Weighting: 'Z', PerSide: 1, Of: EachNeighbour, Compare: GreaterOrEqual, Adjustment: 6,
		Ranges: []ToneRange{{25, 125, 15_00}, {160, 400, 8_00}, {500, 10_000, 5_00}},
		Source: "memory of ISO 1996-2: 15, 8 and 5 dB over both neighbours; adjustment 3 to 6 dB, memory of ISO 1996-1",
	},
	{
		Code: "western_australia", Weighting: 'A', PerSide: 1, Of: ArithmeticMean, Compare: Greater, Adjustment: 5,
		Ranges: []ToneRange{{20, 20_000, 3_00}},
		Source: "Environmental Protection (Noise) Regulations 1997 (Western Australia), reg. 9(1): more than 3 dB over the arithmetic mean of both neighbours, LAeq of more than a tenth of the period; adjustment memory",
	},
	{
		Code: "western_australia_any_time", Weighting: 'A', PerSide: 1, Of: ArithmeticMean, Compare: Greater, Adjustment: 5,
		Ranges: []ToneRange{{20, 20_000, 8_00}},
		Source: "the same, LAS at any time: more than 8 dB; adjustment memory",
	},
	{
		Code: "portugal", Weighting: 'A', PerSide: 1, Of: EachNeighbour, Compare: GreaterOrEqual, Adjustment: 3,
		Ranges: []ToneRange{{20, 20_000, 5_00}},
		Source: "DL 9/2007 (Portugal), annex I no 1: 5 dB(A) or more over the neighbours, K1 = 3",
	},
	{
		Code: "france", Weighting: 'Z', PerSide: 2, Of: EachNeighbour, Compare: GreaterOrEqual, Adjustment: 0,
		Ranges: []ToneRange{{50, 315, 10_00}, {400, 1250, 5_00}, {1600, 8000, 5_00}},
		Source: "arrêté of 23 January 1997, annex 1.9 (France): 10, 5 and 5 dB over the four nearest bands, taken as each of them; it limits the duration and adds nothing",
	},
}

// ToneRuleOf returns a rule by its code. ok is false for any other code.
func ToneRuleOf(code string) (r ToneRule, ok bool) {
	i := slices.IndexFunc(ToneRules, func(r ToneRule) bool { return r.Code == code })
	if i < 0 {
		return ToneRule{}, false
	}
	return ToneRules[i], true
}

// Tone is a band that stands out.
type Tone struct {
	Band     acoustic.Band
	StandOut acoustic.Level // from the neighbour nearest in level, or from their mean, in hundredths
	Least    acoustic.Level // asked by the rule
}

// Tones returns the bands that stand out, by ascending frequency, and the bands inside
// the ranges of the rule that could not be judged because a neighbour is missing.
// levels are one-third-octave levels of the weighting given, in any order. It is an
// Invalid error if they are of other bands, if a band comes twice or the weighting is not
// 'A', 'C' or 'Z'.
func (r ToneRule) Tones(levels []acoustic.BandLevel, weighting byte) (tones []Tone, unjudged []acoustic.Band, err error) {
	var bad fault.Fields
	at := make(map[int]int64, len(levels)) // hundredths of a decibel by index
	for i, l := range levels {
		path := fmt.Sprintf("bands/%d", i)
		d, ok := l.Band.Reweight(weighting, r.Weighting)
		_, twice := at[l.Band.Index]
		bad.Check(ok, path, "not_allowed", "must be weighted A, C or Z")
		bad.Check(l.Band.Fraction == 3, path, "not_allowed", "must be a one-third-octave band")
		bad.Check(!twice, path, "duplicate", "must come once")
		at[l.Band.Index] = hundredths(l.Level + d)
	}
	if err := bad.Err("spectrum"); err != nil {
		return nil, nil, err
	}
	for _, index := range sortedKeys(at) {
		b := acoustic.Band{Fraction: 3, Index: index}
		least, inside := r.least(b.Nominal())
		if !inside {
			continue
		}
		neighbours, complete := r.neighbours(at, index)
		if !complete {
			unjudged = append(unjudged, b)
			continue
		}
		if out, stands := r.standsOut(at[index], neighbours, least); stands {
			tones = append(tones, Tone{b, out, least})
		}
	}
	return tones, unjudged, nil
}

// least returns what the rule asks at a nominal mid-band frequency.
func (r ToneRule) least(f acoustic.Hertz) (least acoustic.Level, inside bool) {
	for _, g := range r.Ranges {
		if f >= g.From && f <= g.To {
			return g.Least, true
		}
	}
	return 0, false
}

// neighbours returns the levels of the bands around index.
func (r ToneRule) neighbours(at map[int]int64, index int) (levels []int64, complete bool) {
	for d := 1; d <= r.PerSide; d++ {
		below, ok1 := at[index-d]
		above, ok2 := at[index+d]
		if !ok1 || !ok2 {
			return nil, false
		}
		levels = append(levels, below, above)
	}
	return levels, true
}

// standsOut compares a level with its neighbours, all in hundredths of a decibel. A mean
// is compared as a sum, so that nothing is rounded before.
func (r ToneRule) standsOut(level int64, neighbours []int64, least acoustic.Level) (out acoustic.Level, stands bool) {
	n := int64(1)
	by := level - slices.Max(neighbours)
	if r.Of == ArithmeticMean {
		n = int64(len(neighbours))
		by = n * level
		for _, l := range neighbours {
			by -= l
		}
	}
	stands = by > n*int64(least) || by == n*int64(least) && r.Compare == GreaterOrEqual
	return acoustic.Level(by / n), stands
}

// sortedKeys returns the keys of m in ascending order.
func sortedKeys(m map[int]int64) []int {
	keys := make([]int, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
