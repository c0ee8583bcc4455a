package api_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

func init() {
	openapi3filter.RegisterBodyDecoder("application/zip", openapi3filter.FileBodyDecoder)
}

var aStatement = object{"statement": "Invented: the night at the gate"}

// signOff signs the site's survey off with the key of qa and returns the answer.
func (s site) signOff(qa *service, body object) answer {
	s.t.Helper()
	return qa.must(201, "POST", "/v1/surveys/"+s.survey+"/sign-offs", body)
}

func (s site) state() string {
	s.t.Helper()
	state := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["state"].(string)
	for _, of := range []string{"measured", "signed_off", "changed_since_sign_off", "planned"} {
		if got := s.must(200, "GET", "/v1/surveys?state="+of, nil).ids(); slices.Contains(got, s.survey) != (of == state) {
			s.t.Errorf("the survey is %s; surveys in state %s are %v", state, of, got)
		}
	}
	return state
}

// changed returns what the list of changed sign-offs says, nil for nothing.
func (s site) changed() object {
	s.t.Helper()
	items := s.must(200, "GET", "/v1/sign-offs?changed=true", nil).items()
	others := s.must(200, "GET", "/v1/sign-offs?changed=false", nil).items()
	if len(items)+len(others) != 1 {
		s.t.Fatalf("%d changed and %d unchanged sign-offs; want one of them", len(items), len(others))
	}
	if len(items) == 0 {
		return nil
	}
	return items[0]["changed"].(object)
}

func causes(changed object) []string {
	var all []string
	list, _ := changed["causes"].([]any)
	for _, c := range list {
		all = append(all, c.(object)["type"].(string))
	}
	return all
}

// drifted is a site of two hours between checks at 06:30, 08:05 and 09:10, of which the second hour fell to drift.
func drifted(t *testing.T) (s site, series string) {
	t.Helper()
	s = newSite(t)
	levels := make([]float64, 720)
	for i := range levels {
		levels[i] = 50
		if i >= 360 {
			levels[i] = 70
		}
	}
	series = s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 10,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels,
	})
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:00:00+01:00", 93.8)
	s.check("2026-03-03T09:10:00+01:00", 93.)
	return s, series
}

