package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
)

func init() {
	openapi3filter.RegisterBodyDecoder("application/pdf", openapi3filter.FileBodyDecoder)
	openapi3filter.RegisterBodyDecoder("application/xml", openapi3filter.FileBodyDecoder)
	openapi3filter.RegisterBodyDecoder("text/xml", openapi3filter.FileBodyDecoder)
}

// checked is a site with an hour of samples between two good checks: valid.
func checked(t *testing.T) (s site, series string) {
	t.Helper()
	s = newSite(t)
	series = s.measure("LAF")
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	return s, series
}

func (s site) verdict() answer {
	s.t.Helper()
	return s.must(200, "GET", "/v1/surveys/"+s.survey+"/verdict", nil)
}

// unchanged reports where a verdict as known then is not what it was.
func (s site) unchanged(was answer) {
	s.t.Helper()
	again := s.must(200, "GET", "/v1/surveys/"+s.survey+"/verdict?as_known_at="+url.QueryEscape(was.body["as_known_at"].(string)), nil)
	if diff := cmp.Diff(was.body, again.body); diff != "" {
		s.t.Errorf("as known at %v (-then +now):\n%s", was.body["as_known_at"], diff)
	}
}

// finding returns the finding of a rule, nil if there is none.
func finding(verdict answer, rule string) object {
	list, _ := verdict.body["findings"].([]any)
	for _, f := range list {
		if f.(object)["rule"] == rule {
			return f.(object)
		}
	}
	return nil
}

// asRole returns a service asked with a key of a role, named name, that sees the named clients, all without any.
func (s site) asRole(name, role string, clients ...string) *service {
	s.t.Helper()
	secret := access.NewKey()
	key, _ := access.KeyOf(secret)
	key.Name, key.Role = name, role
	for _, c := range clients {
		key.ClientIDs = append(key.ClientIDs, uuid.MustParse(c))
	}
	if _, err := s.store.CreateKey(access.With(s.t.Context(), access.Caller{All: true}), key); err != nil {
		s.t.Fatal(err)
	}
	return s.as(secret)
}

func TestEvents(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	of := "/v1/instruments/" + s.meter + "/events"
	before := s.verdict()
	answered(t, object{"outcome": "valid"}, before)

	repair := object{"kind": "repair", "on": "2026-02-10", "ends_cover": true, "before_calibration": false, "note": "Invented: new preamplifier board"}
	made := s.must(201, "POST", of, repair)
	answered(t, with(repair, object{"version": 1., "instrument_id": s.meter}), made)
	altered := s.verdict()
	f := finding(altered, "altered_since_calibration")
	if f == nil || f["severity"] != "fail" || f["subject"].(object)["id"] != made.body["id"] {
		t.Fatalf("findings = %v; want altered_since_calibration, a fail about the event", altered.body["findings"])
	}
	answered(t, object{"outcome": "not_valid"}, altered)
	s.unchanged(before)

	// Corrected: it changed nothing that was calibrated.
	path := made.header.Get("Location")
	answered(t, object{"ends_cover": false, "version": 2.}, s.must(200, "PATCH", path, object{"ends_cover": false}, "If-Match", `"v1"`))
	answered(t, object{"outcome": "valid"}, s.verdict())
	s.unchanged(altered)
	answered(t, object{"ends_cover": false}, s.must(200, "GET", path, nil))
	if got := s.must(200, "GET", path+"/versions", nil).items(); len(got) != 2 || got[0]["ends_cover"] != true || got[1]["ends_cover"] != false {
		t.Errorf("versions = %v; want both, the first ending the cover", got)
	}
	if diff := cmp.Diff([]string{made.body["id"].(string)}, s.must(200, "GET", of, nil).ids()); diff != "" {
		t.Errorf("events (-want +got):\n%s", diff)
	}

	// On the day of calibration the event ends the cover unless it came before.
	sameDay := s.must(201, "POST", of, object{"kind": "adjustment", "on": "2026-01-13", "ends_cover": true})
	answered(t, object{"outcome": "not_valid"}, s.verdict())
	s.must(200, "PATCH", sameDay.header.Get("Location"), object{"before_calibration": true}, "If-Match", `"v1"`)
	answered(t, object{"outcome": "valid"}, s.verdict())

	s.refused(412, "precondition_failed", nil, "PATCH", path, object{"ends_cover": true}, "If-Match", `"v1"`)
	s.refused(422, "invalid", []string{"/kind not_allowed", "/on type", "/ends_cover required"}, "POST", of, object{"kind": "polish", "on": "2026-02-30"})
	s.refused(404, "not_found", nil, "POST", "/v1/instruments/"+uuid.NewString()+"/events", repair)
	s.refused(404, "not_found", nil, "GET", "/v1/instruments/"+uuid.NewString()+"/events", nil)
	s.refused(404, "not_found", nil, "GET", "/v1/events/"+uuid.NewString(), nil)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", of, repair)
}

