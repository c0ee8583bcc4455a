package api_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leveltrail/persistence/pgtest"
)

// look asks for the preview of a log file.
func (s *service) look(log string, options object) answer {
	s.t.Helper()
	body, mediaType := form(s.t, "night.csv", log, options, true)
	return s.must(200, "POST", "/v1/imports/preview", body, "Content-Type", mediaType)
}

// asked returns what a preview asks, by option.
func asked(a answer) map[string]object {
	qs := map[string]object{}
	for _, q := range a.body["questions"].([]any) {
		q := q.(object)
		qs[q["option"].(string)] = q
	}
	return qs
}

// TestPreview asks back what a file leaves open, and does not ask what is known. The
// facts of the trade, dates that read both ways and stamps at an end, are common practice, no source.
func TestPreview(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	// The 3rd of April or the 4th of March; a minute's level stamped at its beginning or end.
	log := "date;time;LAeq dB(A)\n03/04/2026;07:00:00;51.2\n03/04/2026;07:01:00;<30\n03/04/2026;07:02:00;50.9\n"
	open := s.look(log, object{})
	qs := asked(open)
	if open.body["refused"] != true || qs["date_order"] == nil {
		t.Fatalf("preview = %s; want that it asks for the date order", open.raw)
	}
	if diff := cmp.Diff([]any{"dmy", "mdy"}, qs["date_order"]["choices"]); diff != "" || qs["date_order"]["needed"] != true {
		t.Errorf("date_order = %v; want needed, dmy or mdy", qs["date_order"])
	}
	told := s.look(log, object{"date_order": "dmy", "time_zone": "Europe/Vienna", "position_id": s.position})
	qs = asked(told)
	if told.body["refused"] != false || len(qs) != 1 || qs["stamps"] == nil || qs["stamps"]["assumed"] != "interval_start" || qs["stamps"]["needed"] != false {
		t.Errorf("preview with the date order = %s; want that it asks for stamps alone", told.raw)
	}
	rows := told.body["first"].([]any)
	if len(rows) != 3 || rows[0].(object)["at"] != "2026-04-03T05:00:00Z" || rows[0].(object)["levels"].([]any)[0].(object)["level_db"] != 51.2 ||
		rows[1].(object)["levels"].([]any)[0].(object)["flag"] != "under_range" {
		t.Errorf("first = %v; want three rows from 07:00 in Vienna, the second under range", rows)
	}
	if got := asked(s.look(log, object{"date_order": "dmy", "stamps": "interval_end", "position_id": s.position})); len(got) != 0 {
		t.Errorf("questions = %v; want none", got)
	}
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-05T07:00:00Z"}, "If-Match", `"v1"`)
	if got := asked(s.look(log, object{"survey_id": s.survey, "stamps": "interval_start"})); got["date_order"] != nil && got["date_order"]["needed"] == true || got["position_id"] == nil {
		t.Errorf("questions within the survey = %v; want its date settled, the position asked", got)
	}
	layout := s.create("/v1/layouts", object{"name": "Invented month first", "date_order": "mdy"})
	if got := s.look(log, object{"layout_id": layout, "time_zone": "UTC"}); got.body["first"].([]any)[0].(object)["at"] != "2026-03-04T07:00:00Z" {
		t.Errorf("with a layout of mdy: %v; want the 4th of March", got.body["first"])
	}
	numbered := "position;date;time;LAF dB(A)\n101;2026-03-03;07:00:00;51.2\n7;2026-03-03;07:05:10;50.9\n7;2026-03-03;07:06:40;50.1\n"
	if got := asked(s.look(numbered, object{"survey_id": s.survey})); got["positions"] == nil || !strings.Contains(got["positions"]["detail"].(string), "number 7") {
		t.Errorf("questions = %v; want position 7 asked", got)
	}
	long := longLog(200_000) // longer than what is held in memory
	if got := s.look(long, object{"position_id": s.position}); got.body["rows"].(object)["accepted"] != 2e5 {
		t.Errorf("rows of a long file = %v; want 200000", got.body["rows"])
	}
	body, mediaType := form(t, "x.csv", log, object{"layout_id": s.survey, "survey_id": s.position}, false)
	s.refused(422, "invalid", []string{"/layout_id unknown_reference"}, "POST", "/v1/imports/preview", body, "Content-Type", mediaType)

	var kept int
	err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(),
		`select (select count(*) from file) + (select count(*) from file_part) + (select count(*) from upload) + (select count(*) from import)`).Scan(&kept)
	if err != nil || kept != 0 {
		t.Errorf("%d rows are kept, %v; want none", kept, err)
	}
}

