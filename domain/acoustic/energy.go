package acoustic

import (
	"math"
	"math/big"
	"math/bits"
)

// Energy is a sum of power ratios 10^(L/10), each rounded to a whole number of
// 2^-40: a 128-bit unsigned integer. Integers add associatively, so the same
// samples give the same bits however they were cut, merged or sent. A sum that
// would pass 2^128 stays there: three million samples at 200 dB, or more than
// any microphone can measure in ten years.
type Energy struct{ Hi, Lo uint64 }

// Plus returns e + f.
func (e Energy) Plus(f Energy) Energy {
	lo, carry := bits.Add64(e.Lo, f.Lo, 0)
	hi, carry := bits.Add64(e.Hi, f.Hi, carry)
	if carry != 0 {
		return Energy{math.MaxUint64, math.MaxUint64}
	}
	return Energy{hi, lo}
}

// Times returns n·e.
func (e Energy) Times(n uint64) Energy {
	h1, l1 := bits.Mul64(e.Lo, n)
	h2, l2 := bits.Mul64(e.Hi, n)
	hi, carry := bits.Add64(h1, l2, 0)
	if h2 != 0 || carry != 0 {
		return Energy{math.MaxUint64, math.MaxUint64}
	}
	return Energy{hi, l1}
}

// Ratio returns e as a sum of power ratios, to within one unit in the last place.
func (e Energy) Ratio() float64 {
	return float64(e.Hi)*(1<<(64-40)) + float64(e.Lo)*(1.0/(1<<40)) // powers of two: both exact
}

// Mean returns the level of the mean power of the n samples of equal duration
// that e sums: their energy mean. ok is false if n is not above zero or e is zero,
// which no level is.
func (e Energy) Mean(n int64) (mean Decibel, ok bool) {
	if n <= 0 || e == (Energy{}) {
		return 0, false
	}
	return FromRatio(e.Ratio() / float64(n)), true
}

// EnergyOf returns the energy of one sample of level l, which must lie in [MinLevel, MaxLevel].
func EnergyOf(l Level) Energy { return energies[l-MinLevel] }

// energies holds EnergyOf for every level, correct to the last bit: computed
// with 256-bit arithmetic from ten exact tenths and hundredths of a decade.
var energies = func() [MaxLevel - MinLevel + 1]Energy {
	var table [MaxLevel - MinLevel + 1]Energy
	// 10^(1/1000) by Newton's method on x^1000 = 10 at 256 bits.
	step := thousandthOfDecade()
	x := new(big.Float).SetPrec(256).SetInt64(1)
	// 10^(MinLevel/1000)·2^40 = 2^40 / 10^5
	x.SetMantExp(x, 40)
	x.Quo(x, big.NewFloat(1e5))
	half := big.NewFloat(0.5)
	mask := new(big.Int).SetUint64(math.MaxUint64)
	for i := range table {
		n, _ := new(big.Float).SetPrec(256).Add(x, half).Int(nil)
		table[i] = Energy{
			Hi: new(big.Int).Rsh(n, 64).Uint64(),
			Lo: new(big.Int).And(n, mask).Uint64(),
		}
		x.Mul(x, step)
	}
	return table
}()

// thousandthOfDecade returns 10^(1/1000) to 256 bits, by Newton's method on x^1000 = 10.
func thousandthOfDecade() *big.Float {
	num := func(x float64) *big.Float { return new(big.Float).SetPrec(256).SetFloat64(x) }
	x := num(math.Pow(10, 1.0/1000))
	for range 4 { // each step doubles the correct digits: 16, 32, 64, 128
		p := num(1)
		for range 1000 {
			p.Mul(p, x)
		}
		// x -= x·(p/10 − 1)/1000
		d := new(big.Float).Sub(p.Quo(p, num(10)), num(1))
		x.Sub(x, d.Mul(d, x).Quo(d, num(1000)))
	}
	return x
}