func TestComponents(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	microphone := s.create("/v1/instruments", with(aMeter, object{"kind": "microphone", "model": "Pi", "class": nil, "specification": nil}))
	of := "/v1/instruments/" + s.meter + "/components"
	fitted := object{"part_id": microphone, "from": "2026-01-20T00:00:00Z", "to": nil}
	made := s.must(201, "POST", of, object{"part_id": microphone, "from": "2026-01-20T00:00:00Z"})
	answered(t, with(fitted, object{"instrument_id": s.meter, "to": nil}), made)
	path := made.header.Get("Location")

	// What befell the part ends the cover of the meter that it sits on.
	event := s.must(201, "POST", "/v1/instruments/"+microphone+"/events", object{"kind": "damage", "on": "2026-02-20", "ends_cover": true})
	damaged := s.verdict()
	if f := finding(damaged, "altered_since_calibration"); f == nil || f["severity"] != "fail" || f["subject"].(object)["id"] != event.body["id"] {
		t.Errorf("findings = %v; want altered_since_calibration, a fail about the damage of the microphone", damaged.body["findings"])
	}

	other := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2"}))
	s.refused(422, "invalid", []string{"/from overlap"}, "POST", "/v1/instruments/"+other+"/components", object{"part_id": microphone, "from": "2026-02-01T00:00:00Z"})
	s.must(200, "PATCH", path, object{"to": "2026-02-01T00:00:00Z"}, "If-Match", `"v1"`)
	moved := s.must(201, "POST", "/v1/instruments/"+other+"/components", object{"part_id": microphone, "from": "2026-02-01T00:00:00Z"})
	s.refused(422, "invalid", []string{"/from overlap"}, "PATCH", path, object{"to": nil}, "If-Match", `"v2"`)
	s.refused(422, "invalid", []string{"/to out_of_order"}, "PATCH", path, object{"to": "2026-01-01T00:00:00Z"}, "If-Match", `"v2"`)
	s.refused(422, "invalid", []string{"/part_id wrong_kind"}, "POST", of, object{"part_id": s.calibrator, "from": "2026-02-01T00:00:00Z"})
	s.refused(422, "invalid", []string{"/part_id unknown_reference"}, "POST", of, object{"part_id": uuid.NewString(), "from": "2026-02-01T00:00:00Z"})
	s.refused(404, "not_found", nil, "POST", "/v1/instruments/"+uuid.NewString()+"/components", object{"part_id": microphone, "from": "2026-02-01T00:00:00Z"})
	answered(t, object{"to": "2026-02-01T00:00:00Z", "version": 2.}, s.must(200, "GET", path, nil))
	if got := s.must(200, "GET", path+"/versions", nil).items(); len(got) != 2 || got[0]["to"] != nil {
		t.Errorf("versions = %v; want two, the first still fitted", got)
	}
	if diff := cmp.Diff([]string{moved.body["id"].(string)}, s.must(200, "GET", "/v1/instruments/"+other+"/components", nil).ids()); diff != "" {
		t.Errorf("components of the other meter (-want +got):\n%s", diff)
	}
	answered(t, object{"outcome": "valid"}, s.verdict()) // taken off before the damage
	s.unchanged(damaged)
}

