package calibration_test

import (
	"testing"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

func (w *world) happened(instrument uuid.UUID, k calibration.EventKind, on string, change ...func(*calibration.Event)) calibration.Event {
	e := calibration.Event{
		ID: w.id(), InstrumentID: instrument, Kind: k, On: day(on), EndsCover: true,
		Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded,
	}
	for _, f := range change {
		f(&e)
	}
	w.Events = append(w.Events, e)
	return e
}

func (w *world) withdrawn(c calibration.Certificate, from, recorded string, change ...func(*calibration.CertificateStatus)) {
	s := calibration.CertificateStatus{
		ID: w.id(), CertificateID: c.ID, Status: calibration.Withdrawn, EffectiveFrom: day(from),
		By: "Q. Lead", Reason: "invented", RecordedAt: instant(recorded),
	}
	for _, f := range change {
		f(&s)
	}
	w.Statuses = append(w.Statuses, s)
}

func (w *world) fitted(meter, part uuid.UUID, from, to string) {
	c := calibration.Component{ID: w.id(), InstrumentID: meter, PartID: part, From: instant(from), Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded}
	if to != "" {
		t := instant(to)
		c.To = &t
	}
	w.Components = append(w.Components, c)
}

// inDateAndChecked is a series of 3 June 2024, 08:00 to 18:00 UTC, checked morning and evening, the calibrator in date, the meter not yet.
func inDateAndChecked(t *testing.T) *world {
	w := newWorld(t, "environmental")
	w.calibrated(w.calibrator, "2024-01-10")
	w.check(morning, 93_90)
	w.measured("2024-06-03T08:00:00Z", "2024-06-03T18:00:00Z")
	w.check(evening, 93_90)
	return w
}

const (
	wholeDay = " 2024-06-03T08:00/2024-06-03T18:00"
	early    = "2020-01-01T00:01:00Z"
)

// A repair on 15 September 2023, certificate of June: not covered from that day on. House convention of dates; the
// cause is that of ISO/IEC 17025:2017 6.4.9, from memory.
func TestRepairEndsCover(t *testing.T) {
	for on, covered := range map[string]bool{"2023-06-01": true, "2023-09-14": true, "2023-09-15": false, "2024-05-01": false} {
		w := newWorld(t, "environmental")
		w.calibrated(w.meter, "2023-06-01")
		w.calibrated(w.calibrator, day(on).AddMonths(-1).String())
		w.happened(w.meter, calibration.Repair, "2023-09-15")
		w.check(on+"T07:50:00Z", 93_90)
		w.measured(on+"T08:00:00Z", on+"T18:00:00Z")
		w.check(on+"T18:05:00Z", 93_90)
		want := expect{outcome: calibration.Valid}
		if !covered {
			want = expect{outcome: calibration.NotValid, findings: []string{"altered_since_calibration " + on + "T08:00/" + on + "T18:00"}}
		}
		w.expect(want)
	}
}

// An event of the day of calibration ends the cover unless it says that it came before. One that does not end cover ends none.
func TestEventOfTheDayOfCalibration(t *testing.T) {
	tests := []struct {
		name   string
		on     string
		change func(*calibration.Event)
		valid  bool
	}{
		{"same day", "2024-02-01", func(*calibration.Event) {}, false},
		{"same day, before it", "2024-02-01", func(e *calibration.Event) { e.BeforeCalibration = true }, true},
		{"the day before", "2024-01-31", func(*calibration.Event) {}, true},
		{"later, saying before", "2024-03-01", func(e *calibration.Event) { e.BeforeCalibration = true }, false},
		{"harmless", "2024-03-01", func(e *calibration.Event) { e.EndsCover = false }, true},
		{"after the use", "2024-06-04", func(*calibration.Event) {}, true},
		{"the day of use", "2024-06-03", func(*calibration.Event) {}, false},
		{"learned too late", "2024-03-01", func(e *calibration.Event) { e.RecordedAt = instant("2028-01-01T00:00:00Z") }, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := inDateAndChecked(t)
			w.calibrated(w.meter, "2024-02-01")
			w.happened(w.meter, calibration.Firmware, tt.on, tt.change)
			if tt.valid {
				w.expect(expect{outcome: calibration.Valid})
			} else {
				w.expect(expect{outcome: calibration.NotValid, findings: []string{"altered_since_calibration" + wholeDay}})
			}
		})
	}
}

