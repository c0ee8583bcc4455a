package api

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Reading is a sample on the wire: a level in dB or a number of a side measurement in its unit.
//
// What no level can be, a number above 200 and at most 1000 with one decimal, stands in it, and in
// [Levels], as acoustic.MaxLevel and as many more as the number has tenths above 200.
type Reading acoustic.Level

const widest = 1000

// MarshalJSON writes as many decimals as r needs.
func (r Reading) MarshalJSON() ([]byte, error) { return appendReading(nil, acoustic.Level(r)), nil }

// UnmarshalJSON reads a number within the bounds of all quantities; [stored] holds it to those of its own.
func (r *Reading) UnmarshalJSON(raw []byte) error {
	level, ok := parseReading(raw)
	if !ok {
		return errors.New("not a reading")
	}
	*r = Reading(level)
	return nil
}

func (*Reading) expectation() string { return "must be a number with at most two decimals" }

func parseReading(raw []byte) (acoustic.Level, bool) {
	l, ok := parseLevel(raw)
	if ok {
		return l, true
	}
	x, err := strconv.ParseFloat(string(raw), 64)
	tenths := math.Round(x * 10)
	if err != nil || x <= 200 || x > widest || math.Abs(tenths-x*10) > 1e-6 {
		return 0, false
	}
	return acoustic.MaxLevel + acoustic.Level(tenths) - 2000, true
}

func appendReading(b []byte, l acoustic.Level) []byte {
	if l <= acoustic.MaxLevel {
		return appendLevel(b, l)
	}
	tenths := int64(l-acoustic.MaxLevel) + 2000
	b = strconv.AppendInt(b, tenths/10, 10)
	if tenths%10 != 0 {
		b = append(b, '.', '0'+byte(tenths%10))
	}
	return b
}

// stored returns a reading on the wire as it is kept in a series of q. ok is false for a
// number out of its bounds or with too many decimals. Gaps and flags stay what they are.
func stored(l acoustic.Level, q series.Quantity) (acoustic.Level, bool) {
	if l == gap || l == series.UnderRange || l == series.OverRange {
		return l, true
	}
	hundredths := int(l)
	if l > acoustic.MaxLevel {
		hundredths = (int(l-acoustic.MaxLevel) + 2000) * 10
	}
	low, high := q.Bounds()
	step := 100 / q.PerUnit
	return acoustic.Level(hundredths / step), hundredths >= low*100 && hundredths <= high*100 && hundredths%step == 0
}

// sent is the inverse of [stored].
func sent(l acoustic.Level, q series.Quantity) acoustic.Level {
	if l == gap || l == series.UnderRange || l == series.OverRange {
		return l
	}
	hundredths := int(l) * (100 / q.PerUnit)
	if hundredths > int(acoustic.MaxLevel) {
		return acoustic.MaxLevel + acoustic.Level(hundredths/10-2000)
	}
	return acoustic.Level(hundredths)
}

func readingExpected(q series.Quantity) string {
	low, high := q.Bounds()
	decimals := map[int]string{100: "two decimals", 10: "one decimal"}[q.PerUnit]
	return fmt.Sprintf("must be a number from %d to %d with at most %s, or null", low, high, decimals)
}
