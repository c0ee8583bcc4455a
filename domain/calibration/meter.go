package calibration

import (
	"slices"
	"strings"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/civil"
)

// meter judges the calibration of the series' meter on the days of use.
func (j *judge) meter() {
	meter := j.instrument(j.use.InstrumentID)
	if p := j.facts.Profile.AcceptedMeters; !accepts(p.Value, meter) {
		j.add(MeterClassTooLow, SeverityFail, aboutInstrument(meter), nil,
			"The %v is of class %q of %s, which rule profile %s does not accept.",
			meter, meter.Class, meter.Specification, j.facts.Profile.Code)
	}
	scopes := []Scope{kinds[meter.Kind].scope}
	if j.use.Bands {
		scopes = append(scopes, ScopeFilters)
	}
	for _, scope := range scopes {
		covers := Covers(j.certificates(meter.ID), scope, j.facts.Profile)
		j.gaps(meter, scope, covers)
		for _, c := range j.relied(meter, covers, j.days) {
			j.meterResults(meter, c)
		}
		j.nextAsFound(meter, covers, j.days, true)
	}
}

// gaps notes each run of days of use that no certificate covers, by its cause.
func (j *judge) gaps(meter Instrument, scope Scope, covers []Cover) {
	for i := 0; i < len(j.days); i++ {
		if _, ok := coverOn(covers, j.days[i]); ok {
			continue
		}
		g := gapOn(covers, scope, j.days[i])
		first, last := j.days[i], j.days[i]
		for ; i+1 < len(j.days); i++ {
			next := j.days[i+1]
			if _, ok := coverOn(covers, next); ok {
				break
			}
			if h := gapOn(covers, scope, next); h.rule != g.rule || h.certificate.ID != g.certificate.ID {
				break
			}
			last = next
		}
		if g.rule == CalibrationLapsedDuring && first == j.days[0] {
			g.rule = CalibrationLapsedBefore
		}
		about := aboutCertificate(g.certificate)
		if g.rule == NoCertificate {
			about = aboutInstrument(meter)
		}
		j.add(g.rule, SeverityFail, about, j.daySpan(first, last),
			"The %v is not covered on %s: %s.", meter, dayRange(first, last), g.reason)
	}
}

// relied remarks on the certificates that governed i on the days, and returns them.
func (j *judge) relied(i Instrument, covers []Cover, days []civil.Date) (governing []Certificate) {
	for _, c := range covers {
		if last, ok := lastOf(days, c.includes); ok {
			j.governing(i, c.Certificate, last)
			governing = append(governing, c.Certificate)
		}
	}
	return governing
}

// governing remarks on a certificate that was relied on, last on day lastUse.
func (j *judge) governing(i Instrument, c Certificate, lastUse civil.Date) {
	about := aboutCertificate(c)
	shown, how := c.IssuedOn, "issued"
	if shown.IsZero() {
		shown, how = civil.DayOf(c.CreatedAt, j.facts.Zone), "recorded"
	}
	if shown.After(lastUse) {
		j.add(CertificateIssuedAfterUse, SeverityRemark, about, nil,
			"The %v was calibrated on %v, before its use on %v, but its %v was %s only on %v.", i, c.CalibratedOn, lastUse, c, how, shown)
	}
	for _, old := range j.certificates(i.ID) {
		if supersededBy(j.certificates(i.ID), old) == c.ID {
			j.add(CertificateSuperseded, SeverityInfo, aboutCertificate(old), nil,
				"Of the %v, %v is superseded; %v is relied on.", i, old, c)
		}
	}
	if !j.accredited(c) {
		j.add(LaboratoryNotAccredited, SeverityRemark, about, nil,
			"No accreditation is shown for the calibration of the %v on %v (%v).", i, c.CalibratedOn, c)
	}
	if printed := strings.TrimSpace(c.ItemSerialNumber); printed != "" && printed != strings.TrimSpace(i.SerialNumber) {
		j.add(SerialNumberMismatch, SeverityUndetermined, about, nil,
			"The %v is relied on with %v, which names serial number %s.", i, c, printed)
	}
}

