package calibration

import (
	"fmt"
	"slices"

	"leveltrail/domain/acoustic"
)

// Movement says by how much results could move, because an instrument was found
// out of limits after they were measured: what would have to be added to a
// reported level lies between Low and High. It is never added.
type Movement struct {
	Low, High acoustic.Level // differences in hundredths of a decibel
	Detail    string         // for people: from what it follows
}

// Of returns the range in which a reported level could really lie.
func (m Movement) Of(reported acoustic.Level) (low, high acoustic.Level) {
	clamp := func(d difference) acoustic.Level {
		return acoustic.Level(min(max(d, difference(acoustic.MinLevel)), difference(acoustic.MaxLevel)))
	}
	return clamp(difference(reported) + difference(m.Low)), clamp(difference(reported) + difference(m.High))
}

// Decides reports whether the comparison of a reported level with a limit ("above",
// or "at or above" if reached) could come out otherwise.
func (m Movement) Decides(reported, limit acoustic.Level, reached bool) bool {
	over := func(l acoustic.Level) bool { return l > limit || reached && l == limit }
	low, high := m.Of(reported)
	return over(low) != over(reported) || over(high) != over(reported)
}

// or returns the range that holds both movements.
func (m Movement) or(n Movement) Movement {
	if m.Detail != n.Detail {
		m.Detail += " " + n.Detail
	}
	return Movement{Low: min(m.Low, n.Low), High: max(m.High, n.High), Detail: m.Detail}
}

// CalibratorMovement says by how much levels could move that rest on check c,
// since its calibrator was found by next to give another level than was used for
// the expected one: found 94.31 dB where 94.00 dB was used, 84.8 dB is 85.1 dB.
// ok is false if next does not state what it found at the setting of c.
func CalibratorMovement(c FieldCheck, next Certificate) (m Movement, ok bool) {
	weight, ok := weighting(c.Weighting, c.FrequencyHz)
	if !ok {
		return Movement{}, false
	}
	used := difference(c.ExpectedDB) - difference(weight) -
		difference(c.PressureCorrectionDB) - difference(c.VolumeCorrectionDB) - difference(c.MicrophoneCorrectionDB)
	for _, r := range next.Results {
		if r.Phase == AsFound && r.NominalDB != nil && r.DeviationDB != nil && *r.NominalDB == c.NominalDB &&
			r.FrequencyHz != nil && sameFrequency(*r.FrequencyHz, c.FrequencyHz) {
			found := difference(*r.NominalDB) + difference(*r.DeviationDB)
			by := acoustic.Level(found - used)
			return Movement{Low: by, High: by, Detail: fmt.Sprintf("The %v found the calibrator at %s dB; %s dB was used.",
				next, acoustic.Level(found), acoustic.Level(used))}, true
		}
	}
	return Movement{}, false
}

// MeterMovement says by how much levels could move of a meter that next found out
// of limits. The field check has removed the error at its own frequency; what is
// left is the range, over the tested frequencies, of the deviation there less the
// deviation at the check's frequency, with its sign turned. ok is false if next
// does not state what it found at the check's frequency and at another one.
func MeterMovement(next Certificate, checkHz float64) (m Movement, ok bool) {
	var at *difference
	var all []difference
	for _, r := range next.Results {
		if r.Phase != AsFound || r.FrequencyHz == nil || r.DeviationDB == nil {
			continue
		}
		d := difference(*r.DeviationDB)
		if at == nil && sameFrequency(*r.FrequencyHz, checkHz) {
			at = &d
		}
		all = append(all, d)
	}
	if at == nil || len(all) < 2 {
		return Movement{}, false
	}
	m.Low, m.High = acoustic.Level(*at-slices.Max(all)), acoustic.Level(*at-slices.Min(all))
	m.Detail = fmt.Sprintf("The %v found the meter, beside %g Hz, where it is checked, between %v and %v from there over the tested frequencies.",
		next, checkHz, slices.Min(all)-*at, slices.Max(all)-*at)
	return m, true
}

// CouldMove says by how much the levels of a series could move, because a
// calibration found its meter, or a calibrator of its checks, out of limits: the
// finding is one of [Decide] on f with rule next_as_found_failed. ok is false if
// the certificate does not state enough for a number.
func CouldMove(f Facts, about Finding) (m Movement, ok bool) {
	f = asKnown(f)
	s := slices.IndexFunc(f.Series, func(s SeriesUse) bool { return s.ID == about.SeriesID })
	c := slices.IndexFunc(f.Certificates, func(c Certificate) bool { return c.ID == about.Subject.ID })
	if about.Rule != NextAsFoundFailed || s < 0 || c < 0 {
		return Movement{}, false
	}
	use, next := f.Series[s], f.Certificates[c]
	j := judges(&f)[s]
	for _, check := range j.used() {
		var one Movement
		var stated bool
		switch {
		case check.CalibratorID == next.InstrumentID:
			one, stated = CalibratorMovement(check, next)
		case use.InstrumentID == next.InstrumentID:
			one, stated = MeterMovement(next, check.FrequencyHz)
		default:
			continue
		}
		switch {
		case !stated:
			return Movement{}, false
		case !ok:
			m, ok = one, true
		default:
			m = m.or(one)
		}
	}
	return m, ok
}
