// Package acoustic holds the arithmetic of sound levels: decibels, energy,
// exceedance, day-evening-night indices.
package acoustic

import (
	"database/sql/driver"
	"fmt"
	"math"
	"strconv"
)

// Decibel is a computed level or level difference in dB. Levels of sound
// pressure are re 20 µPa. Levels do not add; see [EnergyMean].
type Decibel float64

// Ratio returns the power ratio 10^(l/10).
func (l Decibel) Ratio() float64 { return math.Pow(10, float64(l)/10) }

// FromRatio returns the level of the power ratio r. It is -Inf for r == 0 and NaN for r < 0.
func FromRatio(r float64) Decibel { return Decibel(10 * math.Log10(r)) }

// Level is a measured level as stored: hundredths of a decibel, so that readings
// of 0.1 and 0.01 dB come back exactly. Comparisons of levels that decide
// something are made on this type, never on floats.
type Level int16

// MinLevel and MaxLevel bound what is accepted as a measured sound level.
const (
	MinLevel Level = -50_00
	MaxLevel Level = 200_00
)

// Decibel returns l in decibels.
func (l Level) Decibel() Decibel { return Decibel(l) / 100 }

// String returns l in decibels with two decimals: "51.20".
func (l Level) String() string { return strconv.FormatFloat(float64(l)/100, 'f', 2, 64) }

// LevelOf returns d as a level. ok is false if d has more than two decimals
// or lies outside [MinLevel, MaxLevel] (NaN and infinities do).
func LevelOf(d Decibel) (l Level, ok bool) {
	h := math.Round(float64(d) * 100)
	if !(h >= float64(MinLevel) && h <= float64(MaxLevel)) || math.Abs(h-float64(d)*100) > 1e-6 {
		return 0, false
	}
	return Level(h), true
}

// Value hands l in decibels to a database driver, for a column of type numeric(6, 2).
// Columns of hundredths take int16(l).
func (l Level) Value() (driver.Value, error) { return l.String(), nil }

// Scan takes l from a column of decibels of type numeric(6, 2).
func (l *Level) Scan(src any) error {
	text, isText := src.(string)
	f, err := strconv.ParseFloat(text, 64)
	h := math.Round(f * 100)
	if !isText || err != nil || !(math.Abs(h) <= math.MaxInt16) {
		return fmt.Errorf("scan a level from %T %v", src, src)
	}
	*l = Level(h)
	return nil
}
