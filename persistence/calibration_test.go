package persistence_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// The records of these tests have a different value in every member, so that a
// swapped column shows. All are invented.

func open(t *testing.T, db pgtest.Database) (context.Context, *persistence.Store) {
	t.Helper()
	s, err := persistence.Open(t.Context(), db.App)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return access.With(t.Context(), access.Caller{All: true}), s
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

func must[T any](t *testing.T) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func day(y int, m time.Month, d int) civil.Date { return civil.Date{Year: y, Month: m, Day: d} }

// same compares records; what the store itself sets is left out.
func same[T any](t *testing.T, want, got T, set ...string) {
	t.Helper()
	var zero T
	if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(zero, set...), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("%T (-want +got):\n%s", zero, diff)
	}
}

var stamps = []string{"ID", "Version", "CreatedAt", "RecordedAt"}

func calibrator(serial string) calibration.Instrument {
	return calibration.Instrument{
		Kind: calibration.SoundCalibrator, Manufacturer: "Invented Works", Model: "Kappa", SerialNumber: serial,
		Class: "LS", Specification: "IEC 60942:2017",
	}
}

func TestCalibrationRecordsComeBackAsStored(t *testing.T) {
	t.Parallel()
	ctx, s := open(t, pgtest.New(t))

	lab := calibration.Laboratory{Name: "Invented Laboratory", Accreditations: []calibration.Accreditation{
		{Body: "Invented Body", Number: "INV-7", Scope: "acoustics", From: day(2020, 1, 2), To: day(2024, 3, 4)},
		{Body: "Another Body", Number: "ANO-8", From: day(2024, 3, 5)},
	}}
	storedLab := must[calibration.Laboratory](t)(s.CreateLaboratory(ctx, lab))
	same(t, lab, storedLab, stamps...)
	same(t, storedLab, must[calibration.Laboratory](t)(s.Laboratory(ctx, storedLab.ID)))

	cal := calibrator("K-1")
	storedCal := must[calibration.Instrument](t)(s.CreateInstrument(ctx, cal))
	same(t, cal, storedCal, stamps...)
	meter := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibration.Instrument{
		Kind: calibration.SoundLevelMeter, Manufacturer: "Invented Works", Model: "Mu", SerialNumber: "M-1", Class: "1",
		Specification: "IEC 61672-1:2013",
	}))

	sparse := calibration.Certificate{
		InstrumentID: storedCal.ID, LaboratoryID: storedLab.ID, Number: "N-0", CalibratedOn: day(2024, 2, 3), AsLeft: calibration.Fail,
	}.WithDefaults(calibration.SoundCalibrator)
	storedSparse := must[calibration.Certificate](t)(s.CreateCertificate(ctx, sparse, ""))
	same(t, sparse, storedSparse, stamps...)

	level := func(l acoustic.Level) *acoustic.Level { return &l }
	hz, u, k, most := 1000.5, acoustic.Decibel(0.123), 2.25, acoustic.Decibel(0.456)
	full := calibration.Certificate{
		InstrumentID: storedCal.ID, LaboratoryID: storedLab.ID, Accreditation: "INV-7", Accredited: true,
		Scope:            []calibration.Scope{calibration.ScopeCalibrator, calibration.ScopeMicrophone},
		ItemSerialNumber: "K-1x", Number: "N-1", Revision: 3, ReplacesID: storedSparse.ID,
		CalibratedFrom: day(2025, 1, 2), CalibratedOn: day(2025, 1, 3), IssuedOn: day(2025, 1, 4),
		Standard: "IEC 60942:2017", AsFound: calibration.Pass, AsLeft: calibration.NotStated, Adjusted: true,
		PatternEvidence: "public", PersonAuthorising: "A. Nobody",
		LaboratoryDueOn: day(2026, 1, 5), DueOverrideOn: day(2025, 12, 6),
		ReferenceStandards: []calibration.ReferenceStandard{{Description: "Invented standard", Certificate: "REF-9"}},
		Results: []calibration.CertificateResult{
			{
				Phase: calibration.AsLeft, Test: "level", NominalDB: level(94_00), FrequencyHz: &hz, DeviationDB: level(-13),
				LimitLowDB: level(-25), LimitHighDB: level(26), ExpandedUncertaintyDB: &u, CoverageFactor: &k, InScope: true,
			},
			{Phase: calibration.AsFound, MaximumUncertaintyDB: &most},
		},
		Parts: []calibration.CertifiedPart{{Kind: calibration.Microphone, SerialNumber: "P-1"}, {Kind: calibration.Preamplifier, SerialNumber: "V-2"}},
		State: calibration.Draft,
	}
	storedFull := must[calibration.Certificate](t)(s.CreateCertificate(ctx, full, ""))
	same(t, full, storedFull, stamps...)
	same(t, storedFull, must[calibration.Certificate](t)(s.Certificate(ctx, storedFull.ID)))

	kPa, celsius := 98.7, -3.5
	check := calibration.FieldCheck{
		ID: newID(), InstrumentID: meter.ID, CalibratorID: storedCal.ID, Channel: 2,
		At: time.Date(2026, 3, 3, 6, 0, 0, 123456000, time.UTC), Signal: calibration.Electrical, Weighting: "C",
		NominalDB: 114_00, FrequencyHz: 251.19, ExpectedDB: 113_87, AsFoundDB: 113_75, AsLeftDB: level(113_86),
		PressureCorrectionDB: -11, VolumeCorrectionDB: 12, MicrophoneCorrectionDB: -13,
		StaticPressureKPa: &kPa, TemperatureC: &celsius,
	}
	storedCheck := must[calibration.FieldCheck](t)(s.CreateFieldCheck(ctx, check))
	same(t, check, storedCheck, stamps[1:]...)
	same(t, storedCheck, must[calibration.FieldCheck](t)(s.FieldCheck(ctx, check.ID)))

	storedCheck.AsLeftDB, storedCheck.TemperatureC = nil, nil
	changed := must[calibration.FieldCheck](t)(s.UpdateFieldCheck(ctx, storedCheck))
	same(t, storedCheck, changed, "Version", "RecordedAt")
	all := must[[]calibration.FieldCheck](t)(s.FieldCheckVersions(ctx, check.ID))
	if len(all) != 2 || all[0].Version != 1 || all[1].Version != 2 || all[0].AsLeftDB == nil || all[1].AsLeftDB != nil {
		t.Errorf("FieldCheckVersions = %+v; want the check before and after its change", all)
	}
	if _, err := s.UpdateFieldCheck(ctx, storedCheck); fault.KindOf(err) != fault.Conflict {
		t.Errorf("UpdateFieldCheck of a version that is not the current one = %v; want a conflict", err)
	}
}