func TestWithdrawal(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	before := s.verdict()
	path := "/v1/certificates/" + s.meterCertificate
	withdrawal := object{"reason": "Invented: the reference standard was wrong", "effective_from": "2026-03-01"}
	qa := s.asRole("Q. Nobody", "qa")
	made := qa.must(201, "POST", path+"/withdrawal", withdrawal)
	answered(t, with(withdrawal, object{"status": "withdrawn", "by": "Q. Nobody", "certificate_id": s.meterCertificate}), made)
	withdrawn := s.verdict()
	if f := finding(withdrawn, "certificate_withdrawn"); f == nil || f["severity"] != "fail" || f["subject"].(object)["id"] != s.meterCertificate {
		t.Fatalf("findings = %v; want certificate_withdrawn, a fail about the certificate", withdrawn.body["findings"])
	}
	s.unchanged(before)

	// From the day after the survey on, the survey stands: the latest entry counts, and both stay.
	qa.must(201, "POST", path+"/withdrawal", with(withdrawal, object{"effective_from": "2026-03-04"}))
	answered(t, object{"outcome": "valid"}, s.verdict())
	s.unchanged(withdrawn)
	var days []any
	for _, st := range s.must(200, "GET", path+"/statuses", nil).items() {
		days = append(days, st["effective_from"])
	}
	if diff := cmp.Diff([]any{"2026-03-01", "2026-03-04"}, days); diff != "" {
		t.Errorf("days of the history (-want +got):\n%s", diff)
	}

	s.refused(422, "invalid", []string{"/effective_from out_of_order"}, "POST", path+"/withdrawal", with(withdrawal, object{"effective_from": "2026-01-12"}))
	s.refused(422, "invalid", []string{"/effective_from required", "/reason required"}, "POST", path+"/withdrawal", object{})
	s.refused(404, "not_found", nil, "POST", "/v1/certificates/"+uuid.NewString()+"/withdrawal", withdrawal)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", path+"/withdrawal", withdrawal)

	var types []any
	seal(t, s.service)
	for _, e := range s.must(200, "GET", "/v1/audit?limit=200", nil).items() {
		if e["record"].(object)["id"] == made.body["id"] {
			types = append(types, e["type"], e["actor"], e["reason"])
		}
	}
	if diff := cmp.Diff([]any{"certificate_status.created", "Q. Nobody", ""}, types); diff != "" {
		t.Errorf("audit of the withdrawal (-want +got):\n%s", diff)
	}
	answered(t, object{"ok": true}, s.must(200, "GET", "/v1/audit/verification", nil))
}

func seal(t *testing.T, s *service) {
	t.Helper()
	if _, err := s.store.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func TestSerialNumberMismatch(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.must(200, "PATCH", "/v1/certificates/"+s.meterCertificate, object{"item_serial_number": "M-7"}, "If-Match", `"v1"`)
	if f := finding(s.verdict(), "serial_number_mismatch"); f == nil {
		t.Errorf("findings = %q; want serial_number_mismatch", rules(s.verdict()))
	}
}

// The meter was calibrated with one microphone and used with another.
func TestPartsThatACertificateNames(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	microphone := s.create("/v1/instruments", with(aMeter, object{"kind": "microphone", "serial_number": "P-2", "class": nil, "specification": nil}))
	s.create("/v1/instruments/"+s.meter+"/components", object{"part_id": microphone, "from": "2026-01-01T00:00:00Z"})
	f := finding(s.verdict(), "serial_number_mismatch")
	if f == nil || f["severity"] != "undetermined" || f["subject"].(object)["id"] != s.meterCertificate || !strings.Contains(f["detail"].(string), "P-1") {
		t.Errorf("findings = %q; want serial_number_mismatch, undetermined, about the certificate that names P-1", rules(s.verdict()))
	}
	s.must(200, "PATCH", "/v1/certificates/"+s.meterCertificate, object{"parts": []any{object{"kind": "microphone", "serial_number": "P-2"}}}, "If-Match", `"v1"`)
	answered(t, object{"outcome": "valid"}, s.verdict())
}

func TestSupersededCertificate(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	// The substitute of the same calibration says that the meter was left out of limits.
	s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{
		"scope": nil, "item_serial_number": "M-1", "number": "N-3", "as_found": "pass", "as_left": "fail", "replaces_id": s.meterCertificate,
	}))
	got := rules(s.verdict())
	if !slices.Contains(got, "fail as_left_not_conforming") {
		t.Errorf("findings = %q; want as_left_not_conforming of the certificate that replaces", got)
	}
}