// accredited reports whether c was made under accreditation: it says so, and
// the recorded periods of its laboratory, if there are any, include its day.
func (j *judge) accredited(c Certificate) bool {
	if !c.Accredited {
		return false
	}
	for _, l := range j.facts.Laboratories {
		if l.ID == c.LaboratoryID && len(l.Accreditations) > 0 {
			return l.accreditedOn(c.CalibratedOn)
		}
	}
	return true
}

// meterResults remarks on what a meter's certificate does not show.
func (j *judge) meterResults(meter Instrument, c Certificate) {
	if c.PatternEvidence == "none" {
		j.add(PatternEvidenceMissing, SeverityRemark, aboutCertificate(c), nil,
			"No public evidence of pattern approval is shown for the %v: %v makes no general statement of conformance.", meter, c)
	}
	if slices.ContainsFunc(c.Results, CertificateResult.lacksUncertainty) {
		j.add(UncertaintyMissing, SeverityUndetermined, aboutCertificate(c), nil,
			"Results of the %v in %v carry no measurement uncertainty.", meter, c)
	}
}

func (r CertificateResult) lacksUncertainty() bool {
	return r.Phase == AsLeft && r.DeviationDB != nil && r.ExpandedUncertaintyDB == nil
}

// nextAsFound notes that a calibration after days of use found i out of limits,
// or does not say how it found it: everything since the last good calibration
// is open, first and last day included. With byDay the window is those days,
// else the whole series.
func (j *judge) nextAsFound(i Instrument, covers []Cover, days []civil.Date, byDay bool) {
	for n, c := range covers {
		next := c.Certificate
		if next.AsFound == Pass {
			continue
		}
		good := n - 1
		for good >= 0 && covers[good].EndedBy == EndedByAsLeft {
			good--
		}
		if good < 0 {
			continue // nothing before it to rely on
		}
		since := covers[good].From
		inDoubt := func(d civil.Date) bool { return !d.Before(since) && !d.After(next.begins()) }
		first, ok := firstOf(days, inDoubt)
		if !ok {
			continue
		}
		last, _ := lastOf(days, inDoubt)
		window := j.daySpan(first, last)
		if !byDay {
			window = nil
		}
		switch {
		case next.AsFound == Fail:
			j.add(NextAsFoundFailed, SeverityUndetermined, aboutCertificate(next), window,
				"The %v was found out of limits on %v (%v%s): its use on %s, after the calibration of %v, is in doubt.",
				i, next.begins(), next, next.worstAsFound(), dayRange(first, last), since)
		case next.Adjusted:
			j.add(NextAsFoundMissing, SeverityUndetermined, aboutCertificate(next), window,
				"The %v was adjusted on %v, and %v does not say how it was found: its use on %s is in doubt.",
				i, next.CalibratedOn, next, dayRange(first, last))
		default:
			j.add(NextAsFoundMissing, SeverityRemark, aboutCertificate(next), nil,
				"After its use on %s the %v was calibrated on %v, but %v does not say how it was found.",
				dayRange(first, last), i, next.CalibratedOn, next)
		}
	}
}

// worstAsFound returns ", off by …" with the largest as-found deviation, "" if none is recorded.
func (c Certificate) worstAsFound() string {
	var worst *acoustic.Level
	for _, r := range c.Results {
		if r.Phase == AsFound && r.DeviationDB != nil && (worst == nil || difference(*r.DeviationDB).exceeds(max(*worst, -*worst))) {
			worst = r.DeviationDB
		}
	}
	if worst == nil {
		return ""
	}
	return ", off by " + difference(*worst).String()
}

func firstOf(days []civil.Date, is func(civil.Date) bool) (civil.Date, bool) {
	if i := slices.IndexFunc(days, is); i >= 0 {
		return days[i], true
	}
	return civil.Date{}, false
}

func lastOf(days []civil.Date, is func(civil.Date) bool) (civil.Date, bool) {
	for _, d := range slices.Backward(days) {
		if is(d) {
			return d, true
		}
	}
	return civil.Date{}, false
}