func TestListsSelect(t *testing.T) {
	t.Parallel()
	ctx, s := open(t, pgtest.New(t))
	a := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibrator("K-1")))
	b := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibrator("K-2")))
	m := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibration.Instrument{
		Kind: calibration.Microphone, Manufacturer: "Invented Works", Model: "My", SerialNumber: "K-1",
	}))
	page := request.Page{Limit: 10}
	for _, tt := range []struct {
		serial, kind string
		page         request.Page
		want         []uuid.UUID
	}{
		{"", "", page, []uuid.UUID{a.ID, b.ID, m.ID}},
		{"K-1", "", page, []uuid.UUID{a.ID, m.ID}},
		{"", "sound_calibrator", page, []uuid.UUID{a.ID, b.ID}},
		{"K-1", "microphone", page, []uuid.UUID{m.ID}},
		{"", "", request.Page{After: a.ID, Limit: 1}, []uuid.UUID{b.ID}},
	} {
		var got []uuid.UUID
		for _, i := range must[[]calibration.Instrument](t)(s.Instruments(ctx, tt.serial, tt.kind, tt.page)) {
			got = append(got, i.ID)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("Instruments(%q, %q, %+v) (-want +got):\n%s", tt.serial, tt.kind, tt.page, diff)
		}
	}
}

func TestLaboratoryOfACertificateIsFoundOrMade(t *testing.T) {
	t.Parallel()
	ctx, s := open(t, pgtest.New(t))
	cal := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibrator("K-1")))
	certificate := func(number string) calibration.Certificate {
		return calibration.Certificate{InstrumentID: cal.ID, Number: number, CalibratedOn: day(2026, 1, 2)}.WithDefaults(cal.Kind)
	}
	first := must[calibration.Certificate](t)(s.CreateCertificate(ctx, certificate("N-1"), "Invented Laboratory"))
	again := must[calibration.Certificate](t)(s.CreateCertificate(ctx, certificate("N-2"), "Invented Laboratory"))
	other := must[calibration.Certificate](t)(s.CreateCertificate(ctx, certificate("N-1"), "Another Laboratory"))
	if first.LaboratoryID == uuid.Nil || first.LaboratoryID != again.LaboratoryID || first.LaboratoryID == other.LaboratoryID {
		t.Errorf("laboratories %s, %s, %s; want the first two the same, the third another", first.LaboratoryID, again.LaboratoryID, other.LaboratoryID)
	}
	of := must[map[uuid.UUID]calibration.Laboratory](t)(s.LaboratoriesOf(ctx, []uuid.UUID{first.LaboratoryID, other.LaboratoryID}))
	if len(of) != 2 || of[first.LaboratoryID].Name != "Invented Laboratory" || of[other.LaboratoryID].Name != "Another Laboratory" {
		t.Errorf("LaboratoriesOf = %v; want both by their ids", of)
	}
	repeated, err := s.CreateCertificate(ctx, certificate("N-1"), "Invented Laboratory")
	if f, ok := err.(*fault.Error); !ok || f.Code != "already_recorded" || repeated.ID != first.ID { //nolint:errorlint // the store returns its faults as they are
		t.Errorf("the same certificate again = %v, %v; want the first and that it is recorded", repeated.ID, err)
	}
	if got := must[[]calibration.Laboratory](t)(s.Laboratories(ctx, request.Page{Limit: 10})); len(got) != 2 {
		t.Errorf("%d laboratories; want 2: a refused certificate makes none", len(got))
	}
	bad := certificate("N-3")
	bad.LaboratoryID, bad.ReplacesID = newID(), newID()
	_, err = s.CreateCertificate(ctx, bad, "")
	wantPaths(t, err, "replaces_id", "laboratory_id")
}

func wantPaths(t *testing.T, err error, want ...string) {
	t.Helper()
	f, ok := err.(*fault.Error) //nolint:errorlint // the store returns its faults as they are
	if !ok || f.Kind != fault.Invalid {
		t.Fatalf("error = %v; want an invalid fault", err)
	}
	var got []string
	for _, field := range f.Fields {
		got = append(got, field.Path)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("members named by %v (-want +got):\n%s", err, diff)
	}
}
