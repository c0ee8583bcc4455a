package calibration

import "leveltrail/domain/series"

// deviations judges what each check of a segment found and left. A meter that
// reads wrong before and after by the same amount does not drift, and yet every
// level is wrong: so the deviation left by a check counts for the window it opens.
func (j *judge) deviations(g segment) {
	p := j.facts.Profile
	for k, c := range g.checks {
		opened, opens := g.opened(k)
		if left := c.left(); opens && left.exceeds(p.StartLimit.Value) {
			j.add(NotAdjusted, SeverityFail, aboutCheck(c), &opened,
				"The check at %s left the meter reading %v off, limit %s dB.", j.clock(c.At), left, p.StartLimit.Value)
		} else if opens && left.exceeds(p.StartRemark.Value) {
			j.add(NotAdjusted, SeverityRemark, aboutCheck(c), &opened,
				"The check at %s left the meter reading %v off.", j.clock(c.At), left)
		}
		if found := c.found(); found.exceeds(p.SuspiciousDeviation.Value) {
			doubt, closes := g.closed(k)
			if opens && closes {
				doubt = hull(doubt, opened)
			} else if opens {
				doubt = opened
			} else if !closes {
				continue
			}
			j.add(DeviationSuspicious, SeverityUndetermined, aboutCheck(c), &doubt,
				"The check at %s found the meter reading %v off: more than %s dB points to a fault.",
				j.clock(c.At), found, p.SuspiciousDeviation.Value)
		}
	}
}

// drift judges the change of a meter between the checks of a segment, each
// against the one before and against what the last adjustment left - or the
// segment's first check, if that is later. Both limits are inclusive.
func (j *judge) drift(g segment) {
	p := j.facts.Profile
	base, lastGood := 0, 0 // the check that total drift counts from; the last one still within the limit of it
	for k := 1; k < len(g.checks); k++ {
		c, prev := g.checks[k], g.checks[k-1]
		if c.CalibratorID != prev.CalibratorID {
			j.add(CalibratorsDiffer, SeverityRemark, aboutCheck(c), nil,
				"The checks at %s and %s used different calibrators; drift is taken between deviations from the expected levels.",
				j.clock(prev.At), j.clock(c.At))
		}
		step, total := c.found()-prev.left(), c.found()-g.checks[base].left()
		switch {
		case p.DriftBasis.Value == StartEnd:
			if last := c.AsLeftDB != nil || k == len(g.checks)-1; last && total.exceeds(p.DriftLimit.Value) {
				whole := j.use.extent()
				j.drifted(DriftExceeded, total, g.checks[base], c, whole)
			}
		case step.exceeds(p.DriftLimit.Value):
			j.drifted(DriftExceeded, step, prev, c, series.Span{From: prev.At, To: c.At})
		case p.DriftBasis.Value == Both && total.exceeds(p.DriftLimit.Value):
			j.drifted(DriftSinceAdjustment, total, g.checks[base], c, series.Span{From: g.checks[lastGood].At, To: c.At})
		}
		if !total.exceeds(p.DriftLimit.Value) {
			lastGood = k
		}
		if c.AsLeftDB != nil {
			base, lastGood = k, k
		}
	}
}

func (j *judge) drifted(r Rule, by difference, from, to FieldCheck, window series.Span) {
	j.add(r, SeverityFail, aboutCheck(to), &window, "Drift %v between the checks at %s and %s, limit %s dB.",
		by, j.clock(from.At), j.clock(to.At), j.facts.Profile.DriftLimit.Value)
}
