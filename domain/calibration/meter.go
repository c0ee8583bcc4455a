package calibration

import (
	"slices"
	"strings"

	"github.com/google/uuid"

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
	scope := kinds[meter.Kind].scope
	covers := j.cover(meter, scope, j.days)
	for _, c := range governingOn(covers, j.days) {
		j.fitted(meter, c)
	}
	for _, k := range []Kind{Microphone, Preamplifier} {
		for _, part := range j.parts(meter.ID, k, j.use.extent()) {
			if len(j.past(part.ID).standing(kinds[k].scope)) > 0 { // calibrated by itself, so that must hold too
				j.cover(part, kinds[k].scope, j.daysFitted(meter, part))
			}
		}
	}
	if j.use.Bands {
		j.filters(meter)
	}
}

// filters judges the calibration of the filters: those of the filter set fitted, else the meter's own.
func (j *judge) filters(meter Instrument) {
	own := slices.Clone(j.days)
	for _, set := range j.parts(meter.ID, FilterSet, j.use.extent()) {
		days := j.daysFitted(meter, set)
		own = slices.DeleteFunc(own, func(d civil.Date) bool { return slices.Contains(days, d) })
		j.cover(set, ScopeFilters, days)
	}
	if len(own) > 0 {
		j.cover(meter, ScopeFilters, own)
	}
}

// cover judges the calibration of a meter or a part of it within a scope on days of use.
func (j *judge) cover(i Instrument, scope Scope, days []civil.Date) []Cover {
	covers := j.covers(i, scope)
	j.gaps(i, scope, covers, days)
	for _, c := range j.relied(i, covers, days) {
		j.meterResults(i, c)
	}
	j.nextAsFound(i, covers, days, true)
	return covers
}

// covers returns the covers of i within scope.
func (j *judge) covers(i Instrument, scope Scope) []Cover {
	return j.seen.coversOf(j.facts, i.ID, scope, j.months(i, scope))
}

// months returns the interval between calibrations of i within scope. A part for whose kind the profile sets none has the meter's.
func (j *judge) months(i Instrument, scope Scope) int {
	p := j.facts.Profile
	months, _, ok := p.Months(scope.kind())
	if !ok && i.Kind.isPart() {
		months, _, _ = p.Months(j.instrument(j.use.InstrumentID).Kind)
	}
	return months
}

// coversOf returns the covers of an instrument, not a part, within scope.
func (j *judge) coversOf(instrument uuid.UUID, scope Scope) []Cover {
	months, _, _ := j.facts.Profile.Months(scope.kind())
	return j.seen.coversOf(j.facts, instrument, scope, months)
}

// daysFitted returns the days of use on which part was fitted on the meter.
func (j *judge) daysFitted(meter, part Instrument) []civil.Date {
	return slices.DeleteFunc(slices.Clone(j.days), func(d civil.Date) bool {
		return !slices.Contains(j.partsOn(meter.ID, part.Kind, d), part)
	})
}

// governingOn returns the covers that hold on any of the days.
func governingOn(covers []Cover, days []civil.Date) (governing []*Cover) {
	for i := range covers {
		if c := &covers[i]; slices.ContainsFunc(days, c.includes) {
			governing = append(governing, c)
		}
	}
	return governing
}

// fitted notes the days that c covers on which the meter had another microphone or
// preamplifier than when it was calibrated: the pair was never calibrated.
func (j *judge) fitted(meter Instrument, c *Cover) {
	cert := &c.Certificate
	for _, k := range []Kind{Microphone, Preamplifier} {
		for _, part := range j.parts(meter.ID, k, j.use.extent()) {
			days := slices.DeleteFunc(j.daysFitted(meter, part), func(d civil.Date) bool { return !c.includes(d) })
			if len(days) == 0 {
				continue
			}
			window := j.daySpan(days[0], days[len(days)-1])
			if named := cert.partsNamed(k); len(named) > 0 && !slices.Contains(named, strings.TrimSpace(part.SerialNumber)) {
				j.add(SerialNumberMismatch, SeverityUndetermined, aboutCertificate(cert), window,
					"The %v was used with %v; %v names %s with serial number %s.", meter, part, cert, k.words(), strings.Join(named, ", "))
			}
			if !j.swapped(meter, part, cert.CalibratedOn) {
				continue
			}
			severity, own := SeverityFail, "has no valid calibration of its own"
			covers := j.covers(part, kinds[k].scope)
			if !slices.ContainsFunc(days, func(d civil.Date) bool { _, ok := coverOn(covers, d); return !ok }) {
				severity, own = SeverityUndetermined, "was calibrated by itself"
			}
			j.add(AlteredSinceCalibration, severity, aboutInstrument(part), window,
				"The %v was used on %s with %v, which was not fitted when it was calibrated on %v (%v) and %s.",
				meter, dayRange(days[0], days[len(days)-1]), part, cert.CalibratedOn, cert, own)
		}
	}
}

// swapped reports whether part is known not to have been fitted on the meter on a day
// of calibration: another of its kind was, or it sat on another meter.
func (j *judge) swapped(meter, part Instrument, day civil.Date) bool {
	whole := *j.daySpan(day, day)
	then := j.parts(meter.ID, part.Kind, whole)
	if slices.Contains(then, part) {
		return false
	}
	return len(then) > 0 || slices.ContainsFunc(j.facts.Components, func(c Component) bool {
		return c.PartID == part.ID && c.InstrumentID != meter.ID && c.fittedIn(whole)
	})
}