// A damaged calibrator proves nothing: its checks do not count.
func TestDamagedCalibrator(t *testing.T) {
	w := inDateAndChecked(t)
	w.calibrated(w.meter, "2024-02-01")
	w.happened(w.calibrator, calibration.Damage, "2024-05-01")
	w.expect(expect{outcome: calibration.NotValid, findings: []string{
		"calibrator_not_covered" + wholeDay, "calibrator_not_covered" + wholeDay, "no_check_after" + wholeDay, "no_check_before" + wholeDay,
	}})
}

// Withdrawn on 1 June 2024, void from the start: unknown on 31 May, known on 2 June.
func TestWithdrawnCertificate(t *testing.T) {
	w := newWorld(t, "environmental")
	c := w.calibrated(w.meter, "2024-02-01")
	w.calibrated(w.calibrator, "2024-01-10")
	w.check("2024-05-03T07:50:00Z", 93_90)
	w.measured("2024-05-03T08:00:00Z", "2024-05-03T18:00:00Z")
	w.check("2024-05-03T18:05:00Z", 93_90)
	w.withdrawn(c, "2024-02-01", "2024-06-01T10:00:00Z")
	w.knownAt("2024-05-31T10:00:00Z").expect(expect{outcome: calibration.Valid})
	w.knownAt("2024-06-02T10:00:00Z").expect(expect{
		outcome:  calibration.NotValid,
		findings: []string{"certificate_withdrawn 2024-05-03T08:00/2024-05-03T18:00"},
	})

	// An older certificate that is still in date holds again, since a void one ends nothing.
	w.calibrated(w.meter, "2023-01-10")
	w.knownAt("2024-06-02T10:00:00Z").expect(expect{outcome: calibration.Valid})

	// The latest entry counts: withdrawn by mistake, and taken back.
	w.Certificates = w.Certificates[:2]
	w.withdrawn(c, "2024-02-01", "2024-06-03T10:00:00Z", func(s *calibration.CertificateStatus) { s.Status = calibration.Active })
	w.knownAt("2024-06-02T10:00:00Z").expect(expect{
		outcome:  calibration.NotValid,
		findings: []string{"certificate_withdrawn 2024-05-03T08:00/2024-05-03T18:00"},
	})
	w.expect(expect{outcome: calibration.Valid})
}

// From a later day on only: days before it stand.
func TestWithdrawnFromALaterDay(t *testing.T) {
	w := newWorld(t, "monitoring")
	c := w.calibrated(w.meter, "2024-02-01")
	w.calibrated(w.calibrator, "2024-01-10")
	w.check("2024-05-03T07:50:00Z", 93_90)
	w.measured("2024-05-03T08:00:00Z", "2024-05-05T18:00:00Z")
	w.check("2024-05-05T18:05:00Z", 93_90)
	w.withdrawn(c, "2024-05-04", "2024-06-01T10:00:00Z")
	w.expect(expect{
		outcome: calibration.ValidInPart, findings: []string{"certificate_withdrawn 2024-05-03T23:00/2024-05-05T18:00"},
		usable: []string{"2024-05-03T08:00/2024-05-03T23:00"},
	})
	w.Statuses[0].Status = calibration.Superseded
	w.expect(expect{outcome: calibration.ValidInPart, findings: []string{"certificate_superseded 2024-05-03T23:00/2024-05-05T18:00"}})
}