// TestLayouts keeps a named layout and has it win over what detection says.
// Every question of a preview can be answered: a day that no row tells, a text that says no side.
func TestAnswersToQuestions(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	log := "time;LAF dB(A)\n07:00:00;51.2\n07:00:01;---\n07:00:02;50.9\n"
	if q := asked(s.look(log, object{"position_id": s.position}))["date"]; q == nil || q["needed"] != true {
		t.Errorf("question date = %v; want it needed", q)
	}
	layout := s.create("/v1/layouts", object{"name": "Invented, dashes under range", "missing": "under_range"})
	options := object{"instrument_id": s.meter, "position_id": s.position, "date": "2026-03-03", "time_zone": "UTC", "layout_id": layout}
	a := s.send(s.survey, "day.txt", log, options)
	if a.status != 201 || a.body["rows"].(object)["flagged"] != 1.0 || a.body["options"].(object)["date"] != "2026-03-03" ||
		a.body["layout"].(object)["missing"] != "under_range" || a.body["series"].([]any)[0].(object)["started_at"] != "2026-03-03T07:00:00Z" {
		t.Errorf("the import is %d %s", a.status, a.raw)
	}
	s.refused(422, "invalid", []string{"/missing unknown_value"}, "POST", "/v1/layouts", object{"name": "x", "missing": "below"})
	if b := s.send(s.survey, "day.txt", log+"\n", with(options, object{"date": "3 March"})); b.status != 422 {
		t.Errorf("with a date that is none: %d %s", b.status, b.raw)
	}
}

func TestLayouts(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	body := object{
		"name": "Invented table", "instrument_id": s.meter, "encoding": "windows-1252", "delimiter": ";", "decimal": ",", "header_rows": 1,
		"date_order": "dmy", "columns": object{"date": 1, "time": 2, "level": 4}, "unit": "dB(A)", "quantity": "LAF",
	}
	made := s.must(201, "POST", "/v1/layouts", body)
	path, id := made.header.Get("Location"), made.body["id"].(string)
	answered(t, with(body, object{"columns": object{"date": 1., "time": 2., "level": 4.}, "header_rows": 1., "version": 1., "removed": false}), made)
	answered(t, made.body, s.must(200, "GET", path, nil))
	s.refused(422, "invalid", []string{"/columns/date duplicate_member"}, "POST", "/v1/layouts", `{"name": "Twice", "columns": {"date": 1, "date": 2, "time": 3, "level": 4}}`)
	s.refused(409, "duplicate", nil, "POST", "/v1/layouts", body)
	s.refused(422, "invalid", []string{"/columns/volume unknown_member", "/date_order unknown_value", "/name required"}, "POST", "/v1/layouts",
		object{"name": "", "date_order": "ydm", "columns": object{"volume": 3, "date_time": 1, "level": 2}})
	s.refused(422, "invalid", []string{"/instrument_id unknown_reference"}, "POST", "/v1/layouts", object{"name": "x", "instrument_id": s.position})
	s.refused(428, "precondition_required", nil, "PATCH", path, object{"decimal": "."})
	answered(t, object{"decimal": ".", "delimiter": ";", "version": 2.}, s.must(200, "PATCH", path, object{"decimal": ".", "unit": nil}, "If-Match", `"v1"`))
	s.refused(412, "precondition_failed", nil, "DELETE", path, nil, "If-Match", `"v1"`)
	other := s.create("/v1/layouts", object{"name": "Invented, of no meter"})
	if got := s.must(200, "GET", "/v1/layouts?instrument_id="+s.meter, nil).ids(); !cmp.Equal(got, []string{id}) {
		t.Errorf("layouts of the meter = %v; want %s", got, id)
	}
	if got := s.must(200, "GET", "/v1/layouts", nil).ids(); !cmp.Equal(got, []string{id, other}) {
		t.Errorf("layouts = %v; want both", got)
	}

	// Two columns of levels without headings: refused, kept, and tried again with the layout.
	log := "03.03.2026;07:00:00;61.2;51.2\n03.03.2026;07:00:01;61.4;51.4\n03.03.2026;07:00:02;60.9;50.9\n"
	refusedFile := s.send(s.survey, "two.csv", log, aLogOptions(s))
	if refusedFile.status != 422 || !strings.Contains(string(refusedFile.raw), "level_column_ambiguous") {
		t.Fatalf("import without a layout = %d %s; want 422, level_column_ambiguous", refusedFile.status, refusedFile.raw)
	}
	kept := refusedFile.body["import"].(object)["id"].(string)
	list := "/v1/surveys/" + s.survey + "/imports"
	s.must(200, "PATCH", path, object{"header_rows": 0}, "If-Match", `"v2"`)
	again := s.must(201, "POST", list, with(aLogOptions(s), object{"import_id": kept, "layout_id": id}))
	series := again.body["series"].([]any)[0].(object)
	answered(t, object{"items": []any{object{"started_at": "2026-03-03T06:00:00Z", "levels_db": []any{51.2, 51.4, 50.9}}}},
		s.must(200, "GET", "/v1/series/"+series["id"].(string)+"/samples", nil))
	answered(t, object{"layout_id": id}, answer{body: again.body["options"].(object)})
	if got := s.must(200, "GET", again.header.Get("Location")+"/file", nil); string(got.raw) != log {
		t.Error("the file tried again is not the one that was sent")
	}
	s.must(200, "POST", again.header.Get("Location")+"/withdrawal", object{"reason": "wrong column"}, "If-Match", `"v1"`)
	states := []string{}
	for _, v := range s.must(200, "GET", again.header.Get("Location")+"/versions", nil).items() {
		states = append(states, v["state"].(string))
	}
	if diff := cmp.Diff([]string{"accepted", "withdrawn"}, states); diff != "" {
		t.Errorf("versions (-want +got):\n%s", diff)
	}

	s.must(204, "DELETE", path, nil, "If-Match", `"v3"`)
	if got := s.must(200, "GET", "/v1/layouts", nil).ids(); !cmp.Equal(got, []string{other}) {
		t.Errorf("layouts after the removal = %v; want the other", got)
	}
	answered(t, object{"removed": true, "version": 4.}, s.must(200, "GET", path, nil))
	s.refused(422, "invalid", []string{"/layout_id unknown_reference"}, "POST", list, with(aLogOptions(s), object{"import_id": kept, "layout_id": id}))
	s.create("/v1/layouts", body) // its name is free again
}