func TestSignOffOfWhatStands(t *testing.T) {
	t.Parallel()
	s, series := drifted(t)
	qa := s.asRole("Q. Nobody", "qa")
	if got := s.state(); got != "measured" {
		t.Errorf("state before = %s", got)
	}
	a := s.signOff(qa, aStatement)
	answered(t, with(aStatement, object{"survey_id": s.survey, "revision": 1., "reason": nil, "signed_by": "Q. Nobody"}), a)
	if got := first(a.body, "verdict")["outcome"]; got != "valid_in_part" {
		t.Errorf("outcome = %v; want valid_in_part", got)
	}
	// An hour of 50 dB stands; of all samples it would be 67.0 dB.
	figures := first(a.body, "summary", "series")
	if got := first(figures, "levels", "LAeq")["level_db"]; got != 50. || figures["windows"] != "usable" || figures["usable_s"] != 3600. {
		t.Errorf("LAeq = %v of %v s; want 50 of the usable hour", got, figures["usable_s"])
	}
	if got := first(a.body, "verdict", "series"); !cmp.Equal(got["usable"], []any{object{"from": "2026-03-03T06:00:00Z", "to": "2026-03-03T07:00:00Z"}}) {
		t.Errorf("usable = %v", got["usable"])
	}
	if got := first(a.body, "trace", "series"); got["series_id"] != series || first(got, "meter", "certificates")["id"] != s.meterCertificate {
		t.Errorf("trace = %v", got)
	}

	// The same bytes for ever, and cached so.
	path := a.header.Get("Location")
	got := s.must(200, "GET", path, nil)
	if !bytes.Equal(got.raw, a.raw) {
		t.Error("the sign-off reads otherwise than it was answered")
	}
	sum := sha256.Sum256(got.raw)
	listed := s.must(200, "GET", "/v1/surveys/"+s.survey+"/sign-offs", nil).items()
	if len(listed) != 1 || listed[0]["sha256"] != hex.EncodeToString(sum[:]) || listed[0]["id"] != a.body["id"] || listed[0]["review_due"] != false {
		t.Errorf("sign-offs = %v; want the one, with SHA-256 %x", listed, sum)
	}
	if got.header.Get("Cache-Control") != "private, max-age=31536000, immutable" || got.header.Get("ETag") != `"`+hex.EncodeToString(sum[:])+`"` {
		t.Errorf("Cache-Control %q, ETag %q", got.header.Get("Cache-Control"), got.header.Get("ETag"))
	}
	s.must(304, "GET", path, nil, "If-None-Match", got.header.Get("ETag"))
	var tree any
	if err := json.Unmarshal(got.raw, &tree); err != nil {
		t.Fatal(err)
	}
	if again, _ := json.Marshal(tree); !bytes.Equal(again, got.raw) { // which sorts names
		t.Error("the frozen bytes are not JSON with sorted names")
	}
	if got := s.state(); got != "signed_off" {
		t.Errorf("state after = %s", got)
	}

	// The head of the journal before it is printed in it, and it is the journal's.
	seal(t, s.service)
	audit := s.must(200, "GET", "/v1/audit?limit=1000", nil).items()
	head := a.body["audit"].(object)
	i := slices.IndexFunc(audit, func(e object) bool { return e["seq"] == head["seq"] })
	if i < 0 || audit[i]["sha256"] != head["sha256"] || i+1 >= len(audit) || audit[i+1]["type"] != "sign_off.created" {
		t.Errorf("head = %v; want that of the entry before sign_off.created", head)
	}
	changes := s.must(200, "GET", "/v1/changes?limit=1000", nil).items()
	i = slices.IndexFunc(changes, func(e object) bool { return e["type"] == "survey.signed_off" })
	if i < 0 || !cmp.Equal(changes[i]["record"], object{"type": "survey", "id": s.survey}) {
		t.Errorf("changes = %v; want survey.signed_off among them", changes)
	}
	answered(t, object{"ok": true}, s.must(200, "GET", "/v1/audit/verification", nil))

	// A copy that was tampered with is found.
	super := pgtest.Connect(t, s.db.Superuser)
	if _, err := super.Exec(t.Context(), `update sign_off_copy set frozen = frozen || ' '`); err != nil {
		t.Fatal(err)
	}
	answered(t, object{"ok": false, "why": "the copy of the sign-off is not what was signed"}, s.must(200, "GET", "/v1/audit/verification", nil))
	client, err := pgtest.Connect(t, s.db.App).Exec(t.Context(), `update sign_off_copy set frozen = ''`)
	if err == nil {
		t.Errorf("the service's role could alter %d copies", client.RowsAffected())
	}
}

func TestSignOffRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/sign-offs"
	qa := s.asRole("Q. Nobody", "qa")
	qa.refused(409, "decision_owed", nil, "POST", path, aStatement) // nothing was measured
	s.measure("LAF")
	s.create("/v1/instruments/"+s.meter+"/field-checks", // found 1.4 dB off and adjusted: suspicious
		with(check(s.meter, s.calibrator, "2026-03-03T06:30:00+01:00", 92.5), object{"as_left_db": 93.9}))
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	qa.refused(409, "decision_owed", nil, "POST", path, aStatement)
	if got := s.must(200, "GET", "/v1/sign-offs", nil).items(); len(got) != 0 {
		t.Errorf("sign-offs = %v; want none", got)
	}
	for _, role := range []string{"consultant", "field", "job_system", "client"} {
		s.asRole(role, role).refused(403, "forbidden", nil, "POST", path, aStatement)
	}
	s.asRole("phone", "field").refused(403, "forbidden", nil, "GET", path, nil)
	qa.refused(404, "not_found", nil, "POST", "/v1/surveys/"+uuid.NewString()+"/sign-offs", aStatement)
	qa.refused(422, "invalid", []string{"/statement required"}, "POST", path, object{"statement": " "})

	// The decision that is owed, and then it stands.
	qa.must(201, "POST", "/v1/surveys/"+s.survey+"/dispositions",
		object{"finding_key": finding(s.verdict(), "deviation_suspicious")["key"], "decision": "accept", "reason": "Invented: the battery was low"})
	if got := first(s.signOff(qa, aStatement).body, "verdict")["outcome"]; got != "valid_with_remarks" {
		t.Errorf("outcome of what was decided = %v; want valid_with_remarks", got)
	}

	good, _ := checked(t)
	path = "/v1/surveys/" + good.survey + "/sign-offs"
	qa = good.asRole("Q. Nobody", "qa")
	one := good.signOff(qa, aStatement)
	qa.refused(422, "invalid", []string{"/reason required"}, "POST", path, aStatement)
	two := good.signOff(qa, with(aStatement, object{"reason": "Invented: a word was missing"}))
	answered(t, object{"revision": 2., "reason": "Invented: a word was missing"}, two)
	if again := good.must(200, "GET", one.header.Get("Location"), nil); !bytes.Equal(again.raw, one.raw) {
		t.Error("the second sign-off changed the first")
	}
	good.must(200, "POST", "/v1/surveys/"+good.survey+"/void", object{"reason": "Invented"}, "If-Match", `"v1"`)
	qa.refused(409, "survey_void", nil, "POST", path, with(aStatement, object{"reason": "Invented"}))
	answered(t, object{"state": "void"}, good.must(200, "GET", "/v1/surveys/"+good.survey, nil))
	if got := good.changed()["void_reason"]; got != "Invented" {
		t.Errorf("void_reason of what changed = %v", got)
	}
}

