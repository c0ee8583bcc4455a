package acoustic

import "math"

// Band is an octave or one-third-octave band of the base-ten system (IEC 61260-1).
type Band struct {
	Fraction int // 1 or 3
	Index    int // bands above the one around 1 kHz
}

// Lowest and highest nominal mid-band frequency known.
const (
	lowestBand  Hertz = 1
	highestBand Hertz = 100_000
)

// nominals are the nominal mid-band frequencies of one decade (IEC 61260-1; ISO 266).
var nominals = [10]Hertz{1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8}

// tenths returns the exact mid-band frequency as tenths of a decade above 1 kHz.
func (b Band) tenths() int {
	if b.Fraction == 1 {
		return 3 * b.Index
	}
	return b.Index
}

// Mid returns the exact mid-band frequency: 1 kHz·10^(3·index/(10·fraction)).
func (b Band) Mid() Hertz { return Hertz(1000 * math.Pow(10, float64(b.tenths())/10)) }

// Nominal returns the rounded frequency by which the band is called.
func (b Band) Nominal() Hertz {
	t := b.tenths() + 30 // above 1 Hz
	decade := int(math.Floor(float64(t) / 10))
	// Four decimals rid the product of what a power of ten below one leaves.
	return Hertz(math.Round(float64(nominals[t-10*decade])*math.Pow(10, float64(decade))*1e4) / 1e4)
}

// Edges returns the lower and the upper band-edge frequency.
func (b Band) Edges() (lower, upper Hertz) {
	half := Hertz(math.Pow(10, 3/(20*float64(b.Fraction))))
	return b.Mid() / half, b.Mid() * half
}

// BandAt returns the band of the fraction 1 or 3 that is called by a nominal
// frequency between 1 Hz and 100 kHz. ok is false for any other number.
func BandAt(fraction int, nominal Hertz) (b Band, ok bool) {
	if fraction != 1 && fraction != 3 || !(nominal >= lowestBand && nominal <= highestBand) {
		return Band{}, false
	}
	index := math.Log10(float64(nominal)/1000) * 10
	if fraction == 1 {
		index /= 3
	}
	b = Band{fraction, int(math.Round(index))}
	return b, math.Abs(float64(b.Nominal()-nominal)) < 1e-6*float64(nominal)
}

// BandLevel is the level in one band.
type BandLevel struct {
	Band  Band
	Level Decibel
}

// Reweight returns what turns a band level of weighting from into one of weighting
// to, at the exact mid-band frequency. ok is false for weightings other than 'A', 'C', 'Z'.
func (b Band) Reweight(from, to byte) (d Decibel, ok bool) {
	x, okFrom := Weighting(from, b.Mid())
	y, okTo := Weighting(to, b.Mid())
	return y - x, okFrom && okTo
}

// Overall returns the level of weighting to of the whole sound whose band levels have
// weighting from. ok is false if there are no bands, if they are of different
// fractions, if one comes twice or a weighting is unknown.
func Overall(bands []BandLevel, from, to byte) (l Decibel, ok bool) {
	seen := make(map[Band]bool, len(bands))
	weighted := make([]Decibel, len(bands))
	for i, b := range bands {
		d, ok := b.Band.Reweight(from, to)
		if !ok || seen[b.Band] || b.Band.Fraction != bands[0].Band.Fraction {
			return 0, false
		}
		seen[b.Band] = true
		weighted[i] = b.Level + d
	}
	return EnergySum(weighted)
}
