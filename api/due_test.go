package api_test

import (
	"encoding/csv"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/api"
)

// The rules of dates are pinned in the domain; here that each way a cover may end is found among many.
func TestDueList(t *testing.T) {
	t.Parallel()
	today := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	s := serveWith(t, api.Config{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Now: func() time.Time { return today }})
	instrument := func(serial, kind, on string, change object) (id string) {
		about := with(aMeter, object{"serial_number": serial})
		if kind == "sound_calibrator" {
			about = with(aCalibrator, object{"serial_number": serial})
		}
		id = s.create("/v1/instruments", about)
		s.create("/v1/instruments/"+id+"/certificates", with(with(aCertificate, object{
			"number": "N-" + serial, "item_serial_number": serial, "scope": nil, "issued_on": nil,
			"calibrated_from": on, "calibrated_on": on, "results": []any{},
		}), change))
		return id
	}
	instrument("fresh", "sound_level_meter", "2025-06-01", nil)
	instrument("in 60 days", "sound_level_meter", "2024-06-30", nil)
	instrument("in 61 days", "sound_level_meter", "2024-07-01", nil)
	instrument("yesterday", "sound_calibrator", "2025-04-30", nil)
	instrument("shortened", "sound_level_meter", "2026-01-10", object{"due_override_on": "2026-05-20"})
	instrument("not left well", "sound_level_meter", "2026-04-20", object{"as_left": "fail"})
	repaired := instrument("repaired", "sound_level_meter", "2025-06-01", nil)
	s.create("/v1/instruments/"+repaired+"/events", object{"kind": "repair", "on": "2025-09-15", "ends_cover": true})
	withdrawn := instrument("withdrawn", "sound_level_meter", "2026-01-10", nil)
	certificate := s.must(200, "GET", "/v1/instruments/"+withdrawn+"/certificates", nil).ids()[0]
	s.must(201, "POST", "/v1/certificates/"+certificate+"/withdrawal", object{"reason": "Invented: wrong item", "effective_from": "2026-04-01"})
	again := instrument("calibrated again", "sound_level_meter", "2023-01-10", nil)
	s.create("/v1/instruments/"+again+"/certificates", with(aCertificate, object{
		"number": "N-2", "item_serial_number": "calibrated again", "scope": nil, "issued_on": nil, "calibrated_from": "2026-01-10", "calibrated_on": "2026-01-10", "results": []any{},
	}))
	s.create("/v1/instruments", with(aMeter, object{"serial_number": "never"}))

	told := func(a answer) []string {
		var rows []string
		for _, r := range a.items() {
			rows = append(rows, strings.Join([]string{
				r["instrument"].(object)["serial_number"].(string), r["effective_end_on"].(string), r["ended_by"].(string), r["state"].(string),
				r["rule_profile"].(object)["code"].(string),
			}, " "))
		}
		return rows
	}
	want := []string{
		"repaired 2025-09-14 event overdue environmental", "withdrawn 2026-03-31 withdrawal overdue environmental",
		"not left well 2026-04-19 as_left overdue environmental", "yesterday 2026-04-30 interval overdue environmental",
		"shortened 2026-05-20 override due environmental", "in 60 days 2026-06-30 interval due environmental",
	}
	if diff := cmp.Diff(want, told(s.must(200, "GET", "/v1/calibrations/due?within_days=60", nil))); diff != "" {
		t.Errorf("due (-want +got):\n%s", diff)
	}
	// By the workplace profile calibrators, too, have 24 months.
	if got := told(s.must(200, "GET", "/v1/calibrations/due?rule_profile=workplace", nil)); len(got) != 5 || got[3] != "shortened 2026-05-20 override due workplace" {
		t.Errorf("by the workplace profile %q; want all but the calibrator", got)
	}

	// Page by page it is the same list.
	var paged []string
	path := "/v1/calibrations/due?limit=2"
	for {
		a := s.must(200, "GET", path, nil)
		paged = append(paged, told(a)...)
		next, more := a.body["next_cursor"].(string)
		if !more {
			break
		}
		path = "/v1/calibrations/due?limit=2&cursor=" + next
	}
	if diff := cmp.Diff(want, paged); diff != "" {
		t.Errorf("page by page (-want +got):\n%s", diff)
	}

	a := s.must(200, "GET", "/v1/calibrations/due", nil, "Accept", "text/csv")
	lines, err := csv.NewReader(strings.NewReader(string(a.raw))).ReadAll()
	if err != nil || len(lines) != 7 || lines[0][4] != "serial_number" || lines[1][4] != "repaired" || lines[1][11] != "2025-09-14" {
		t.Errorf("table = %q, %v; want a header and six lines, the repaired meter first", lines, err)
	}

	// A survey is planned for days of which the last is beyond the cover of its meter.
	later := s.must(200, "GET", "/v1/instruments?serial_number=in+61+days", nil).ids()[0]
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "Europe/Vienna"})
	plan := func(to string) string {
		return s.create("/v1/projects/"+project+"/surveys", object{
			"kind": "environmental", "started_at": "2026-06-29T07:00:00+02:00", "planned": object{"to": to, "instrument_ids": []any{later}},
		})
	}
	plan("2026-07-01T20:00:00+02:00")
	beyond := plan("2026-07-02T00:00:01+02:00")
	for _, r := range s.must(200, "GET", "/v1/calibrations/due?within_days=5", nil).items() {
		if r["instrument"].(object)["id"] == later {
			if diff := cmp.Diff([]any{beyond}, r["surveys"]); diff != "" || r["state"] != "planned_beyond" {
				t.Errorf("state %v, surveys (-want +got):\n%s", r["state"], diff)
			}
			later = ""
		}
	}
	if later != "" {
		t.Error("an instrument planned beyond its cover is not listed")
	}

	s.refused(400, "out_of_range", []string{"within_days out_of_range"}, "GET", "/v1/calibrations/due?within_days=-1", nil)
	s.refused(400, "unknown_reference", []string{"rule_profile unknown_reference"}, "GET", "/v1/calibrations/due?rule_profile=none", nil)
	s.refused(400, "unknown_parameter", []string{"unknown unknown_parameter"}, "GET", "/v1/calibrations/due?unknown=1", nil, "Accept", "text/csv")
	site{service: s}.asRole("Phone", "field").refused(403, "forbidden", nil, "GET", "/v1/calibrations/due", nil)
}