func TestSignOffByTheOperator(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": "Q. Nobody"}, "If-Match", `"v1"`)
	a := s.signOff(s.asRole("q.  nobody", "qa"), aStatement)
	var found []string
	for _, f := range first(a.body, "verdict")["findings"].([]any) {
		found = append(found, f.(object)["severity"].(string)+" "+f.(object)["rule"].(string))
	}
	if !cmp.Equal(found, []string{"remark not_independent"}) {
		t.Errorf("findings = %q; want the remark not_independent", found)
	}
	if got := s.changed(); got != nil {
		t.Errorf("changed = %v; the remark is of the sign-off, nothing changed", got)
	}
}

func TestSignOffChanged(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	qa := s.asRole("Q. Nobody", "qa")
	a := s.signOff(qa, aStatement)
	frozen := s.must(200, "GET", a.header.Get("Location"), nil).raw
	if got := s.changed(); got != nil {
		t.Errorf("changed at once = %v", got)
	}

	// What bears on nothing of it changes nothing, though the instrument has a new certificate.
	s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{
		"scope": nil, "item_serial_number": "M-1", "number": "N-9", "as_found": "pass", "calibrated_from": nil, "calibrated_on": "2026-04-10", "issued_on": "2026-04-12",
	}))
	if got := s.changed(); got != nil {
		t.Errorf("changed after the next calibration = %v", got)
	}

	// A late correction of a check: it drifted.
	check := s.must(200, "GET", "/v1/surveys/"+s.survey+"/field-checks", nil).ids()[1]
	s.must(200, "PATCH", "/v1/field-checks/"+check, object{"as_found_db": 93.}, "If-Match", `"v1"`)
	got := s.changed()
	if diff := cmp.Diff(object{"was": "valid", "is": "not_valid"}, got["outcome"]); diff != "" || s.state() != "changed_since_sign_off" {
		t.Errorf("outcome, state %s (-want +got):\n%s", s.state(), diff)
	}
	if f := first(got["findings"].(object), "new"); f["rule"] != "drift_exceeded" {
		t.Errorf("new findings = %v", got["findings"])
	}
	if c := causes(got); !slices.Contains(c, "field_check") {
		t.Errorf("causes = %v; want the field check", c)
	}
	s.must(200, "PATCH", "/v1/field-checks/"+check, object{"as_found_db": 93.8}, "If-Match", `"v2"`)
	if got := s.changed(); got != nil || s.state() != "signed_off" {
		t.Errorf("corrected back, changed = %v", got)
	}

	// A span left out, and louder samples added: the figures differ.
	s.create("/v1/series/"+series+"/exclusions", object{"from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T07:10:00+01:00", "reason": "Invented: a dog"})
	s.must(200, "POST", "/v1/series/"+series+"/samples", object{"started_at": "2026-03-03T08:00:00+01:00", "levels_db": []any{80., 80.}})
	got = s.changed()
	var symbols []string
	for _, f := range got["figures"].([]any) {
		f := f.(object)
		if f["symbol"] == "LAeq" && f["series_id"] == nil {
			symbols = append(symbols, "LAeq")
			if was, is := first(f, "was")["level_db"], first(f, "is")["level_db"]; was != 51.2 || is.(float64) <= 51.2 {
				t.Errorf("LAeq was %v, is %v", was, is)
			}
		}
	}
	if c := causes(got); len(symbols) != 1 || !slices.Contains(c, "samples") || !slices.Contains(c, "exclusion") {
		t.Errorf("figures = %v, causes = %v; want LAeq of the position, for samples and an exclusion", got["figures"], c)
	}

	// A withdrawal.
	qa.must(201, "POST", "/v1/certificates/"+s.meterCertificate+"/withdrawal", object{"reason": "Invented", "effective_from": "2026-01-13"})
	got = s.changed()
	if c := causes(got); !slices.Contains(c, "certificate_status") || first(got["findings"].(object), "new")["rule"] == nil {
		t.Errorf("after a withdrawal, findings %v, causes %v", got["findings"], c)
	}
	if again := s.must(200, "GET", a.header.Get("Location"), nil).raw; !bytes.Equal(again, frozen) {
		t.Error("the frozen bytes changed")
	}
}

