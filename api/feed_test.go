package api_test

import (
	"bytes"
	"crypto/sha256"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/google/go-cmp/cmp"

	"leveltrail/api"
	"leveltrail/persistence/pgtest"
)

func TestFeed(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	s := serveWith(t, api.Config{Log: slog.New(slog.NewTextHandler(&log, nil)), Now: func() time.Time { return now }})
	calibrated := func(serial, on string, change object) string {
		id := s.create("/v1/instruments", with(with(aMeter, object{"serial_number": serial}), change))
		s.create("/v1/instruments/"+id+"/certificates", with(aCertificate, object{
			"number": "N-" + serial, "item_serial_number": serial, "scope": nil, "issued_on": nil, "due_override_on": nil, "results": []any{}, "parts": []any{},
			"calibrated_from": on, "calibrated_on": on,
		}))
		return id
	}
	overdue := calibrated("M-9", "2024-01-10", nil)
	// Text that RFC 5545, 3.3.11, has escaped, and so long that 3.1 has it folded, at no place within a character.
	odd := calibrated("M,8;\\9", "2024-06-10", object{"manufacturer": "Erfundene Geräte\nund Söhne", "model": strings.TrimSpace(strings.Repeat("Größe µ ", 20))})
	calibrated("fresh", "2026-04-01", nil)

	made := s.must(201, "POST", "/v1/calibrations/feeds", object{"name": "Invented calendar", "within_days": 60, "rule_profile": "environmental"})
	answered(t, object{"name": "Invented calendar", "within_days": 60., "rule_profile": "environmental", "last_used_at": nil}, made)
	address := made.body["address"].(string)
	secret := strings.TrimSuffix(strings.TrimPrefix(address, "/feeds/"), ".ics")
	fetch := func(headers ...string) answer {
		t.Helper()
		return s.call("GET", address, nil, append(headers, "Authorization", "")...)
	}
	a := fetch()
	if a.status != 200 || a.header.Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Fatalf("the calendar = %d %s", a.status, a.raw)
	}
	text := string(a.raw)

	// RFC 5545, 3.1: lines end with CRLF and have at most 75 octets without it.
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		if len(line) > 75 || strings.ContainsAny(line, "\r\n") || !utf8.ValidString(line) {
			t.Errorf("line %q of %d octets", line, len(line))
		}
	}
	unfolded := strings.ReplaceAll(text, "\r\n ", "")
	for _, want := range []string{
		"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:", "\r\nNAME:Invented calendar\r\n", // 3.6, 3.7.3, 3.7.4; RFC 7986, 5.1
		"\r\nDTSTART;VALUE=DATE:20260110\r\n", "\r\nDTSTART;VALUE=DATE:20260610\r\n", // 3.8.2.4, of a whole day: 24 months after the calibration
		`M\,8\;\\9`, "Erfundene Geräte und Söhne",
	} {
		if !strings.Contains(unfolded, want) {
			t.Errorf("the calendar lacks %q:\n%s", want, text)
		}
	}

	cal, err := ics.ParseCalendar(bytes.NewReader(a.raw))
	if err != nil {
		t.Fatal(err)
	}
	var uids []string
	for _, e := range cal.Events() {
		uids = append(uids, e.Id())
		at, err := e.GetDtStampTime() // 3.6.1: once; 3.8.7.2: when the facts were last changed
		if since := time.Since(at); err != nil || since < 0 || since > time.Hour {
			t.Errorf("%s: DTSTAMP %v, %v; want the time of the records", e.Id(), at, err)
		}
		if e.GetProperty(ics.ComponentPropertySummary) == nil || len(e.Alarms()) != 2 {
			t.Errorf("%s: %d alarms; want a summary and 2 alarms", e.Id(), len(e.Alarms()))
		}
		for i, alarm := range e.Alarms() { // 3.6.6: what shows a text has each of these
			got := []string{}
			for _, name := range []ics.ComponentProperty{ics.ComponentPropertyAction, ics.ComponentPropertyTrigger} {
				got = append(got, alarm.GetProperty(name).Value)
			}
			if want := []string{"DISPLAY", []string{"-P30D", "-P7D"}[i]}; !slices.Equal(got, want) || alarm.GetProperty(ics.ComponentPropertyDescription) == nil {
				t.Errorf("alarm %q; want %q with a text", got, want)
			}
		}
	}
	want := []string{"due-" + overdue + "-sound_level_meter@leveltrail", "due-" + odd + "-sound_level_meter@leveltrail"}
	if diff := cmp.Diff(want, uids); diff != "" {
		t.Errorf("events, the first end in front (-want +got):\n%s", diff)
	}
	if got, want := ics.FromText(cal.Events()[1].GetProperty(ics.ComponentPropertySummary).Value),
		"Calibration ends: Erfundene Geräte und Söhne "+strings.TrimSpace(strings.TrimSpace(strings.Repeat("Größe µ ", 20)))+` M,8;\9 (sound level meter)`; !strings.Contains(strings.ReplaceAll(got, "  ", " "), want) {
		t.Errorf("summary %q; want %q", got, want)
	}

	// The same list gives the same bytes, on another day too; a change gives others.
	now = now.Add(24 * time.Hour)
	if again := fetch(); !bytes.Equal(again.raw, a.raw) || again.header.Get("ETag") != a.header.Get("ETag") {
		t.Errorf("the same list gives\n%s\nafter\n%s", again.raw, a.raw)
	}
	if got := fetch("If-None-Match", a.header.Get("ETag")); got.status != 304 || len(got.raw) != 0 {
		t.Errorf("with its entity tag %d %s; want 304", got.status, got.raw)
	}
	s.create("/v1/instruments/"+odd+"/events", object{"kind": "repair", "on": "2026-04-20", "ends_cover": true})
	changed := fetch("If-None-Match", a.header.Get("ETag"))
	if changed.status != 200 || !strings.Contains(string(changed.raw), "DTSTART;VALUE=DATE:20260419") || !strings.Contains(string(changed.raw), want[1][:40]) {
		t.Errorf("after a repair %d %s; want the same event on the day before it", changed.status, changed.raw)
	}

	// The secret is kept nowhere, and shown nowhere again.
	feed := made.header.Get("Location")
	read := s.must(200, "GET", feed, nil)
	answered(t, object{"name": "Invented calendar", "address": nil}, read)
	if read.body["last_used_at"] == nil {
		t.Error("last_used_at is null after the feed was read")
	}
	if got := s.must(200, "GET", "/v1/calibrations/feeds", nil).ids(); !slices.Equal(got, []string{made.body["id"].(string)}) {
		t.Errorf("feeds = %q", got)
	}
	var kept []byte
	db := pgtest.Connect(t, s.db.Superuser)
	err = db.QueryRow(t.Context(), `select secret_hash from calendar_feed`).Scan(&kept)
	if sum := sha256.Sum256([]byte(secret)); err != nil || !bytes.Equal(kept, sum[:]) {
		t.Errorf("kept is %x, %v; want SHA-256 of the secret %x", kept, err, sum)
	}
	for _, path := range []string{address, address + "/x", "/feeds/" + secret, "/v1/feeds/" + secret + ".ics", "/v1/calibrations/feeds/" + secret + ".ics"} {
		got := s.ask("POST", path, nil)
		if strings.Contains(string(got.raw), secret) || got.status < 400 || got.status == 500 {
			t.Errorf("POST of a misspelt address: %d %s", got.status, got.raw)
		}
	}
	if got := fetch("X-Request-Id", "probe"); got.status != 200 {
		t.Errorf("the calendar = %d", got.status)
	}
	s.refused(400, "unknown_parameter", []string{"x unknown_parameter"}, "GET", address+"?x=1", nil, "Authorization", "")

	// Revoked, it is as if it had never been.
	s.refused(428, "precondition_required", nil, "DELETE", feed, nil)
	s.must(204, "DELETE", feed, nil, "If-Match", `"v1"`)
	s.refused(404, "not_found", nil, "GET", feed, nil)
	for _, path := range []string{address, "/feeds/" + strings.Repeat("A", 43) + ".ics", "/feeds/x.ics", "/feeds/" + secret} {
		if got := s.ask("GET", path, nil, "Authorization", ""); got.status != 404 || got.body["instance"] != "/feeds/…" {
			t.Errorf("GET %s = %d %s; want 404, without the secret", path, got.status, got.raw)
		}
	}
	if strings.Contains(log.String(), secret) || !strings.Contains(log.String(), "path=/feeds/…") {
		t.Errorf("the log shows the secret, or no feed at all:\n%s", log.String())
	}

	s.refused(422, "invalid", []string{"/name required", "/within_days out_of_range"}, "POST", "/v1/calibrations/feeds", object{"name": " ", "within_days": -1})
	s.refused(422, "invalid", []string{"/rule_profile unknown_reference"}, "POST", "/v1/calibrations/feeds", object{"name": "x", "rule_profile": "none"})
	s.keyed("field").refused(403, "forbidden", nil, "GET", "/v1/calibrations/feeds", nil)
}