// A certificate entered by mistake is not deleted but withdrawn; what it seemed to replace stands again, and what it
// said of the meter as found is not believed.
func TestCertificateEnteredByMistake(t *testing.T) {
	w := inDateAndChecked(t)
	first := w.calibrated(w.meter, "2023-06-10")
	wrong := w.calibrated(w.meter, "2024-02-01", func(c *calibration.Certificate) {
		c.ReplacesID, c.DueOverrideOn, c.AsFound = first.ID, day("2024-03-01"), calibration.Fail
	})
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibration_lapsed_before" + wholeDay}})
	w.withdrawn(wrong, "2024-02-01", early, func(s *calibration.CertificateStatus) { s.Reason = "entry error" })
	w.expect(expect{outcome: calibration.Valid})
}

// A void certificate is no good calibration either, since which use could be in doubt.
func TestVoidCertificateIsNoGoodOne(t *testing.T) {
	w := inDateAndChecked(t)
	w.calibrated(w.meter, "2023-06-10")
	void := w.calibrated(w.meter, "2024-06-04")
	w.withdrawn(void, "2024-06-04", early)
	w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) { c.AsFound = calibration.Fail })
	w.expect(expect{outcome: calibration.Undetermined, findings: []string{"next_as_found_failed" + wholeDay}, pending: []string{wholeDay[1:]}})
}

// A certificate that named another serial number by mistake, substituted by one that names the right one: what was open is settled.
func TestSubstituteWithTheRightSerialNumber(t *testing.T) {
	w := inDateAndChecked(t)
	wrong := w.calibrated(w.meter, "2024-02-01", func(c *calibration.Certificate) { c.ItemSerialNumber = "another" })
	w.expect(expect{outcome: calibration.Undetermined, findings: []string{"serial_number_mismatch" + wholeDay}, pending: []string{wholeDay[1:]}})
	w.calibrated(w.meter, "2024-02-01", func(c *calibration.Certificate) {
		c.Number, c.ReplacesID, c.ItemSerialNumber = "S", wrong.ID, w.Instruments[0].SerialNumber
	})
	w.expect(expect{outcome: calibration.Valid, infos: []string{"certificate_superseded"}})
}

// The microphone of another meter: the certificate of the pair covers it no longer.
func TestSwappedMicrophone(t *testing.T) {
	setup := func(t *testing.T) (w *world, own, other calibration.Instrument) {
		w = inDateAndChecked(t)
		w.calibrated(w.meter, "2024-02-01")
		own, other = w.instrument(calibration.Microphone, ""), w.instrument(calibration.Microphone, "")
		other.SerialNumber = "another"
		w.Instruments[len(w.Instruments)-1] = other
		return w, own, other
	}
	altered := []string{"altered_since_calibration" + wholeDay}
	t.Run("the calibrated one", func(t *testing.T) {
		w, own, _ := setup(t)
		w.fitted(w.meter, own.ID, early, "")
		w.expect(expect{outcome: calibration.Valid})
	})
	t.Run("another since", func(t *testing.T) {
		w, own, other := setup(t)
		w.fitted(w.meter, own.ID, early, "2024-05-01T00:00:00Z")
		w.fitted(w.meter, other.ID, "2024-05-01T00:00:00Z", "")
		w.expect(expect{outcome: calibration.NotValid, findings: altered})
		// Calibrated by itself, a person decides.
		w.calibrated(other.ID, "2024-03-01")
		w.expect(expect{outcome: calibration.Undetermined, findings: altered, pending: []string{wholeDay[1:]}})
	})
	t.Run("put back", func(t *testing.T) {
		w, own, other := setup(t)
		w.fitted(w.meter, own.ID, early, "2024-05-01T00:00:00Z")
		w.fitted(w.meter, other.ID, "2024-05-01T00:00:00Z", "2024-05-20T00:00:00Z")
		w.fitted(w.meter, own.ID, "2024-05-20T00:00:00Z", "")
		w.expect(expect{outcome: calibration.Valid})
	})
	t.Run("from another meter, nothing known of this one", func(t *testing.T) {
		w, _, other := setup(t)
		w.fitted(w.instrument(calibration.SoundLevelMeter, "1").ID, other.ID, early, "2024-05-01T00:00:00Z")
		w.fitted(w.meter, other.ID, "2024-05-01T00:00:00Z", "")
		w.expect(expect{outcome: calibration.NotValid, findings: altered})
	})
	t.Run("another named on the certificate", func(t *testing.T) {
		w, own, _ := setup(t)
		w.fitted(w.meter, own.ID, early, "")
		c := &w.Certificates[1]
		c.Parts = []calibration.CertifiedPart{{Kind: calibration.Microphone, SerialNumber: "another"}}
		w.expect(expect{outcome: calibration.Undetermined, findings: []string{"serial_number_mismatch" + wholeDay}, pending: []string{wholeDay[1:]}})
		c.Parts[0].SerialNumber = own.SerialNumber
		w.expect(expect{outcome: calibration.Valid})
	})
	t.Run("its own certificate lapsed", func(t *testing.T) {
		w, own, _ := setup(t)
		w.fitted(w.meter, own.ID, early, "")
		w.calibrated(own.ID, "2022-01-10")
		w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibration_lapsed_before" + wholeDay}})
	})
	t.Run("its own certificate lapsed, fitted while nothing was measured", func(t *testing.T) {
		w, own, _ := setup(t)
		w.Series[0].Stretches = []series.Span{
			{From: instant("2024-06-03T08:00:00Z"), To: instant("2024-06-03T10:00:00Z")}, {From: instant("2024-06-03T12:00:00Z"), To: instant("2024-06-03T18:00:00Z")},
		}
		w.fitted(w.meter, own.ID, "2024-06-03T10:00:00Z", "2024-06-03T12:00:00Z")
		w.calibrated(own.ID, "2022-01-10")
		w.expect(expect{outcome: calibration.Valid})
		if parts := calibration.TraceOf(w.Facts).Series[0].Parts; parts != nil {
			t.Errorf("the trace names %v; want no part", parts)
		}
	})
	t.Run("damaged on the meter", func(t *testing.T) {
		w, own, _ := setup(t)
		w.fitted(w.meter, own.ID, early, "")
		w.happened(own.ID, calibration.Damage, "2024-05-01")
		w.expect(expect{outcome: calibration.NotValid, findings: altered})
	})
}