// What was signed off by other rules of computing differs where these make another figure, and the engine is
// said to be the cause; where they make the same figures nothing has changed.
func TestSignOffByAnotherEngine(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.signOff(s.asRole("Q. Nobody", "qa"), aStatement)
	super := pgtest.Connect(t, s.db.Superuser)
	another := func(frozen string) {
		t.Helper()
		for _, sql := range []string{
			`update sign_off_check set figures_basis = replace(figures_basis, '` + api.Engine + `', 'leveltrail 0')`,
			`update sign_off_copy set frozen = convert_to(` + frozen + `, 'UTF8')`,
		} {
			if tag, err := super.Exec(t.Context(), sql); err != nil || tag.RowsAffected() != 1 {
				t.Fatal(sql, tag, err)
			}
		}
	}
	another(`replace(convert_from(frozen, 'UTF8'), '` + api.Engine + `', 'leveltrail 0')`)
	if got := s.changed(); got != nil {
		t.Errorf("by an engine that made the same figures, changed = %v; want nothing", got)
	}
	another(`replace(convert_from(frozen, 'UTF8'), '"level_db":51.2,', '"level_db":51.3,')`)
	got := s.changed()
	if got == nil || len(got["figures"].([]any)) == 0 || got["outcome"] != nil {
		t.Fatalf("by an engine that made other figures, changed = %v; want figures alone", got)
	}
	if c := first(got, "causes"); c["type"] != "engine" || c["id"] != nil || c["detail"] != "figures are computed by "+api.Engine+"; then by leveltrail 0" {
		t.Errorf("cause = %v; want the engine", c)
	}
}

// A withdrawn certificate opens the review of what was signed off on it, and changes nothing of it.
func TestWithdrawalOpensReview(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	qa := s.asRole("Q. Nobody", "qa")
	s.create("/v1/surveys/"+s.survey+"/notes", aNote)
	s.must(201, "POST", "/v1/surveys/"+s.survey+"/attachments", aPhoto(aCaption), "Content-Type", formType)
	id := s.signOff(qa, aStatement).body["id"].(string)
	frozen := s.must(200, "GET", "/v1/sign-offs/"+id, nil)
	// The page has the uncertainties of the frozen figures beside them.
	laeq := frozen.body["summary"].(object)["positions"].([]any)[0].(object)["levels"].(object)["LAeq"].(object)
	u, ok := laeq["sampling_uncertainty_db"].(float64)
	dir, _ := unpacked(t, s.must(200, "GET", "/v1/sign-offs/"+id+"/evidence", nil).raw)
	page, err := os.ReadFile(filepath.Join(dir, "sign-off.html"))
	if row := fmt.Sprintf("<td>%.2f</td><td>sampled</td><td>%.2f</td>", laeq["level_db"], u); err != nil || !ok || !strings.Contains(string(page), row) {
		t.Errorf("the page has no %q: %v", row, err)
	}
	notes, photos := frozen.body["notes"].([]any), frozen.body["attachments"].([]any)
	if len(notes) != 1 || notes[0].(object)["text"] != aNote["text"] || len(photos) != 1 || photos[0].(object)["caption"] != aCaption["caption"] {
		t.Errorf("notes %v, attachments %v; want what was written and photographed on site", notes, photos)
	}
	a := qa.must(201, "POST", "/v1/certificates/"+s.meterCertificate+"/withdrawal", object{"reason": "Invented: wrong item", "effective_from": "2026-01-13"})
	if got := a.body["affected_surveys"].([]any)[0].(object)["sign_off"].(object); got["id"] != id || got["revision"] != 1. {
		t.Errorf("sign_off = %v; want %s", got, id)
	}
	if due := s.must(200, "GET", "/v1/sign-offs?review_due=true", nil).ids(); len(due) != 1 || due[0] != id {
		t.Errorf("due for review: %v; want %s", due, id)
	}
	if again := s.must(200, "GET", "/v1/sign-offs/"+id, nil); string(again.raw) != string(frozen.raw) {
		t.Error("the withdrawal changed what was signed off")
	}
}