// TestSpotPositions imports readings at irregular times, one per key press with a position
// number (common practice, no source), onto positions that are there, mapped or made.
func TestSpotPositions(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)
	yard := s.create("/v1/projects/"+project+"/positions", object{"number": 205, "label": "Yard"})
	log := "place;date;time;LAF dB(A)\n101;2026-03-03;07:00:00;51.2\n7;2026-03-03;07:05:10;50.9\n101;2026-03-03;07:06:41;53.0\n" +
		"8;2026-03-03;07:31:07;49.5\n7;2026-03-03;07:35:12;50.8\n7;2026-03-03;07:52:00;50.7\n"
	log = strings.Replace(log, "place", "position", 1)
	options := object{"instrument_id": s.meter, "quantity": "LAF"}
	unknown := s.send(s.survey, "spot.csv", log, options)
	if unknown.status != 422 || !strings.Contains(string(unknown.raw), "position_unknown") {
		t.Errorf("numbers that the project does not have = %d %s; want 422, position_unknown", unknown.status, unknown.raw)
	}
	one := s.send(s.survey, "spot.csv", log, with(options, object{"position_id": s.position}))
	if one.status != 422 || !strings.Contains(string(one.raw), "several_positions") {
		t.Errorf("one position for all = %d %s; want 422, several_positions", one.status, one.raw)
	}
	if got := len(s.must(200, "GET", "/v1/projects/"+project+"/positions", nil).items()); got != 2 {
		t.Errorf("%d positions after refused imports; want 2", got)
	}
	made := s.send(s.survey, "spot.csv", log, with(options, object{"positions": object{"7": yard}, "create_positions": true}))
	if made.status != 201 {
		t.Fatalf("import = %d %s; want 201", made.status, made.raw)
	}
	labels := map[string]string{}
	for _, p := range s.must(200, "GET", "/v1/projects/"+project+"/positions", nil).items() {
		labels[p["id"].(string)] = p["label"].(string)
	}
	got := map[string]float64{}
	for _, series := range made.body["series"].([]any) {
		series := series.(object)
		got[labels[series["position_id"].(string)]] = series["samples"].(float64)
		if h := s.must(200, "GET", "/v1/series/"+series["id"].(string), nil).body; h["interval_s"] != nil {
			t.Errorf("series of spot readings has the interval %v; want none", h["interval_s"])
		}
	}
	if diff := cmp.Diff(map[string]float64{"Gate": 2, "Yard": 3, "Position 8": 1}, got); diff != "" {
		t.Errorf("readings by position (-want +got):\n%s", diff)
	}
}

// TestClockDrift imports an hour logged by a clock that lost 3 s in it, told by two checks.
func TestClockDrift(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	var checks []object
	for meter, truth := range map[string]string{"2026-03-03T07:00:00Z": "2026-03-03T07:00:02Z", "2026-03-03T08:00:00Z": "2026-03-03T08:00:05Z"} {
		checks = append(checks, object{"meter_at": meter, "true_at": truth})
	}
	if checks[0]["meter_at"] != "2026-03-03T07:00:00Z" {
		checks[0], checks[1] = checks[1], checks[0]
	}
	made := s.send(s.survey, "drift.csv", longLog(3600), with(aLogOptions(s), object{"time_zone": "UTC", "clock_checks": checks}))
	if made.status != 201 {
		t.Fatalf("import = %d %s; want 201", made.status, made.raw)
	}
	if !strings.Contains(string(made.raw), "clock_corrected") {
		t.Errorf("problems = %v; want clock_corrected", made.body["problems"])
	}
	series := made.body["series"].([]any)[0].(object)
	// 3600 s by the meter are 3603 s: it begins 2 s later and ends, within half a second, 5 s later.
	if series["started_at"] != "2026-03-03T07:00:02Z" || series["ended_at"] != "2026-03-03T08:00:05Z" || series["samples"] != 3600. {
		t.Errorf("series = %v; want 3600 samples from 07:00:02 to 08:00:05", series)
	}
	answered(t, object{"samples": 3600.}, s.must(200, "GET", "/v1/series/"+series["id"].(string)+"/summary", nil))
}
