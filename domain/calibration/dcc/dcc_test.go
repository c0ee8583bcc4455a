package dcc_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/calibration/dcc"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// The names of elements and types are those of PTB's schema, version 3.1.2, and of its
// good-practice examples; the newer form of uncertainty is that of D-SI 2.2.

func file(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func read(t testing.TB, name, language string) dcc.Certificate {
	t.Helper()
	c, err := dcc.Read(file(t, name), language)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func db(l acoustic.Level) *acoustic.Level { return new(l) }

func ptr[T any](v T) *T { return new(v) }

func codes(ws []dcc.Warning) (all []string) {
	for _, w := range ws {
		all = append(all, w.Code)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func TestReadCalibrator(t *testing.T) {
	got := read(t, "calibrator-3.1.2.xml", "en")
	if got.SchemaVersion != "3.1.2" || got.Language != "en" || got.Signed || len(got.Drafts) != 1 {
		t.Fatalf("certificate of version %s in %s, signed %t, %d drafts", got.SchemaVersion, got.Language, got.Signed, len(got.Drafts))
	}
	d := got.Drafts[0]
	if diff := cmp.Diff([]string{"accreditation_to_confirm", "issue_date_missing"}, codes(d.Warnings)); diff != "" {
		t.Errorf("warnings (-want +got):\n%s", diff)
	}
	d.Warnings = nil
	want := dcc.Draft{
		Item: dcc.Item{
			Name: "Sound calibrator, class 1", Kind: calibration.SoundCalibrator, Manufacturer: "Invented Tones", Model: "T-2",
			SerialNumber: "90210", AssetNumber: "A-31", Specification: "IEC 60942:2017", Class: "1",
		},
		Laboratory: "Invented Laboratory", Customer: "Invented Consultancy", ReceivedOn: civil.Date{Year: 2025, Month: 2, Day: 3}, Location: "laboratory",
		Certificate: calibration.Certificate{
			Accreditation: "9999", Scope: []calibration.Scope{calibration.ScopeCalibrator}, ItemSerialNumber: "90210", Number: "INVENTED-2025-17",
			CalibratedFrom: civil.Date{Year: 2025, Month: 2, Day: 6}, CalibratedOn: civil.Date{Year: 2025, Month: 2, Day: 7},
			LaboratoryDueOn: civil.Date{Year: 2027, Month: 2, Day: 7}, Standard: "IEC 60942:2017 Annex B",
			AsFound: calibration.Fail, AsLeft: calibration.Pass, Adjusted: true, PatternEvidence: "not_stated", PersonAuthorising: "S. Igner", State: calibration.Draft,
			ReferenceStandards: []calibration.ReferenceStandard{{Description: "Standard microphone 77", Certificate: "NMI-2024-5"}},
			Results: []calibration.CertificateResult{
				{
					Phase: calibration.AsFound, Test: "As found: Level re 20 µPa, nominal 94 dB, 1 kHz", NominalDB: db(94_00), FrequencyHz: new(1000.0), DeviationDB: db(-38),
					ExpandedUncertaintyDB: ptr(acoustic.Decibel(0.09)), CoverageFactor: new(2.0),
				},
				{
					Phase: calibration.AsLeft, Test: "As left: Level re 20 µPa, nominal 94 dB, 1 kHz", NominalDB: db(94_00), FrequencyHz: new(1000.0), DeviationDB: db(3),
					ExpandedUncertaintyDB: ptr(acoustic.Decibel(0.09)), CoverageFactor: new(2.0),
				},
			},
		},
	}
	if diff := cmp.Diff(want, d); diff != "" {
		t.Errorf("draft (-want +got):\n%s", diff)
	}
	// What it says of the level is what a field check expects.
	level, ok := calibration.ExpectedLevel(calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 1000}.WithDefaults(), d.Certificate)
	if !ok || level != 94_03 {
		t.Errorf("expected level = %v, %t; want 94.03", level, ok)
	}
}

func TestReadChoosesTheLanguage(t *testing.T) {
	for language, want := range map[string]string{"": "Erfundenes Labor", "de": "Erfundenes Labor", "en": "Invented Laboratory", "fr": "Erfundenes Labor"} {
		if got := read(t, "calibrator-3.1.2.xml", language).Drafts[0].Laboratory; got != want {
			t.Errorf("in %q the laboratory is %q, want %q", language, got, want)
		}
	}
}

func TestReadMeterWithParts(t *testing.T) {
	got := read(t, "meter-3.3.0.xml", "")
	if !got.Signed || len(got.Drafts) != 3 {
		t.Fatalf("signed %t, %d drafts; want a signature and three", got.Signed, len(got.Drafts))
	}
	kinds := []calibration.Kind{got.Drafts[0].Item.Kind, got.Drafts[1].Item.Kind, got.Drafts[2].Item.Kind}
	if !slices.Equal(kinds, []calibration.Kind{calibration.Microphone, calibration.SoundLevelMeter, calibration.Preamplifier}) {
		t.Errorf("kinds = %q", kinds)
	}
	d := got.Drafts[1]
	c := d.Certificate
	if c.IssuedOn != (civil.Date{Year: 2025, Month: 3, Day: 14}) || d.ReplacesNumber != "INVENTED-2025-18" || d.ReplacesHow != "substituted" ||
		c.AsLeft != calibration.Pass || c.AsFound != calibration.Pass || !c.Adjusted || c.Standard != "IEC 61672-3:2013" {
		t.Errorf("draft = %+v", d)
	}
	if diff := cmp.Diff([]calibration.CertifiedPart{{Kind: calibration.Microphone, SerialNumber: "M-5"}, {Kind: calibration.Preamplifier, SerialNumber: "P-3"}}, c.Parts); diff != "" {
		t.Errorf("parts (-want +got):\n%s", diff)
	}
	line := func(hz float64, dev, low, high acoustic.Level, u acoustic.Decibel) calibration.CertificateResult {
		return calibration.CertificateResult{
			Phase: calibration.AsLeft, Test: "Acoustical test, re 20 uPa", NominalDB: db(94_00), FrequencyHz: &hz, DeviationDB: &dev,
			LimitLowDB: &low, LimitHighDB: &high, ExpandedUncertaintyDB: &u, CoverageFactor: new(2.1),
		}
	}
	want := []calibration.CertificateResult{
		line(125, 20, -1_00, 1_00, 0.3), line(1000, -10, -70, 70, 0.25), line(8000, 1_10, -2_50, 1_50, 0.6),
		{
			Phase: calibration.AsFound, Test: "Indication at 1 kHz: Deviation", FrequencyHz: new(1000.0), DeviationDB: db(-80), LimitLowDB: db(-70),
			ExpandedUncertaintyDB: ptr(acoustic.Decibel(0.2)), CoverageFactor: new(2.0),
		},
	}
	if diff := cmp.Diff(want, c.Results); diff != "" {
		t.Errorf("results (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"accreditation_to_confirm", "conformity_contradicted", "replaces_another", "several_items", "signature_not_verified"}, codes(d.Warnings)); diff != "" {
		t.Errorf("warnings (-want +got):\n%s", diff)
	}
	if n := len(got.Drafts[0].Certificate.Results); n != 1 {
		t.Errorf("the microphone has %d results, want the one that names it", n)
	}
	if n := len(got.Drafts[2].Certificate.Results); n != 0 || !slices.Contains(codes(got.Drafts[2].Warnings), "results_missing") {
		t.Errorf("the preamplifier has %d results", n)
	}
}

// An old and poor file is read as far as it goes, and says what is missing.
func TestReadSaysWhatIsMissing(t *testing.T) {
	d := read(t, "meter-2.4.0.xml", "").Drafts[0]
	want := []string{
		"accreditation_to_confirm", "adjustment_not_stated", "conformity_conditional", "dates_out_of_order", "issue_date_missing", "kind_unknown",
		"nominal_level_missing", "reference_not_stated", "serial_number_missing", "uncertainty_missing",
	}
	if diff := cmp.Diff(want, codes(d.Warnings)); diff != "" {
		t.Errorf("warnings (-want +got):\n%s", diff)
	}
	if c := d.Certificate; c.AsLeft != calibration.NotStated || c.AsFound != calibration.NotStated || c.Number != "INVENTED-2021-4" || len(c.Results) != 1 || c.Results[0].DeviationDB != nil {
		t.Errorf("draft = %+v", c)
	}
}

func TestReadRefuses(t *testing.T) {
	good := string(file(t, "calibrator-3.1.2.xml"))
	change := func(old, now string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("%q is not in the file", old)
		}
		return strings.Replace(good, old, now, 1)
	}
	const head = `<?xml version="1.0" encoding="UTF-8"?>`
	tests := map[string]string{
		"empty":              "",
		"no XML":             "%PDF-1.7",
		"another root":       "<a/>",
		"two roots":          good + "<b/>",
		"cut off":            good[:len(good)-40],
		"document type":      change(head, head+`<!DOCTYPE x SYSTEM "http://example.invalid/x.dtd">`),
		"exploding entities": change(head, head+`<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;">]>`),
		"unknown entity":     change("Invented Tones", "&tones;"),
		"another encoding":   change("UTF-8", "UTF-16"),
		"no UTF-8":           change("Invented Tones", "\xff\xfe"),
		"version 1":          change(`schemaVersion="3.1.2"`, `schemaVersion="1.0.0"`),
		"version 4":          change(`schemaVersion="3.1.2"`, `schemaVersion="4.0.0"`),
		"no version":         change(`schemaVersion="3.1.2"`, ""),
		"no identifier":      change("INVENTED-2025-17", ""),
		"no last day":        change("2025-02-07+01:00", ""),
		"no date":            change("2025-02-07+01:00", "last week"),
		"deep":               head + strings.Repeat("<a>", 100) + strings.Repeat("</a>", 100),
		"many":               head + "<a>" + strings.Repeat("<b/>", 250_000) + "</a>",
		"many items":         change("<dcc:items>", "<dcc:items>"+strings.Repeat("<dcc:item/>", 100)),
		"large":              head + "<a>" + strings.Repeat(" ", dcc.MaxBytes) + "</a>",
	}
	for name, s := range tests {
		t.Run(name, func(t *testing.T) {
			c, err := dcc.Read([]byte(s), "")
			if fault.KindOf(err) != fault.Invalid {
				t.Errorf("Read = %+v, %v; want it refused", c, err)
			}
		})
	}
}

// Files made to take long are read or refused at once: pieces of text between comments, a list of a million levels,
// a name of many texts for a table of many lines.
func TestReadBoundsItsWork(t *testing.T) {
	good := string(file(t, "calibrator-3.1.2.xml"))
	tests := map[string][2]string{
		"pieces of text": {"<dcc:model>T-2", "<dcc:model>" + strings.Repeat("x<!---->", 1<<20)},
		"a long list":    {"<si:real><si:value>94.03</si:value>", "<si:realListXMLList><si:valueXMLList>" + strings.Repeat("94.01 ", 1<<20) + "</si:valueXMLList><si:unitXMLList>\\decibel</si:unitXMLList></si:realListXMLList><si:real><si:value>1</si:value>"},
		"a long name":    {`<dcc:content lang="en">Frequency`, strings.Repeat(`<dcc:content lang="en">Frequency</dcc:content>`, 150_000) + `<dcc:content lang="en">`},
	}
	for name, change := range tests {
		t.Run(name, func(t *testing.T) {
			s := strings.Replace(good, change[0], change[1], 1)
			if s == good {
				t.Fatal("nothing was changed")
			}
			begun := time.Now()
			c, err := dcc.Read([]byte(s), "")
			if took := time.Since(begun); took > 20*time.Second {
				t.Errorf("took %v", took)
			}
			if err != nil {
				t.Fatal(err)
			}
			d := c.Drafts[0]
			if len(d.Certificate.Results) > 10_000 || len(d.Item.Model) > 1000 {
				t.Errorf("%d results, model of %d bytes", len(d.Certificate.Results), len(d.Item.Model))
			}
			if many := slices.Contains(codes(d.Warnings), "too_many_results"); many != (name == "a long list") {
				t.Errorf("says that there are too many results: %t", many)
			}
		})
	}
}

// Whatever comes, reading ends, and what it makes of it can be stored once a person has named instrument and laboratory.
func FuzzRead(f *testing.F) {
	for _, name := range []string{"calibrator-3.1.2.xml", "meter-3.3.0.xml", "meter-2.4.0.xml"} {
		f.Add(file(f, name))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := dcc.Read(b, "en")
		if err != nil {
			if fault.KindOf(err) != fault.Invalid {
				t.Errorf("Read fails with %v, which is not Invalid", err)
			}
			return
		}
		for _, d := range c.Drafts {
			d.Certificate.InstrumentID[0], d.Certificate.LaboratoryID[0] = 1, 1
			if d.Item.Kind == "" {
				d.Certificate.Scope = []calibration.Scope{calibration.ScopeSoundLevelMeter}
			}
			if err := d.Certificate.Validate(); err != nil {
				t.Errorf("the draft cannot be stored: %v", err)
			}
		}
	})
}