func TestConfirmation(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	old, err := s.store.Certificate(t.Context(), uuid.MustParse(s.meterCertificate))
	if err != nil {
		t.Fatal(err)
	}
	draft := old
	draft.ID, draft.Number, draft.State = uuid.Nil, "N-9", calibration.Draft
	draft, err = s.store.CreateCertificate(t.Context(), draft, "")
	if err != nil {
		t.Fatal(err)
	}
	path := "/v1/certificates/" + draft.ID.String()
	s.refused(428, "precondition_required", nil, "POST", path+"/confirmation", nil)
	s.refused(412, "precondition_failed", nil, "POST", path+"/confirmation", nil, "If-Match", `"v2"`)
	answered(t, object{"state": "confirmed", "version": 2.}, s.must(200, "POST", path+"/confirmation", nil, "If-Match", `"v1"`))
	s.refused(409, "not_a_draft", nil, "POST", path+"/confirmation", nil, "If-Match", `"v2"`)
	if got := s.must(200, "GET", path+"/versions", nil).items(); len(got) != 2 || got[0]["state"] != "draft" {
		t.Errorf("versions = %v; want the draft first", got)
	}
}

func TestDocument(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	path := "/v1/certificates/" + s.meterCertificate + "/document"
	pdf := "%PDF-1.7\n\x00\xff invented\r\n%%EOF"
	sum := sha256.Sum256([]byte(pdf))
	s.refused(404, "not_found", nil, "GET", path, nil)
	s.refused(428, "precondition_required", nil, "PUT", path, pdf, "Content-Type", "application/pdf")
	s.refused(415, "unsupported_media_type", nil, "PUT", path, pdf, "Content-Type", "text/plain", "If-None-Match", "*")
	s.refused(422, "document_mismatch", nil, "PUT", path, "<a/>", "Content-Type", "application/pdf", "If-None-Match", "*")
	for _, bad := range []string{pdf, "", "<a>", "<a/><b/>", "<a></b>", `<!DOCTYPE a [<!ENTITY e "x">]><a>&e;</a>`, "<a>&e;</a>"} {
		s.refused(422, "document_mismatch", nil, "PUT", path, bad, "Content-Type", "application/xml", "If-None-Match", "*")
	}
	s.refused(404, "not_found", nil, "PUT", "/v1/certificates/"+uuid.NewString()+"/document", pdf, "Content-Type", "application/pdf", "If-None-Match", "*")

	want := object{"media_type": "application/pdf", "bytes": float64(len(pdf)), "sha256": hex.EncodeToString(sum[:]), "version": 1.}
	answered(t, want, s.must(201, "PUT", path, pdf, "Content-Type", "application/pdf", "If-None-Match", "*"))
	answered(t, want, s.must(200, "PUT", path, pdf, "Content-Type", "application/pdf", "If-None-Match", "*"))
	s.refused(412, "precondition_failed", nil, "PUT", path, pdf+" ", "Content-Type", "application/pdf", "If-None-Match", "*")
	got := s.must(200, "GET", path, nil)
	if string(got.raw) != pdf || got.header.Get("Content-Type") != "application/pdf" ||
		got.header.Get("Repr-Digest") != "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":" {
		t.Errorf("document = %q, %v; want what was sent, with its type and digest", got.raw, got.header)
	}
	// The same bytes may belong to two certificates: meter and calibrator on one sheet.
	of := s.must(200, "GET", "/v1/instruments/"+s.calibrator+"/certificates", nil).ids()[0]
	s.must(201, "PUT", "/v1/certificates/"+of+"/document", pdf, "Content-Type", "application/pdf", "If-None-Match", "*")
	sheet := s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": nil, "item_serial_number": "M-1", "number": "N-5"}))
	s.must(201, "PUT", "/v1/certificates/"+sheet+"/document", "<?xml version=\"1.0\"?>\n<a b='c'>d</a>\n", "Content-Type", "text/xml; charset=utf-8", "If-None-Match", "*")
	if got := s.must(200, "GET", "/v1/certificates/"+sheet+"/document", nil); got.header.Get("Content-Type") != "application/xml" {
		t.Errorf("Content-Type = %q; want application/xml", got.header.Get("Content-Type"))
	}
}

