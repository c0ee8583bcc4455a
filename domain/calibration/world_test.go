package calibration_test

import (
	"encoding/binary"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// world is an invented set of facts: a class 1 meter and a class 1 calibrator in
// London, to which each test adds what its case is about. Whatever it adds is
// recorded at recorded, one minute after nothing was known at all.
type world struct {
	t *testing.T
	calibration.Facts
	meter, calibrator uuid.UUID
	recorded          time.Time
	ids               uint64
}

var london, _ = time.LoadLocation("Europe/London")

func newWorld(t *testing.T, profile string) *world {
	w := &world{t: t, recorded: instant("2020-01-01T00:01:00Z")}
	w.Zone = london
	w.AsKnownAt = instant("2027-01-01T00:00:00Z")
	w.SurveyID = w.id()
	i := slices.IndexFunc(calibration.BuiltIn(), func(p calibration.RuleProfile) bool { return p.Code == profile })
	w.Profile = calibration.BuiltIn()[i]
	w.meter = w.instrument(calibration.SoundLevelMeter, "1").ID
	w.calibrator = w.instrument(calibration.SoundCalibrator, "1").ID
	return w
}

func (w *world) id() (id uuid.UUID) {
	w.ids++
	binary.BigEndian.PutUint64(id[8:], w.ids)
	return id
}

func (w *world) instrument(k calibration.Kind, class string) calibration.Instrument {
	i := calibration.Instrument{
		ID: w.id(), Kind: k, Manufacturer: "Invented", Model: "M", SerialNumber: "S" + string(k), Class: class,
		Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded,
	}.WithDefaults()
	w.Instruments = append(w.Instruments, i)
	return i
}

// calibrated adds a certificate of accredited calibration on one day, issued that day.
func (w *world) calibrated(instrument uuid.UUID, on string, change ...func(*calibration.Certificate)) calibration.Certificate {
	i := slices.IndexFunc(w.Instruments, func(i calibration.Instrument) bool { return i.ID == instrument })
	c := calibration.Certificate{
		ID: w.id(), InstrumentID: instrument, LaboratoryID: w.SurveyID, Accredited: true,
		Number: "C-" + on, CalibratedOn: day(on), CalibratedFrom: day(on), IssuedOn: day(on),
		AsFound: calibration.Pass, AsLeft: calibration.Pass, Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded,
	}.WithDefaults(w.Instruments[i].Kind)
	for _, f := range change {
		f(&c)
	}
	w.Certificates = append(w.Certificates, c)
	return c
}

// inDate covers the meter and the calibrator on a day.
func (w *world) inDate(on string) {
	w.calibrated(w.meter, day(on).AddMonths(-6).String())
	w.calibrated(w.calibrator, day(on).AddMonths(-6).String())
}

// check adds a field check against 93.90 dB, in hundredths.
func (w *world) check(at string, found acoustic.Level, change ...func(*calibration.FieldCheck)) calibration.FieldCheck {
	c := calibration.FieldCheck{
		ID: w.id(), InstrumentID: w.meter, CalibratorID: w.calibrator, At: instant(at),
		NominalDB: 94_00, FrequencyHz: 1000, ExpectedDB: 93_90, AsFoundDB: found,
		Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded,
	}.WithDefaults()
	for _, f := range change {
		f(&c)
	}
	w.Checks = append(w.Checks, c)
	return c
}

func left(l acoustic.Level) func(*calibration.FieldCheck) {
	return func(c *calibration.FieldCheck) { c.AsLeftDB = &l }
}

func with(calibrator uuid.UUID) func(*calibration.FieldCheck) {
	return func(c *calibration.FieldCheck) { c.CalibratorID = calibrator }
}

// measured adds a series of the meter.
func (w *world) measured(from, to string) calibration.SeriesUse {
	s := calibration.SeriesUse{
		ID: w.id(), Version: 1, InstrumentID: w.meter, Channel: 1,
		Stretches: []series.Span{{From: instant(from), To: instant(to)}},
	}
	w.Series = append(w.Series, s)
	return s
}

func (w *world) knownAt(at string) *world {
	v := *w
	v.AsKnownAt = instant(at)
	return &v
}

// expect decides and compares the survey's outcome, the graver findings and the
// remarks (each as "rule" or "rule from/to"), and the usable spans of the first series.
type expect struct {
	outcome  calibration.Outcome
	findings []string // fails and undetermined
	remarks  []string
	infos    []string
	usable   []string // nil: not compared
	pending  []string
}

func (w *world) expect(e expect) calibration.Verdict {
	w.t.Helper()
	v := calibration.Decide(w.Facts)
	if v.Outcome != e.outcome {
		w.t.Errorf("outcome = %s, want %s", v.Outcome, e.outcome)
	}
	var findings, remarks, infos []string
	for _, f := range v.Findings {
		switch f.Severity {
		case calibration.SeverityFail, calibration.SeverityUndetermined:
			findings = append(findings, string(f.Rule)+" "+span(series.Span{From: *f.From, To: *f.To}))
		case calibration.SeverityRemark:
			remarks = append(remarks, string(f.Rule))
		default:
			infos = append(infos, string(f.Rule))
		}
	}
	compare := func(what string, got, want []string) {
		w.t.Helper()
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			w.t.Errorf("%s = %q, want %q", what, got, want)
		}
	}
	compare("fails and undetermined", findings, e.findings)
	compare("remarks", remarks, e.remarks)
	compare("infos", infos, e.infos)
	if e.usable != nil {
		compare("usable", spans(v.Series[0].Usable), e.usable)
	}
	compare("pending", spans(v.Series[0].Pending), e.pending)
	if w.t.Failed() {
		for _, f := range v.Findings {
			w.t.Logf("%s %s: %s (%s)", f.Severity, f.Rule, f.Detail, f.Reference)
		}
	}
	return v
}

func spans(all []series.Span) []string {
	s := []string{}
	for _, x := range all {
		s = append(s, span(x))
	}
	return s
}

// span writes a span as "2024-03-02T09:00/2024-03-02T17:00" in UTC.
func span(s series.Span) string {
	const minute = "2006-01-02T15:04"
	return s.From.UTC().Format(minute) + "/" + s.To.UTC().Format(minute)
}

func instant(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

func day(s string) civil.Date {
	d, err := civil.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}
