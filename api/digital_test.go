package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The files are invented, in the names of elements of PTB's schema of Digital Calibration
// Certificates, versions 3.1.2 and 3.3.0; the reader's own tests say what each mapping rests on.

func digital(t testing.TB, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "domain", "calibration", "dcc", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var asXML = []string{"Content-Type", "application/xml"}

// drafts returns what the items of a digital certificate became.
func (a answer) drafts() []object {
	list, _ := a.body["drafts"].([]any)
	out := make([]object, len(list))
	for i := range list {
		out[i] = list[i].(object)
	}
	return out
}

func warned(draft object) (codes []string) {
	for _, w := range draft["warnings"].([]any) {
		codes = append(codes, w.(object)["code"].(string))
	}
	slices.Sort(codes)
	return codes
}

func TestDigitalCertificateOfACalibrator(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/instruments/"+s.calibrator, object{"serial_number": "90210", "manufacturer": "Invented Tones", "model": "T-2"}, "If-Match", `"v1"`)
	file := digital(t, "calibrator-3.1.2.xml")
	made := s.must(201, "POST", "/v1/certificates?language=en", file, asXML...)
	sum := sha256.Sum256([]byte(file))
	answered(t, object{"schema_version": "3.1.2", "language": "en", "signature": "absent", "bytes": float64(len(file)), "sha256": hex.EncodeToString(sum[:])}, made)
	if len(made.drafts()) != 1 {
		t.Fatalf("drafts = %s; want one", made.raw)
	}
	d := made.drafts()[0]
	if diff := cmp.Diff([]string{"accreditation_to_confirm", "issue_date_missing"}, warned(d)); diff != "" {
		t.Errorf("warnings (-want +got):\n%s", diff)
	}
	certificate := d["certificate"].(object)
	path := "/v1/certificates/" + certificate["id"].(string)
	read := s.must(200, "GET", path, nil)
	answered(t, certificate, read)
	answered(t, object{
		"instrument_id": s.calibrator, "state": "draft", "number": "INVENTED-2025-17", "calibrated_from": "2025-02-06", "calibrated_on": "2025-02-07",
		"issued_on": nil, "laboratory": object{"name": "Invented Laboratory", "accreditation": "9999"}, "accredited": false, "scope": []any{"calibrator"},
		"as_found": "fail", "as_left": "pass", "adjusted": true, "laboratory_due_on": "2027-02-07", "person_authorising": "S. Igner",
		"reference_standards": []any{object{"description": "Standard microphone 77", "certificate": "NMI-2024-5"}},
	}, read)
	// 93.62 and 94.03 dB of nominally 94 dB, each ± 0.09 dB with k = 2, as the file states.
	var lines [][3]any
	for _, r := range certificate["results"].([]any) {
		lines = append(lines, [3]any{r.(object)["phase"], r.(object)["deviation_db"], r.(object)["expanded_uncertainty_db"]})
	}
	if diff := cmp.Diff([][3]any{{"as_found", -0.38, 0.09}, {"as_left", 0.03, 0.09}}, lines); diff != "" {
		t.Errorf("results (-want +got):\n%s", diff)
	}
	document := s.must(200, "GET", path+"/document", nil)
	if string(document.raw) != file || document.header.Get("Content-Type") != "application/xml" {
		t.Error("the document is not the file, byte for byte")
	}

	// The same file again, under whichever type and language, changes nothing.
	again := s.must(200, "POST", "/v1/certificates", file, "Content-Type", "text/xml; charset=utf-8")
	if got := again.drafts()[0]; got["new"] != false || got["certificate"].(object)["id"] != certificate["id"] || d["new"] != true {
		t.Errorf("the same file again = %s; want the first draft", again.raw)
	}
	if got := s.must(200, "GET", "/v1/certificates?state=draft", nil).ids(); len(got) != 1 {
		t.Errorf("%d drafts; want one", len(got))
	}
	// The same certificate in another file is not taken for it, and nothing is changed.
	s.refused(409, "certificate_differs", []string{"/person_authorising differs"}, "POST", "/v1/certificates?language=en",
		strings.Replace(file, "S. Igner", "S. Other", 1), asXML...)
	s.refused(409, "certificate_differs", nil, "POST", "/v1/certificates?language=en", file+"\n", asXML...)
	answered(t, certificate, s.must(200, "GET", path, nil))
}

// The calibrator's certificate is a year older than the survey allows, so that its check does not count
// until the digital one is confirmed.
func TestDraftProvesNothingUntilConfirmed(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.must(200, "PATCH", "/v1/instruments/"+s.calibrator, object{"serial_number": "90210"}, "If-Match", `"v1"`)
	old := s.must(200, "GET", "/v1/certificates?instrument_id="+s.calibrator, nil).ids()[0]
	s.must(200, "PATCH", "/v1/certificates/"+old, object{
		"calibrated_from": "2024-01-13", "calibrated_on": "2024-01-13", "issued_on": nil, "item_serial_number": nil, "laboratory_due_on": nil, "due_override_on": nil,
	}, "If-Match", `"v1"`)
	file := digital(t, "calibrator-3.1.2.xml")
	for _, day := range []string{"2025-02-06", "2025-02-07"} {
		file = strings.ReplaceAll(file, day, strings.Replace(day, "2025", "2026", 1))
	}
	certificate := s.must(201, "POST", "/v1/certificates", file, asXML...).drafts()[0]["certificate"].(object)
	if got := rules(s.verdict()); !slices.Contains(got, "fail calibrator_not_covered") {
		t.Fatalf("findings = %q; want calibrator_not_covered while there is only a draft", got)
	}
	path := "/v1/certificates/" + certificate["id"].(string)
	s.must(200, "POST", path+"/confirmation", nil, "If-Match", s.must(200, "GET", path, nil).header.Get("ETag"))
	if got := rules(s.verdict()); slices.Contains(got, "fail calibrator_not_covered") {
		t.Errorf("findings = %q; want the calibrator covered", got)
	}
}

func TestDigitalCertificateOfSeveralItems(t *testing.T) {
	t.Parallel()
	s := serve(t)
	part := with(aMeter, object{"kind": "microphone", "serial_number": "M-5", "class": nil, "specification": nil})
	microphone := s.create("/v1/instruments", part)
	file := digital(t, "meter-3.3.0.xml")
	before := s.call("POST", "/v1/instruments/"+microphone+"/certificates", object{
		"laboratory": object{"name": "Invented Laboratory"}, "number": "INVENTED-2025-18", "calibrated_on": "2025-03-12",
	})
	made := s.must(201, "POST", "/v1/certificates", file, asXML...)
	answered(t, object{"schema_version": "3.3.0", "signature": "present_not_verified"}, made)
	ds := made.drafts()
	if len(ds) != 3 {
		t.Fatalf("%d drafts; want one for each item", len(ds))
	}
	of := func(i int) object { return ds[i]["certificate"].(object) }
	// The microphone is known, and the certificate that this one substitutes is found.
	if of(0)["instrument_id"] != microphone || of(0)["replaces_id"] != before.body["id"] || slices.Contains(warned(ds[0]), "instrument_unknown") {
		t.Errorf("draft of the microphone = %v", ds[0])
	}
	// The meter is not: its draft and its document are kept all the same.
	if of(1)["instrument_id"] != nil || !slices.Contains(warned(ds[1]), "instrument_unknown") || !slices.Contains(warned(ds[1]), "signature_not_verified") {
		t.Errorf("draft of the meter = %v", ds[1])
	}
	if diff := cmp.Diff([]any{object{"kind": "microphone", "serial_number": "M-5"}, object{"kind": "preamplifier", "serial_number": "P-3"}}, of(1)["parts"]); diff != "" {
		t.Errorf("parts of the meter (-want +got):\n%s", diff)
	}
	path := "/v1/certificates/" + of(1)["id"].(string)
	if got := s.must(200, "GET", path+"/document", nil); string(got.raw) != file {
		t.Error("the document of the meter's draft is not the file")
	}
	tag := s.must(200, "GET", path, nil).header.Get("ETag")
	s.refused(409, "instrument_unknown", nil, "POST", path+"/confirmation", nil, "If-Match", tag)

	// Recorded since, it is set, and the draft can be confirmed.
	meter := s.create("/v1/instruments", with(aMeter, object{"serial_number": "L-8"}))
	set := s.must(200, "PATCH", path, object{"instrument_id": meter}, "If-Match", tag)
	answered(t, object{"instrument_id": meter, "state": "draft", "scope": []any{"sound_level_meter"}}, set)
	confirmed := s.must(200, "POST", path+"/confirmation", nil, "If-Match", set.header.Get("ETag"))
	answered(t, object{"instrument_id": meter, "state": "confirmed"}, confirmed)
	again := s.must(200, "POST", "/v1/certificates", file, asXML...).drafts()
	if c := again[1]["certificate"].(object); c["id"] != of(1)["id"] || c["state"] != "confirmed" || again[1]["new"] != false {
		t.Errorf("the file again = %v; want the confirmed certificate", again[1])
	}
	if got := s.must(200, "GET", "/v1/instruments/"+meter+"/certificates", nil).ids(); !slices.Equal(got, []string{of(1)["id"].(string)}) {
		t.Errorf("certificates of the meter = %q", got)
	}
}

func TestDigitalCertificateRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	good := digital(t, "calibrator-3.1.2.xml")
	head, body, _ := strings.Cut(good, "?>")
	head += "?>"
	for name, file := range map[string]string{
		"no XML":             "%PDF-1.7",
		"another root":       "<a/>",
		"entities":           head + `<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;">]>` + body,
		"a file of its own":  head + `<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>` + strings.Replace(body, "Invented Tones", "&a;", 1),
		"deep":               strings.Repeat("<a>", 100_000) + strings.Repeat("</a>", 100_000),
		"many elements":      "<a>" + strings.Repeat("<b/>", 250_000) + "</a>",
		"version 1":          strings.Replace(good, `"3.1.2"`, `"1.0.0"`, 1),
		"no last day":        strings.Replace(good, "2025-02-07+01:00", "", 1),
		"without laboratory": strings.NewReplacer("Erfundenes Labor", "", "Invented Laboratory", "").Replace(good),
	} {
		t.Run(name, func(t *testing.T) {
			c := *s.service
			c.t = t
			c.refused(422, "certificate_unreadable", nil, "POST", "/v1/certificates", file, asXML...)
		})
	}
	if a := s.ask("POST", "/v1/certificates", "<a>"+strings.Repeat(" ", 33<<20)+"</a>", asXML...); a.status != 413 || a.body["code"] != "too_large" {
		t.Errorf("33 MiB = %d %s; want 413 too_large", a.status, a.raw)
	}
	for _, media := range []string{"application/json", "application/pdf", "application/xml; charset=utf-16"} {
		if a := s.ask("POST", "/v1/certificates", good, "Content-Type", media); a.status != 415 || a.body["code"] != "unsupported_media_type" {
			t.Errorf("as %s = %d %s; want 415", media, a.status, a.raw)
		}
	}
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", "/v1/certificates", good, asXML...)
	if got := s.must(200, "GET", "/v1/certificates?state=draft", nil).ids(); len(got) != 0 {
		t.Errorf("%d drafts of refused files; want none", len(got))
	}
}