// partsNamed returns the serial numbers of the parts of a kind that c names.
func (c *Certificate) partsNamed(k Kind) (serials []string) {
	for _, p := range c.Parts {
		if p.Kind == k {
			serials = append(serials, strings.TrimSpace(p.SerialNumber))
		}
	}
	return serials
}

// gaps notes each run of days of use that no certificate covers, by its cause.
func (j *judge) gaps(i Instrument, scope Scope, covers []Cover, days []civil.Date) {
	for n := 0; n < len(days); n++ {
		if _, ok := coverOn(covers, days[n]); ok {
			continue
		}
		l := lapseOn(covers, scope, days[n])
		first, last := days[n], days[n]
		for ; n+1 < len(days); n++ {
			next := days[n+1]
			if _, ok := coverOn(covers, next); ok || !lapseOn(covers, scope, next).sameCause(l) {
				break
			}
			last = next
		}
		if l.rule == CalibrationLapsedDuring && first == j.days[0] {
			l.rule = CalibrationLapsedBefore
		}
		about := aboutCertificate(&l.certificate)
		switch l.rule {
		case NoCertificate:
			about = aboutInstrument(i)
		case AlteredSinceCalibration:
			about = aboutEvent(l.event)
		}
		j.addDisposable(l.disposable, l.rule, SeverityFail, about, j.daySpan(first, last),
			"The %v is not covered on %s: %s.", i, dayRange(first, last), l.reason)
	}
}

// relied remarks on the certificates that governed i on the days, and returns them.
func (j *judge) relied(i Instrument, covers []Cover, days []civil.Date) (governing []*Certificate) {
	for n := range covers {
		c := &covers[n]
		if last, ok := lastOf(days, c.includes); ok {
			j.governing(i, &c.Certificate, last)
			governing = append(governing, &c.Certificate)
		}
	}
	return governing
}

// governing remarks on a certificate that was relied on, last on day lastUse.
func (j *judge) governing(i Instrument, c *Certificate, lastUse civil.Date) {
	about := aboutCertificate(c)
	shown, how := c.IssuedOn, "issued"
	if shown.IsZero() {
		shown, how = civil.DayOf(c.CreatedAt, j.facts.Zone), "recorded"
	}
	if shown.After(lastUse) {
		j.add(CertificateIssuedAfterUse, SeverityRemark, about, nil,
			"The %v was calibrated on %v, before its use on %v, but its %v was %s only on %v.", i, c.CalibratedOn, lastUse, c, how, shown)
	}
	past := j.past(i.ID)
	for n := range past.Certificates {
		old := &past.Certificates[n]
		if past.supersededBy(old) == c.ID {
			j.add(CertificateSuperseded, SeverityInfo, aboutCertificate(old), nil,
				"Of the %v, %v is superseded; %v is relied on.", i, old, c)
		}
	}
	if !j.accredited(c) {
		j.add(LaboratoryNotAccredited, SeverityRemark, about, nil,
			"No accreditation is shown for the calibration of the %v on %v (%v).", i, c.CalibratedOn, c)
	}
	if s := c.NamesAnother(i); s != "" {
		j.add(SerialNumberMismatch, SeverityUndetermined, about, nil, "%s", s)
	}
}

// accredited reports whether c was made under accreditation: it says so, and
// the recorded periods of its laboratory, if there are any, include its day.
func (j *judge) accredited(c *Certificate) bool {
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
func (j *judge) meterResults(meter Instrument, c *Certificate) {
	if c.PatternEvidence == "none" {
		j.add(PatternEvidenceMissing, SeverityRemark, aboutCertificate(c), nil,
			"No public evidence of pattern approval is shown for the %v: %v makes no general statement of conformance.", meter, c)
	}
	if slices.ContainsFunc(c.Results, CertificateResult.lacksUncertainty) {
		j.add(UncertaintyMissing, SeverityUndetermined, aboutCertificate(c), nil,
			"Results of the %v in %v carry no measurement uncertainty.", meter, c)
	}
	if n := slices.IndexFunc(c.Results, func(r CertificateResult) bool { return r.uncertaintyTooLarge(meter) }); n >= 0 {
		r := c.Results[n]
		j.add(UncertaintyMissing, SeverityUndetermined, aboutCertificate(c), nil,
			"A result of the %v in %v (%s) carries an uncertainty of %g dB, more than the %g dB permitted at most.",
			meter, c, r.Test, *r.ExpandedUncertaintyDB, r.permittedUncertainty(meter))
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
		if next.AsFound == Pass || c.void {
			continue
		}
		good := n - 1
		for good >= 0 && (covers[good].EndedBy == EndedByAsLeft || covers[good].void) {
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
			j.add(NextAsFoundFailed, SeverityUndetermined, aboutCertificate(&next), window,
				"The %v was found out of limits on %v (%v%s): its use on %s, after the calibration of %v, is in doubt.",
				i, next.begins(), next, next.worstAsFound(), dayRange(first, last), since)
		case next.Adjusted:
			j.add(NextAsFoundMissing, SeverityUndetermined, aboutCertificate(&next), window,
				"The %v was adjusted on %v, and %v does not say how it was found: its use on %s is in doubt.",
				i, next.CalibratedOn, next, dayRange(first, last))
		default:
			j.add(NextAsFoundMissing, SeverityRemark, aboutCertificate(&next), nil,
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
