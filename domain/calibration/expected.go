package calibration

import (
	"fmt"
	"math"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/civil"
)

// difference is a difference of levels in hundredths of a decibel: whole
// numbers, because 32.2 - 31.7 > 0.5 in floating point.
type difference int

// exceeds reports whether d lies beyond limit on either side. At the limit it does not.
func (d difference) exceeds(limit acoustic.Level) bool { return max(d, -d) > difference(limit) }

// String returns d with its sign and unit: "−0.60 dB".
func (d difference) String() string {
	sign := ""
	switch {
	case d > 0:
		sign = "+"
	case d < 0:
		sign, d = "−", -d
	}
	return fmt.Sprintf("%s%d.%02d dB", sign, d/100, d%100)
}

// expectedTolerance is how far an entered expected level may lie from the
// computed one before it is remarked: house value.
const expectedTolerance acoustic.Level = 5

// ExpectedLevel returns what the meter should show in check c with a calibrator
// whose certificate in force is cert: the certified level of the setting used
// (nominal plus as-left deviation), the corrections of c, and the frequency
// weighting of the reading at that frequency. ok is false where the certificate
// does not state the level of that setting, or the weighting has no tabulated
// value at that frequency.
func ExpectedLevel(c FieldCheck, cert Certificate) (level acoustic.Level, ok bool) {
	r, ok := cert.resultAt(c.NominalDB, c.FrequencyHz)
	if !ok {
		return 0, false
	}
	weight, ok := weighting(c.Weighting, c.FrequencyHz)
	if !ok {
		return 0, false
	}
	sum := difference(*r.NominalDB) + difference(*r.DeviationDB) + difference(weight) +
		difference(c.PressureCorrectionDB) + difference(c.VolumeCorrectionDB) + difference(c.MicrophoneCorrectionDB)
	if sum <= 0 || sum > difference(acoustic.MaxLevel) {
		return 0, false
	}
	return acoustic.Level(sum), true
}

// ExpectedFrom returns [Past.Expected] of a calibrator to which nothing else happened.
func ExpectedFrom(c FieldCheck, certificates []Certificate) (level acoustic.Level, from Certificate, ok bool) {
	return Past{Certificates: certificates}.Expected(c)
}

// Expected returns [ExpectedLevel] by the calibrator's latest calibration up to
// the UTC day of c that is not void, and the certificate of it. That it may have
// lapsed by then is for the verdict to say: no better value of the level is known.
func (h Past) Expected(c FieldCheck) (level acoustic.Level, from Certificate, ok bool) {
	day := civil.DayOf(c.At, time.UTC)
	for _, k := range h.Covers(ScopeCalibrator, RuleProfile{}) {
		if !k.From.After(day) && !k.void {
			from = k.Certificate
		}
	}
	level, ok = ExpectedLevel(c, from)
	return level, from, ok
}

// resultAt returns the line of c that certifies the calibrator's level at a
// setting, as it left the laboratory. Where nothing was adjusted, what was found was left.
func (c Certificate) resultAt(nominal acoustic.Level, hz float64) (CertificateResult, bool) {
	phases := []string{AsLeft}
	if !c.Adjusted {
		phases = append(phases, AsFound)
	}
	for _, phase := range phases {
		for _, r := range c.Results {
			if r.Phase == phase && r.NominalDB != nil && r.FrequencyHz != nil && r.DeviationDB != nil &&
				*r.NominalDB == nominal && sameFrequency(*r.FrequencyHz, hz) {
				return r, true
			}
		}
	}
	return CertificateResult{}, false
}

// statesLevels reports whether c records the level of any setting.
func (c Certificate) statesLevels() bool {
	for _, r := range c.Results {
		if r.NominalDB != nil && r.DeviationDB != nil {
			return true
		}
	}
	return false
}

// sameFrequency reports whether two frequencies name the same setting: nominal
// and exact frequencies (250 Hz, 251.19 Hz) do.
func sameFrequency(a, b float64) bool { return math.Abs(a-b) <= 0.01*math.Max(a, b) }

// weightings are the A and C weightings at nominal octave frequencies (IEC
// 61672-1:2013 Table 3, from memory; they follow from the formulae of its Annex E).
var weightings = []struct {
	hz   float64
	a, c acoustic.Level
}{
	{31.5, -39_40, -3_00},
	{63, -26_20, -80},
	{125, -16_10, -20},
	{250, -8_60, 0},
	{500, -3_20, 0},
	{1000, 0, 0},
	{2000, 1_20, -20},
	{4000, 1_00, -80},
	{8000, -1_10, -3_00},
	{16000, -6_60, -8_50},
}

// weighting returns what frequency weighting w (A, C or Z) adds to the level of a tone.
func weighting(w string, hz float64) (acoustic.Level, bool) {
	if w == "Z" {
		return 0, true
	}
	for _, row := range weightings {
		if sameFrequency(row.hz, hz) {
			if w == "A" {
				return row.a, true
			}
			return row.c, w == "C"
		}
	}
	return 0, false
}