func TestDispositions(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": "Q.  nobody"}, "If-Match", `"v1"`)
	before := s.verdict()
	answered(t, object{"outcome": "valid"}, before)
	s.must(200, "POST", "/v1/series/"+series+"/samples", object{"started_at": "2026-03-03T06:59:00+01:00", "levels_db": []any{50.}})
	outside := s.verdict()
	f := finding(outside, "clock_suspicious")
	if f == nil || f["severity"] != "undetermined" || f["from"] != "2026-03-03T05:59:00Z" || f["to"] != "2026-03-03T05:59:10Z" || f["disposable"] != true {
		t.Fatalf("findings = %v; want clock_suspicious for the samples before the survey", outside.body["findings"])
	}
	answered(t, object{"outcome": "undetermined"}, outside)

	of := "/v1/surveys/" + s.survey + "/dispositions"
	decision := object{"finding_key": f["key"], "decision": "accept", "reason": "Invented: the meter was started early"}
	s.refused(422, "invalid", []string{"/finding_key unknown_reference"}, "POST", of, with(decision, object{"finding_key": "0123456789abcdef"}))
	s.refused(422, "invalid", []string{"/decision not_allowed", "/reason required"}, "POST", of, with(decision, object{"decision": "maybe", "reason": ""}))
	s.refused(404, "not_found", nil, "POST", "/v1/surveys/"+uuid.NewString()+"/dispositions", decision)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", of, decision)

	other := s.asRole("R. Nobody", "qa")
	made := other.must(201, "POST", of, decision)
	answered(t, with(decision, object{"by": "R. Nobody", "survey_id": s.survey}), made)
	accepted := s.verdict()
	answered(t, object{"outcome": "valid_with_remarks"}, accepted)
	g := finding(accepted, "clock_suspicious")
	if g["severity"] != "remark" || g["key"] != f["key"] || g["disposition"].(object)["id"] != made.body["id"] || g["disposition"].(object)["by"] != "R. Nobody" {
		t.Errorf("finding = %v; want it accepted by R. Nobody", g)
	}
	if finding(accepted, "not_independent") != nil {
		t.Error("another than the operator decided, yet not_independent")
	}
	s.unchanged(outside)

	// The operator decides, the other way: the latest counts.
	s.asRole("Q. Nobody", "qa").must(201, "POST", of, with(decision, object{"decision": "reject"}))
	rejected := s.verdict()
	answered(t, object{"outcome": "valid_in_part"}, rejected)
	if n := finding(rejected, "not_independent"); n == nil || n["severity"] != "remark" {
		t.Errorf("findings = %q; want the remark not_independent", rules(rejected))
	}
	s.unchanged(accepted)
	if got := s.must(200, "GET", of, nil).ids(); len(got) != 2 || got[0] != made.body["id"] {
		t.Errorf("dispositions = %v; want both, oldest first", got)
	}

	// A fail that says nothing of it cannot be accepted.
	s.must(201, "POST", "/v1/instruments/"+s.meter+"/events", object{"kind": "repair", "on": "2026-02-10", "ends_cover": true})
	fail := finding(s.verdict(), "altered_since_calibration")
	s.refused(422, "invalid", []string{"/decision not_allowed"}, "POST", of, with(decision, object{"finding_key": fail["key"]}))
}

