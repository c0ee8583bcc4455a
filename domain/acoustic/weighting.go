package acoustic

import "math"

// Hertz is a frequency.
type Hertz float64

// Pole frequencies of the weightings in Hz, from the exact constants of IEC 61672-1
// (memory of clause 5.4 and Annex E): f_L = 10^1.5, f_H = 10^3.9, f_A = 10^2.45, D² = ½.
var (
	pole1, pole4 = outerPoles()
	pole2        = math.Pow(10, 2.45) * (3 - math.Sqrt(5)) / 2
	pole3        = math.Pow(10, 2.45) * (3 + math.Sqrt(5)) / 2
)

// outerPoles solves x² + b·x + c = 0 for the squares of the lowest and the highest pole.
func outerPoles() (f1, f4 float64) {
	const reference2 = 1000 * 1000
	low2, high2 := float64(10*10*10), math.Pow(10, 7.8)
	d := math.Sqrt(0.5)
	b := (reference2 + low2*high2/reference2 - d*(low2+high2)) / (1 - d)
	c := low2 * high2
	root := math.Sqrt(b*b - 4*c)
	return math.Sqrt((-b - root) / 2), math.Sqrt((-b + root) / 2)
}

// Weighting returns what the frequency weighting 'A', 'C' or 'Z' adds to the level
// of a sound of frequency f, 0 dB at 1 kHz, by the formula of IEC 61672-1. The
// table of the standard is this function at exact mid-band frequencies, see
// [Band.Mid]; at nominal ones it rounds differently. ok is false for any other
// weighting or if f is not above zero.
func Weighting(w byte, f Hertz) (d Decibel, ok bool) {
	if !(f > 0) {
		return 0, false
	}
	switch w {
	case 'A':
		return responseA(float64(f)) - responseA(1000), true
	case 'C':
		return responseC(float64(f)) - responseC(1000), true
	case 'Z':
		return 0, true
	}
	return 0, false
}

// responseC is the C response before it is set to 0 dB at 1 kHz.
func responseC(f float64) Decibel {
	f2 := f * f
	return 2 * FromRatio(pole4*pole4*f2/((f2+pole1*pole1)*(f2+pole4*pole4)))
}

// responseA is the A response: the C response through two more high passes.
func responseA(f float64) Decibel {
	f2 := f * f
	return responseC(f) + FromRatio(f2/(f2+pole2*pole2)) + FromRatio(f2/(f2+pole3*pole3))
}
