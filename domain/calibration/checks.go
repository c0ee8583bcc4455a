package calibration

import (
	"fmt"
	"time"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// segment is the part of a series within which field checks may be compared:
// all of it, or what lies between adjustments made in checks that do not count.
type segment struct {
	span   series.Span
	checks []FieldCheck // countable, in time order: the check before, those inside, the check after
	before bool         // checks begins with a check at or before the start
	after  bool         // checks ends with a check at or after the end

	// The adjustment that begins, that ends the segment; nil at the ends of the series.
	begunBy, endedBy *FieldCheck
}

// segments cuts a series of the given extent at the barriers and gives each
// segment its checks: the last one at or before its start and the first at or
// after its end, both no further than reach and across no barrier, and those
// inside. countable and barriers are in time order.
func segments(extent series.Span, countable, barriers []FieldCheck, reach time.Duration) []segment {
	all := []segment{{span: extent}}
	for _, b := range barriers {
		if last := &all[len(all)-1]; b.At.After(last.span.From) && b.At.Before(extent.To) {
			last.span.To, last.endedBy = b.At, &b
			all = append(all, segment{span: series.Span{From: b.At, To: extent.To}, begunBy: &b})
		}
	}
	for i := range all {
		g := &all[i]
		opens, closes := g.span.From.Add(-reach), g.span.To.Add(reach)
		for _, b := range barriers {
			if !b.At.After(g.span.From) {
				opens = later(opens, b.At)
			} else if !b.At.Before(g.span.To) {
				closes = earlier(closes, b.At)
			}
		}
		for _, c := range countable {
			if c.At.Before(opens) || c.At.After(closes) {
				continue
			}
			switch {
			case !c.At.After(g.span.From): // the latest of them is the check before
				g.checks, g.before = []FieldCheck{c}, true
			case c.At.Before(g.span.To):
				g.checks = append(g.checks, c)
			case !g.after:
				g.checks, g.after = append(g.checks, c), true
			}
		}
	}
	return all
}

// opened returns the window that check k opens: up to the next check, or the
// end of the segment. ok is false if nothing of it lies in the segment.
func (g segment) opened(k int) (series.Span, bool) {
	w := series.Span{From: g.checks[k].At, To: g.span.To}
	if k+1 < len(g.checks) {
		w.To = g.checks[k+1].At
	}
	return within(w, g.span)
}

// closed returns the window that check k closes: from the check before it, or the start of the segment.
func (g segment) closed(k int) (series.Span, bool) {
	w := series.Span{From: g.span.From, To: g.checks[k].At}
	if k > 0 {
		w.From = g.checks[k-1].At
	}
	return within(w, g.span)
}

// checks judges the field checks of the series. A check counts if it is acoustic
// and its calibrator is covered on its day; one that does not is as if it did not
// exist, except that an adjustment in it ends what may be compared.
func (j *judge) checks() {
	parts, lapsed := j.sorted()

	var unchecked []series.Span
	var used []FieldCheck
	for _, g := range parts {
		unchecked = append(unchecked, j.missing(g)...)
		j.distances(g)
		j.deviations(g)
		j.drift(g)
		used = append(used, g.checks...)
	}
	for _, c := range used {
		j.counted(c)
	}
	j.calibrators(used)
	j.notCounted(lapsed, parts, unchecked)
}

// sorted returns the segments of the series with the checks that count, and the checks
// that do not because their calibrator was not covered.
func (j *judge) sorted() (parts []segment, lapsed []FieldCheck) {
	p := j.facts.Profile
	var countable, barriers []FieldCheck
	for _, c := range j.facts.Checks {
		if !j.use.reachedBy(c, p.CheckReach.Value) {
			continue
		}
		_, covered := j.calibrator(c)
		if covered && c.Signal != Electrical {
			countable = append(countable, c)
			continue
		}
		if c.AsLeftDB != nil {
			barriers = append(barriers, c)
		}
		if !covered {
			lapsed = append(lapsed, c)
		}
	}
	return segments(j.use.extent(), countable, barriers, p.CheckReach.Value), lapsed
}

// used returns the checks on which the series rests, in time order.
func (j *judge) used() (checks []FieldCheck) {
	if len(j.use.Stretches) == 0 {
		return nil
	}
	parts, _ := j.sorted()
	for _, g := range parts {
		checks = append(checks, g.checks...)
	}
	return checks
}

// calibrator returns the certificate that governs the calibrator of c on the day of the check.
func (j *judge) calibrator(c FieldCheck) (*Certificate, bool) {
	k, ok := coverOn(j.coversOf(c.CalibratorID, ScopeCalibrator), civil.DayOf(c.At, j.facts.Zone))
	if !ok {
		return nil, false
	}
	return &k.Certificate, true
}

// missing notes that a segment has no check before, no check after, and returns
// the windows that fall for it: up to its first countable check, from its last.
func (j *judge) missing(g segment) (windows []series.Span) {
	p := j.facts.Profile
	reach := hours(p.CheckReach.Value)
	if !g.before {
		w, _ := within(series.Span{From: g.span.From, To: g.firstAt()}, g.span)
		windows = append(windows, w)
		about, where := j.edge(g.begunBy, "the start of measuring")
		j.add(NoCheckBefore, SeverityFail, about, &w,
			"No field check that counts lies within %s before %s at %s.", reach, where, j.clock(g.span.From))
	}
	if g.after {
		return windows
	}
	about, where := j.edge(g.endedBy, "the end of measuring")
	w, _ := within(series.Span{From: g.lastAt(), To: g.span.To}, g.span)
	severity, window := SeverityFail, &w
	if p.ClosingCheckRequired.Value {
		windows = append(windows, w)
	} else {
		severity, window = SeverityRemark, nil
	}
	j.add(NoCheckAfter, severity, about, window,
		"No field check that counts lies within %s after %s at %s.", reach, where, j.clock(g.span.To))
	return windows
}

// edge says where a segment ends: at an adjustment, or with the series.
func (j *judge) edge(adjustment *FieldCheck, end string) (about Subject, where string) {
	if adjustment == nil {
		return aboutSeries(j.use), end
	}
	return aboutCheck(*adjustment), "the adjustment, in a check that does not count,"
}

// firstAt and lastAt are the instants of the first and last check of g; without
// any, its end and start, so that the whole of it is unchecked.
func (g segment) firstAt() time.Time {
	if len(g.checks) == 0 {
		return g.span.To
	}
	return g.checks[0].At
}

func (g segment) lastAt() time.Time {
	if len(g.checks) == 0 {
		return g.span.From
	}
	return g.checks[len(g.checks)-1].At
}

// distances remarks on checks before and after beyond half the reach.
func (j *judge) distances(g segment) {
	half := j.facts.Profile.CheckReach.Value / 2
	if g.before {
		if d := g.span.From.Sub(g.checks[0].At); d > half {
			j.add(ChecksTooFarApart, SeverityRemark, aboutCheck(g.checks[0]), nil,
				"The field check at %s lies %s before the start of measuring.", j.clock(g.checks[0].At), hours(d))
		}
	}
	if g.after {
		last := g.checks[len(g.checks)-1]
		if d := last.At.Sub(g.span.To); d > half {
			j.add(ChecksTooFarApart, SeverityRemark, aboutCheck(last), nil,
				"The field check at %s lies %s after the end of measuring.", j.clock(last.At), hours(d))
		}
	}
}

// counted judges the calibrator of a check that counts, and the level expected of it.
func (j *judge) counted(c FieldCheck) {
	calibrator, meter := j.instrument(c.CalibratorID), j.instrument(c.InstrumentID)
	cert, _ := j.calibrator(c)
	switch p := j.facts.Profile; {
	case !accepts(p.AcceptedCalibrators.Value, calibrator):
		j.add(CalibratorClassTooLow, SeverityFail, aboutInstrument(calibrator), nil,
			"The %v is of class %q of %s, which rule profile %s does not accept.",
			calibrator, calibrator.Class, calibrator.Specification, p.Code)
	case lesser(calibrator, meter):
		j.add(CalibratorClassTooLow, SeverityFail, aboutInstrument(calibrator), nil,
			"The %v is of class %s, lower than class %s of the %v.", calibrator, calibrator.Class, meter.Class, meter)
	}

	result, certified := cert.resultAt(c.NominalDB, c.FrequencyHz)
	switch {
	case certified && result.ExpandedUncertaintyDB == nil:
		j.add(UncertaintyMissing, SeverityUndetermined, aboutCertificate(cert), nil,
			"The level %s dB of the %v in %v carries no measurement uncertainty.", c.NominalDB, calibrator, cert)
	case certified && result.uncertaintyTooLarge(calibrator):
		j.add(UncertaintyMissing, SeverityUndetermined, aboutCertificate(cert), nil,
			"The level %s dB of the %v in %v carries an uncertainty of %g dB, more than the %g dB permitted at most.",
			c.NominalDB, calibrator, cert, *result.ExpandedUncertaintyDB, result.permittedUncertainty(calibrator))
	case !certified && cert.statesLevels():
		j.add(CheckLevelNotCertified, SeverityRemark, aboutCheck(c), nil,
			"The check at %s used %s dB at %g Hz, which %v of the %v does not state.",
			j.clock(c.At), c.NominalDB, c.FrequencyHz, cert, calibrator)
	}
	if expected, ok := ExpectedLevel(c, *cert); ok {
		if d := difference(c.ExpectedDB) - difference(expected); d.exceeds(expectedTolerance) {
			j.add(ExpectedLevelDiffers, SeverityRemark, aboutCheck(c), nil,
				"At %s %s dB was expected; from %v it is %s dB.", j.clock(c.At), c.ExpectedDB, cert, expected)
		}
	}
}

// lesser reports whether a calibrator is of a lower class than the meter. A
// calibrator of class 1 is made for meters of class 1, and so on, over the
// editions of their standards; of other meters nothing is said.
func lesser(calibrator, meter Instrument) bool {
	a, ok := classRank(calibrator.Class)
	b, okMeter := classRank(meter.Class)
	classOne, _ := classRank("1")
	return ok && okMeter && meter.Kind == SoundLevelMeter && a > max(b, classOne) // no calibrator is made for class 0
}

// calibrators judges the certificates of the calibrators of the checks used.
func (j *judge) calibrators(used []FieldCheck) {
	for _, i := range j.facts.Instruments {
		var days []civil.Date
		for _, c := range used {
			if c.CalibratorID == i.ID {
				days = append(days, civil.DayOf(c.At, j.facts.Zone))
			}
		}
		if len(days) == 0 {
			continue
		}
		covers := j.coversOf(i.ID, ScopeCalibrator)
		j.relied(i, covers, days)
		j.nextAsFound(i, covers, days, false)
	}
}

// notCounted notes the checks among those that count that do not, because their
// calibrator was not covered. Where such a check would have closed an unchecked
// window this is a fail of that window; otherwise nothing is lost by it, and it is a remark.
func (j *judge) notCounted(lapsed []FieldCheck, parts []segment, unchecked []series.Span) {
	first, last := parts[0], parts[len(parts)-1]
	for _, c := range lapsed {
		if first.before && c.At.Before(first.firstAt()) || last.after && c.At.After(last.lastAt()) {
			continue
		}
		window := nearest(unchecked, c.At, j.facts.Profile.CheckReach.Value)
		severity := SeverityRemark
		if window != nil {
			severity = SeverityFail
		}
		calibrator, day := j.instrument(c.CalibratorID), civil.DayOf(c.At, j.facts.Zone)
		g := lapseOn(j.coversOf(c.CalibratorID, ScopeCalibrator), ScopeCalibrator, day)
		j.add(CalibratorNotCovered, severity, aboutCheck(c), window,
			"The field check at %s does not count, because the %v is not covered on that day: %s.", j.clock(c.At), calibrator, g.reason)
	}
}

// nearest returns the window next to t, within reach of it; two that meet at t as one. It is nil if there is none.
func nearest(windows []series.Span, t time.Time, reach time.Duration) (found *series.Span) {
	best := reach
	for _, w := range windows {
		d := max(w.From.Sub(t), t.Sub(w.To), 0)
		switch {
		case d > best:
		case found != nil && d == best && (found.To.Equal(w.From) || *found == w):
			w = hull(*found, w)
			found = &w
		case found == nil || d < best:
			found, best = &w, d
		}
	}
	return found
}

func hours(d time.Duration) string { return fmt.Sprintf("%.4g h", d.Hours()) }