// A spectrum needs the filters covered: those of the filter set fitted count for the meter's.
func TestFilterSetCoversBands(t *testing.T) {
	w := inDateAndChecked(t)
	w.calibrated(w.meter, "2024-02-01")
	w.Series[0].Bands = true
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"no_certificate" + wholeDay}})
	set := w.instrument(calibration.FilterSet, "1")
	w.fitted(w.meter, set.ID, early, "")
	w.calibrated(set.ID, "2024-02-01")
	w.expect(expect{outcome: calibration.Valid})
	w.happened(set.ID, calibration.Repair, "2024-03-01")
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"altered_since_calibration" + wholeDay}})
	w.Series[0].Bands = false // a level asks for no filters
	w.expect(expect{outcome: calibration.Valid})
}

// IEC 60942:2017 permits a laboratory U of at most 0.15 dB for class 1 (from memory); a certificate may state its own.
func TestUncertaintyAboveThePermitted(t *testing.T) {
	db := func(l acoustic.Level) *acoustic.Level { return &l }
	hz := 1000.0
	for u, open := range map[acoustic.Decibel]bool{0.10: false, 0.15: false, 0.16: true} {
		w := inDateAndChecked(t)
		w.calibrated(w.meter, "2024-02-01")
		w.Certificates[0].Results = []calibration.CertificateResult{{
			Phase: calibration.AsLeft, NominalDB: db(94_00), FrequencyHz: &hz,
			DeviationDB: db(-10), ExpandedUncertaintyDB: &u,
		}}
		want := expect{outcome: calibration.Valid}
		if open {
			want = expect{outcome: calibration.Undetermined, findings: []string{"uncertainty_missing" + wholeDay}, pending: []string{wholeDay[1:]}}
		}
		w.expect(want)
		most := acoustic.Decibel(0.2)
		w.Certificates[0].Results[0].MaximumUncertaintyDB = &most
		w.expect(expect{outcome: calibration.Valid})

		w.Certificates[1].Results = []calibration.CertificateResult{{Phase: calibration.AsLeft, DeviationDB: db(10), ExpandedUncertaintyDB: &u}}
		w.expect(expect{outcome: calibration.Valid})
		most = 0.155
		w.Certificates[0].Results = nil
		w.Certificates[1].Results[0].MaximumUncertaintyDB = &most
		w.expect(want)
	}
}