func TestUseElsewhere(t *testing.T) {
	t.Parallel()
	s, own := checked(t)
	client := s.create("/v1/clients", object{"name": "Invented Quarry"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-2", "title": "Quarry", "time_zone": "Europe/Vienna"})
	position := s.create("/v1/projects/"+project+"/positions", object{"number": 1, "label": "Fence"})
	survey := s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00"})
	before := s.verdict()
	other := s.create("/v1/surveys/"+survey+"/series", object{
		"position_id": position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 60,
		"started_at": "2026-03-03T07:30:00+01:00", "levels_db": []any{50., 51., 52., nil, 53.},
	})
	overlapping := s.verdict()
	answered(t, object{"outcome": "undetermined"}, overlapping)
	var spans [][2]any
	for _, f := range overlapping.body["findings"].([]any) {
		if f := f.(object); f["rule"] == "instrument_use_overlaps" {
			spans = append(spans, [2]any{f["from"], f["to"]})
			if f["subject"].(object)["id"] != other || f["other_survey_id"] != survey || f["series_id"] != own {
				t.Errorf("finding = %v; want one that names the other survey", f)
			}
		}
	}
	// One finding for each other series, from the first instant of use elsewhere to the last.
	want := [][2]any{{"2026-03-03T06:30:00Z", "2026-03-03T06:35:00Z"}}
	if diff := cmp.Diff(want, spans); diff != "" {
		t.Errorf("overlaps (-want +got):\n%s", diff)
	}
	s.unchanged(before)

	// A key of the first client alone learns when, and not of whom.
	clients := s.must(200, "GET", "/v1/clients", nil).ids()
	blind := s.asRole("one client", "qa", clients[0])
	seen := blind.must(200, "GET", "/v1/surveys/"+s.survey+"/verdict", nil)
	f := finding(seen, "instrument_use_overlaps")
	if f == nil || f["key"] != finding(overlapping, "instrument_use_overlaps")["key"] {
		t.Fatalf("findings = %v; want the same finding", seen.body["findings"])
	}
	for _, secret := range []string{other, survey, position, client, project, "Quarry", "J-2"} {
		if strings.Contains(string(seen.raw), secret) {
			t.Errorf("the verdict for a key of one client holds %q of another", secret)
		}
	}
	if diff := cmp.Diff(overlapping.body["inputs_sha256"], seen.body["inputs_sha256"]); diff != "" {
		t.Errorf("digest of inputs (-all +one client):\n%s", diff)
	}
}

func TestPeople(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": "A. Nobody"}, "If-Match", `"v1"`)
	before := s.verdict()
	person := object{"name": "A. Nobody", "authorisations": []any{object{"method": "environmental", "from": "2020-01-01", "until": "2026-03-02"}}}
	made := s.must(201, "POST", "/v1/people", person)
	answered(t, person, made)
	path := made.header.Get("Location")
	lapsed := s.verdict()
	if f := finding(lapsed, "operator_not_authorised"); f == nil || f["severity"] != "remark" || f["subject"].(object)["id"] != made.body["id"] {
		t.Errorf("findings = %q; want the remark operator_not_authorised about the person", rules(lapsed))
	}
	s.unchanged(before)
	s.must(200, "PATCH", path, object{"authorisations": []any{object{"method": "environmental", "from": "2020-01-01"}}}, "If-Match", `"v1"`)
	answered(t, object{"outcome": "valid"}, s.verdict())
	s.unchanged(lapsed)
	if got := s.must(200, "GET", path+"/versions", nil).items(); len(got) != 2 {
		t.Errorf("versions = %v; want two", got)
	}
	answered(t, object{"name": "A. Nobody", "version": 2.}, s.must(200, "GET", path, nil))
	if got := s.must(200, "GET", "/v1/people", nil).ids(); !cmp.Equal(got, []string{made.body["id"].(string)}) {
		t.Errorf("people = %v; want the one", got)
	}
	s.refused(409, "duplicate", nil, "POST", "/v1/people", person)
	s.refused(422, "invalid", []string{"/name required", "/authorisations/0/method required", "/authorisations/0/until out_of_order"}, "POST", "/v1/people",
		object{"name": "", "authorisations": []any{object{"method": "", "from": "2026-01-02", "until": "2026-01-01"}}})
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", "/v1/people", person)
}