func TestReview(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	qa := s.asRole("Q. Nobody", "qa")
	id := s.signOff(qa, aStatement).body["id"].(string)
	path := "/v1/sign-offs/" + id + "/review"
	qa.refused(409, "review_not_due", nil, "POST", path, object{"decision": "stands", "reason": "Invented"})
	open := func() int {
		t.Helper()
		opened, err := s.store.OpenReviews(access.With(t.Context(), access.Caller{Name: "test"}), []uuid.UUID{uuid.MustParse(id)}, "Invented: it fell")
		if err != nil {
			t.Fatal(err)
		}
		return len(opened)
	}
	// One who sees no client marks the sign-offs of all, and of none twice.
	if one, two := open(), open(); one != 1 || two != 0 {
		t.Errorf("opened %d, then %d; want 1, then none", one, two)
	}
	due := func() bool {
		t.Helper()
		yes, no := s.must(200, "GET", "/v1/sign-offs?review_due=true", nil).ids(), s.must(200, "GET", "/v1/sign-offs?review_due=false", nil).ids()
		if len(yes)+len(no) != 1 {
			t.Errorf("due %v, not due %v; want it once", yes, no)
		}
		return len(yes) == 1
	}
	if !due() {
		t.Error("no review is due after something fell")
	}
	qa.refused(422, "invalid", []string{"/decision not_allowed", "/reason required"}, "POST", path, object{"decision": "forget", "reason": ""})
	s.asRole("office", "consultant").refused(403, "forbidden", nil, "POST", path, object{"decision": "stands", "reason": "Invented"})
	answered(t, object{"step": "closed", "decision": "stands", "by": "Q. Nobody"}, qa.must(201, "POST", path, object{"decision": "stands", "reason": "Invented: no level moves"}))
	if due() {
		t.Error("a review is due after it was closed")
	}
	var steps []any
	history := s.must(200, "GET", path, nil)
	for _, r := range history.body["items"].([]any) {
		steps = append(steps, r.(object)["step"], r.(object)["reason"])
	}
	if diff := cmp.Diff([]any{"opened", "Invented: it fell", "closed", "Invented: no level moves"}, steps); diff != "" {
		t.Errorf("history (-want +got):\n%s", diff)
	}
	if open() != 1 || !due() {
		t.Error("what falls later opens no review")
	}
	// Whoever decides is not who measured: house value, see ISO/IEC 17025:2017 4.1.
	v := s.must(200, "GET", "/v1/surveys/"+s.survey, nil)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": " q.  nobody"}, "If-Match", v.header.Get("ETag"))
	remarks := func() (rules []any) {
		t.Helper()
		for _, r := range s.must(200, "GET", path, nil).body["items"].([]any) {
			for _, m := range r.(object)["remarks"].([]any) {
				rules = append(rules, r.(object)["decision"], m.(object)["rule"])
			}
		}
		return rules
	}
	again := qa.must(201, "POST", path, object{"decision": "sign_off_again", "reason": "Invented: a level moves"})
	want := []any{object{"rule": "not_independent", "detail": "Q. Nobody measured and decided on the sign-off of the survey."}}
	if diff := cmp.Diff(want, again.body["remarks"]); diff != "" {
		t.Errorf("remarks of who measured (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]any{"stands", "not_independent", "sign_off_again", "not_independent"}, remarks()); diff != "" {
		t.Errorf("remarks of the history (-want +got):\n%s", diff)
	}
	v = s.must(200, "GET", "/v1/surveys/"+s.survey, nil)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": "A. Nobody"}, "If-Match", v.header.Get("ETag"))
	if got := remarks(); got != nil {
		t.Errorf("remarks = %v where another measured; want none", got)
	}
	open()
	if got := s.asRole("A. Nobody", "qa").must(201, "POST", path, object{"decision": "stands", "reason": "Invented"}).body["remarks"]; len(got.([]any)) != 1 {
		t.Errorf("remarks = %v; want one", got)
	}
	seal(t, s.service)
	var types []any
	for _, e := range s.must(200, "GET", "/v1/audit?limit=1000", nil).items() {
		if strings.HasPrefix(e["type"].(string), "sign_off_review.") {
			types = append(types, e["type"])
		}
	}
	want = []any{
		"sign_off_review.opened", "sign_off_review.closed", "sign_off_review.opened", "sign_off_review.closed",
		"sign_off_review.opened", "sign_off_review.closed",
	}
	if diff := cmp.Diff(want, types); diff != "" {
		t.Errorf("journal (-want +got):\n%s", diff)
	}
	answered(t, object{"ok": true}, s.must(200, "GET", "/v1/audit/verification", nil))
}

// unpacked writes the files of a ZIP to a directory and returns it with their names.
func unpacked(t *testing.T, archive []byte) (dir string, names []string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	for _, f := range z.File {
		names = append(names, f.Name)
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(dir, filepath.FromSlash(f.Name))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, names
}

func TestSignOffEvidence(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	imported := s.send(s.survey, "the <night> at; $(gate).csv", aLog, aLogOptions(s))
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	const document = "%PDF-1.7 invented"
	s.must(201, "PUT", "/v1/certificates/"+s.meterCertificate+"/document", document, "Content-Type", "application/pdf", "If-None-Match", "*")
	client := s.must(200, "GET", "/v1/clients", nil).ids()[0]
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T08:07:06+01:00"}, "If-Match", `"v1"`)
	made := s.signOff(s.asRole("Q. Nobody", "qa"), object{"statement": "Invented: <script>alert(1)</script>"})
	path := made.header.Get("Location") + "/evidence"
	a := s.must(200, "GET", path, nil)
	if got := a.header.Get("Cache-Control"); got != "private, max-age=31536000, immutable" || a.header.Get("Content-Type") != "application/zip" {
		t.Errorf("Cache-Control %q, Content-Type %q", got, a.header.Get("Content-Type"))
	}
	dir, names := unpacked(t, a.raw)
	log := "files/" + imported.body["id"].(string) + "/the__night__at____gate_.csv"
	want := []string{
		"SHA256SUMS", "certificates/" + s.meterCertificate + ".pdf", log,
		"sign-off.html", "sign-off.json", "summary.json", "trace.json", "verdict.json",
	}
	if diff := cmp.Diff(want, names); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
	read := func(name string) string {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if read(log) != aLog || read(want[1]) != document || read("sign-off.json") != string(made.raw) {
		t.Error("log file, document or frozen copy are not byte for byte what they were")
	}
	for _, name := range []string{"summary", "verdict", "trace"} {
		var got any
		if err := json.Unmarshal([]byte(read(name+".json")), &got); err != nil || !cmp.Equal(got, made.body[name]) {
			t.Errorf("%s.json is not what was signed off: %v", name, err)
		}
	}
	// From a figure to the bytes of its log file, with the evidence alone at hand: position, series, import, file.
	traced := made.body["trace"].(object)["series"].([]any)[0].(object)
	figures := made.body["summary"].(object)["positions"].([]any)[0].(object)
	if traced["position_id"] != figures["position_id"] || traced["import_id"] != imported.body["id"] {
		t.Errorf("the trace leads from position %v to import %v; want %v", figures["position_id"], traced["import_id"], imported.body["id"])
	}
	page := read("sign-off.html")
	place := fmt.Sprintf("position %v, %v", figures["number"], figures["label"])
	for _, part := range []string{"<td>" + place + "</td>", "<h3>Series " + traced["series_id"].(string) + ", LAF, " + place + "</h3>", "<p>Made from " + log + ".</p>"} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	sum := sha256.Sum256(made.raw)
	for _, part := range []string{"A-weighted levels do not describe", "51.", "N-2", "to 2026-03-03 08:07:06 CET", "<td>0.1 %</td><td>nothing</td><td>0, 0</td>", hex.EncodeToString(sum[:]), made.body["audit"].(object)["sha256"].(string), "&lt;script&gt;"} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	if strings.Contains(page, "<script") {
		t.Error("the page has a script")
	}

	// A receiver checks it with the tool that every system has, which finds what was altered.
	check := func() ([]byte, error) {
		c := exec.CommandContext(t.Context(), "sha256sum", "-c", "--strict", "SHA256SUMS")
		c.Dir = dir
		return c.CombinedOutput()
	}
	if out, err := check(); err != nil || strings.Count(string(out), ": OK") != len(want)-1 {
		t.Errorf("sha256sum -c: %v\n%s", err, out)
	}
	if err := os.WriteFile(filepath.Join(dir, "summary.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := check(); err == nil {
		t.Error("sha256sum takes an altered file for good")
	}

	// Whatever became of the survey since, it is the same byte for byte.
	s.must(201, "PUT", "/v1/certificates/"+s.must(200, "GET", "/v1/instruments/"+s.calibrator+"/certificates", nil).ids()[0]+"/document", document+" of the calibrator",
		"Content-Type", "application/pdf", "If-None-Match", "*")
	s.must(200, "POST", "/v1/imports/"+imported.body["id"].(string)+"/withdrawal", object{"reason": "Invented"}, "If-Match", `"v1"`)
	if again := s.asRole("customer", "client", client).must(200, "GET", path, nil); !bytes.Equal(again.raw, a.raw) {
		t.Error("the evidence is another one later, to the client")
	}

	// Its client reads what was signed off, not what became of it; another client finds nothing.
	mine, other := s.asRole("customer", "client", client), s.asRole("other", "client", s.create("/v1/clients", object{"name": "Invented Other"}))
	if got := mine.must(200, "GET", "/v1/sign-offs", nil).items(); len(got) != 1 || got[0]["review_due"] != nil {
		t.Errorf("the client's sign-offs = %v; want the one, without its review", got)
	}
	mine.refused(403, "forbidden", nil, "GET", "/v1/sign-offs?changed=true", nil)
	mine.refused(403, "forbidden", nil, "GET", "/v1/surveys/"+s.survey+"/verdict", nil)
	if got := other.must(200, "GET", "/v1/sign-offs", nil).items(); len(got) != 0 {
		t.Errorf("another client's sign-offs = %v; want none", got)
	}
	for _, of := range []string{path, made.header.Get("Location"), "/v1/surveys/" + s.survey + "/sign-offs"} {
		other.refused(404, "not_found", nil, "GET", of, nil)
	}
	s.asRole("phone", "field").refused(403, "forbidden", nil, "GET", path, nil)
	s.asRole("jobs", "job_system").must(200, "GET", made.header.Get("Location"), nil)

	// A kept file that is not what was signed off breaks the answer off.
	if _, err := pgtest.Connect(t, s.db.Superuser).Exec(t.Context(), `update document set data = '%PDF-1.7 INVENTED' where data = $1`, []byte(document)); err != nil {
		t.Fatal(err)
	}
	func() {
		defer func() { _ = recover() }() // the connection is broken where some of it was sent
		if a := s.ask("GET", path, nil); a.status < 500 || a.header.Get("Cache-Control") != "private, no-cache" {
			t.Errorf("evidence with an altered document = %d, %q", a.status, a.header.Get("Cache-Control"))
		}
	}()
}

// Photos and sketches go with a sign-off as they came; to its client without the place where they were taken.
func TestSignOffPhotos(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.send(s.survey, "log.csv", aLog, aLogOptions(s))
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	list := "/v1/surveys/" + s.survey + "/attachments"
	photo := s.must(201, "POST", list, aPhoto(aCaption), "Content-Type", formType).body["id"].(string)
	const heic = "\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"
	sketch := s.must(201, "POST", list, formOf("gate.heic", heic, aCaption), "Content-Type", formType).body["id"].(string)
	client := s.must(200, "GET", "/v1/clients", nil).ids()[0]
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T08:07:06+01:00"}, "If-Match", `"v1"`)
	path := s.signOff(s.asRole("Q. Nobody", "qa"), object{"statement": "Invented"}).header.Get("Location") + "/evidence"
	s.must(201, "POST", list, aPhoto(with(aCaption, object{"caption": "Made later"})), "Content-Type", formType)
	names := func(of []string) []string {
		return slices.DeleteFunc(of, func(n string) bool { return !strings.HasPrefix(n, "attachments/") })
	}
	checked := func(dir string) {
		t.Helper()
		c := exec.CommandContext(t.Context(), "sha256sum", "-c", "--strict", "SHA256SUMS")
		c.Dir = dir
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("sha256sum -c: %v\n%s", err, out)
		}
	}
	whole := s.must(200, "GET", path, nil)
	dir, files := unpacked(t, whole.raw)
	gate := "attachments/" + photo + "/gate.jpg"
	want := []string{gate, "attachments/" + sketch + "/gate.heic"}
	slices.Sort(want)
	if diff := cmp.Diff(want, names(files)); diff != "" {
		t.Errorf("photos and sketches (-want +got):\n%s", diff)
	}
	checked(dir)
	if got, err := os.ReadFile(filepath.Join(dir, gate)); err != nil || string(got) != located {
		t.Errorf("the photo is not as it came: %v", err)
	}

	theirs := s.asRole("customer", "client", client)
	shown := theirs.must(200, "GET", path, nil)
	if shown.header.Get("ETag") == whole.header.Get("ETag") {
		t.Error("the client's copy, which is another, has the same entity tag")
	}
	dir, files = unpacked(t, shown.raw)
	if diff := cmp.Diff([]string{gate, "attachments/signed-off.txt"}, names(files)); diff != "" {
		t.Errorf("the client's photos and sketches (-want +got):\n%s", diff)
	}
	checked(dir)
	sum := sha256.Sum256([]byte(located))
	said, err := os.ReadFile(filepath.Join(dir, "attachments/signed-off.txt"))
	if err != nil || !strings.Contains(string(said), hex.EncodeToString(sum[:])+"  "+gate+"  without") || !strings.Contains(string(said), "gate.heic  left out") {
		t.Errorf("what was left out: %s, %v", said, err)
	}
	got, err := os.ReadFile(filepath.Join(dir, gate))
	const place = "\x00\x00\x00\x30\x00\x00\x00\x01\x00\x00\x00\x0c\x00\x00\x00\x01" // 48, 12
	if err != nil || strings.Contains(string(got), place) || strings.Contains(string(shown.raw), place) {
		t.Errorf("the client's photo tells the place, %v", err)
	}
	if again := theirs.must(200, "GET", path, nil); !bytes.Equal(again.raw, shown.raw) {
		t.Error("the client's copy is another one the second time")
	}
	theirs.must(304, "GET", path, nil, "If-None-Match", shown.header.Get("ETag"))
	theirs.must(200, "GET", path, nil, "If-None-Match", whole.header.Get("ETag"))
}

// What is small is not shown as nothing, and what is not whole not as whole.
func TestShownOnTheSheet(t *testing.T) {
	for x, want := range map[float64]string{0: "0.00", 0.002: "< 0.005", 0.0049: "< 0.005", 0.005: "0.01", 0.29: "0.29"} {
		if got := api.ShownUncertainty(&x); got != want {
			t.Errorf("%v dB is shown as %s; want %s", x, got, want)
		}
	}
	for x, want := range map[float64]string{0: "0.0 %", 0.00116: "0.1 %", 0.9996: "99.9 %", 1: "100.0 %"} {
		if got := api.ShownCoverage(&x); got != want {
			t.Errorf("%v is shown as %s; want %s", x, got, want)
		}
	}
}