// Accreditation is judged on the day of calibration: a suspension afterwards changes nothing.
func TestAccreditationSuspendedAfterwards(t *testing.T) {
	w := inDateAndChecked(t)
	w.calibrated(w.meter, "2024-02-01")
	laboratory := func(from, to string) calibration.Laboratory {
		return calibration.Laboratory{
			ID: w.Certificates[0].LaboratoryID, Version: 1, RecordedAt: w.recorded,
			Accreditations: []calibration.Accreditation{{Body: "Invented", Number: "1", From: day(from), To: day(to)}},
		}
	}
	w.Laboratories = []calibration.Laboratory{laboratory("2020-01-01", "2024-02-01")}
	w.expect(expect{outcome: calibration.Valid})
	w.Laboratories = []calibration.Laboratory{laboratory("2020-01-01", "2024-01-31")}
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"laboratory_not_accredited"}})
}

func TestValidateEventsStatusesAndComponents(t *testing.T) {
	w := newWorld(t, "environmental")
	c := w.calibrated(w.meter, "2024-02-01")
	microphone := w.instrument(calibration.Microphone, "")
	meter, calibrator := w.Instruments[0], w.Instruments[1]
	from, to := instant(morning), instant(evening)
	fit := calibration.Component{ID: w.id(), InstrumentID: w.meter, PartID: microphone.ID, From: from, To: &to}
	elsewhere := calibration.Component{ID: w.id(), InstrumentID: w.id(), PartID: microphone.ID, From: to}
	tests := []struct {
		name  string
		err   error
		paths []string
	}{
		{"event", calibration.Event{InstrumentID: w.meter, Kind: calibration.Repair, On: day("2024-01-01")}.Validate(), nil},
		{"empty event", calibration.Event{}.Validate(), []string{"instrument_id", "kind", "on"}},
		{"withdrawal", calibration.CertificateStatus{Status: calibration.Withdrawn, EffectiveFrom: day("2024-02-01"), Reason: "r"}.Validate(c), nil},
		{
			"withdrawal too early", calibration.CertificateStatus{Status: calibration.Withdrawn, EffectiveFrom: day("2024-01-31"), Reason: "r"}.Validate(c),
			[]string{"effective_from"},
		},
		{"empty status", calibration.CertificateStatus{Status: "gone"}.Validate(c), []string{"status", "reason", "effective_from"}},
		{"component", fit.Validate(), nil},
		{"component backwards", calibration.Component{InstrumentID: w.meter, PartID: w.meter, From: to, To: &from}.Validate(), []string{"to"}},
		{"microphone on a meter, later on another", fit.ValidateWith(meter, microphone, []calibration.Component{fit, elsewhere}), nil},
		{"calibrator as a part", fit.ValidateWith(meter, calibrator, nil), []string{"part_id"}},
		{"microphone in two meters", calibration.Component{ID: w.id(), PartID: microphone.ID, From: from}.ValidateWith(meter, microphone,
			[]calibration.Component{elsewhere}), []string{"from"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { wantFields(t, tt.err, tt.paths) })
	}
}

// wantFields compares the paths of what err says is wrong.
func wantFields(t *testing.T, err error, want []string) {
	t.Helper()
	var got []string
	if e, ok := err.(*fault.Error); ok { //nolint:errorlint // Validate returns it bare
		for _, f := range e.Fields {
			got = append(got, f.Path)
		}
	}
	if len(got) != len(want) {
		t.Fatalf("wrong fields = %q, want %q (%v)", got, want, err)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("wrong fields = %q, want %q", got, want)
		}
	}
}