// A feed holds the whole list, however many pages it has; and it has an allowance of its own.
func TestFeedOfManyPages(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	s := serveWith(t, api.Config{Log: discard, Now: func() time.Time { return now }, Limits: api.Limits{RequestsPerS: 0.01, Burst: 20}})
	const instruments = 400 // two whole pages: no more follow
	meter := s.create("/v1/instruments", aMeter)
	s.create("/v1/instruments/"+meter+"/certificates", with(aCertificate, object{
		"scope": nil, "item_serial_number": "M-1", "due_override_on": nil, "results": []any{}, "issued_on": nil, "calibrated_from": "2024-01-10", "calibrated_on": "2024-01-10",
	}))
	multiplied(t, s, instruments-1)
	address := s.must(201, "POST", "/v1/calibrations/feeds", object{"name": "All"}).body["address"].(string)
	a := s.call("GET", address, nil, "Authorization", "")
	if got := strings.Count(string(a.raw), "BEGIN:VEVENT\r\n"); a.status != 200 || got != instruments {
		t.Errorf("%d, %d events; want 200, %d", a.status, got, instruments)
	}
	for range 19 {
		s.call("GET", address, nil, "Authorization", "")
	}
	s.refused(429, "too_many_requests", nil, "GET", address, nil, "Authorization", "")
	s.must(200, "GET", "/v1/calibrations/feeds", nil)
}

// multiplied copies the only instrument and its certificate so many times.
func multiplied(t *testing.T, s *service, times int) {
	t.Helper()
	db := pgtest.Connect(t, s.db.Superuser)
	for _, table := range []string{"instrument", "instrument_version", "certificate", "certificate_version", "last_calibration"} {
		change := `jsonb_build_object('id', md5($1 || 'certificate' || n)::uuid, 'number', 'N-' || n, 'instrument_id', md5($1 || 'instrument' || n)::uuid)`
		if strings.HasPrefix(table, "instrument") {
			change = `jsonb_build_object('id', md5($1 || 'instrument' || n)::uuid, 'serial_number', 'M-0' || n)`
		}
		_, err := db.Exec(t.Context(), `insert into `+table+` select (jsonb_populate_record(o, to_jsonb(o) || `+change+`)).* from `+table+` o, generate_series(1, $2::int) n`,
			"", times)
		if err != nil {
			t.Fatal(err)
		}
	}
}
