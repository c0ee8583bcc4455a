package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"mime/multipart"
	"net/textproto"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/persistence/pgtest"
)

// aLog is an invented log file of five seconds in a day of winter time.
const aLog = "no;date;time;LAF dB\n" +
	"1;03.03.2026;07:00:00;51,2\n2;03.03.2026;07:00:01;51,4\n3;03.03.2026;07:00:02;50,9\n4;03.03.2026;07:00:03;52,0\n5;03.03.2026;07:00:04;51,1\n"

func aLogOptions(s site) object {
	return object{"instrument_id": s.meter, "position_id": s.position, "quantity": "LAF"}
}

// form returns a multipart form of a file and the options of its import, and its media type.
// The same form has the same bytes.
func form(t testing.TB, name, log string, options any, optionsFirst bool) (body, mediaType string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	if err := w.SetBoundary("a-boundary-of-the-tests"); err != nil {
		t.Fatal(err)
	}
	part := func(disposition, mediaType, text string) {
		p, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {disposition}, "Content-Type": {mediaType}})
		if err != nil {
			t.Fatal(err)
		}
		_, _ = p.Write([]byte(text)) // a buffer takes all
	}
	text, err := json.Marshal(options)
	if err != nil {
		t.Fatal(err)
	}
	file := func() {
		part(fmt.Sprintf("form-data; name=file; filename=%q", name), "application/octet-stream", log)
	}
	if !optionsFirst {
		file()
	}
	part("form-data; name=options", "application/json", string(text))
	if optionsFirst {
		file()
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String(), w.FormDataContentType()
}

// send imports a log file into a survey.
func (s *service) send(survey, name, log string, options any, headers ...string) answer {
	s.t.Helper()
	body, mediaType := form(s.t, name, log, options, false)
	return s.call("POST", "/v1/surveys/"+survey+"/imports", body, append([]string{"Content-Type", mediaType}, headers...)...)
}

func TestImport(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	list := "/v1/surveys/" + s.survey + "/imports"
	made := s.send(s.survey, "Nacht 1.csv", aLog, aLogOptions(s))
	if made.status != 201 {
		t.Fatalf("import = %d %s; want 201", made.status, made.raw)
	}
	path := made.header.Get("Location")
	sum := sha256.Sum256([]byte(aLog))
	answered(t, object{
		"survey_id": s.survey, "state": "accepted", "version": 1.,
		"file": object{"name": "Nacht 1.csv", "bytes": float64(len(aLog)), "sha256": hex.EncodeToString(sum[:])},
		"rows": object{"read": 5., "accepted": 5., "flagged": 0., "rejected": 0.},
	}, made)
	layout := made.body["layout"].(object)
	for member, want := range map[string]any{
		"delimiter": ";", "decimal": ",", "header_rows": 1., "date_order": "dmy",
		"columns": map[string]any{"sequence": 1., "date": 2., "time": 3., "level": 4.},
	} {
		if diff := cmp.Diff(want, layout[member]); diff != "" {
			t.Errorf("layout: %s (-want +got):\n%s", member, diff)
		}
	}
	answered(t, made.body, s.must(200, "GET", path, nil))
	series := made.body["series"].([]any)[0].(object)
	if series["started_at"] != "2026-03-03T06:00:00Z" || series["ended_at"] != "2026-03-03T06:00:05Z" || series["samples"] != 5. {
		t.Errorf("series = %v; want five samples from 07:00 in Vienna", series)
	}
	answered(t, object{"items": []any{object{"started_at": "2026-03-03T06:00:00Z", "levels_db": []any{51.2, 51.4, 50.9, 52., 51.1}}}},
		s.must(200, "GET", "/v1/series/"+series["id"].(string)+"/samples", nil))

	// The file comes back byte for byte.
	file := s.must(200, "GET", path+"/file", nil)
	if string(file.raw) != aLog || file.header.Get("Repr-Digest") != "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":" ||
		!strings.Contains(file.header.Get("Content-Disposition"), "attachment") || !strings.Contains(file.header.Get("Content-Disposition"), "Nacht 1.csv") {
		t.Errorf("file = %q %v; want the bytes sent, their digest and name", file.raw, file.header)
	}

	// The same bytes with the same options are the first import, whatever the order of the parts or the name.
	body, mediaType := form(t, "again.csv", aLog, aLogOptions(s), true)
	again := s.must(200, "POST", list, body, "Content-Type", mediaType)
	answered(t, made.body, again)
	other := s.send(s.survey, "Nacht 1.csv", aLog, with(aLogOptions(s), object{"channel": 2}))
	if other.status != 409 || other.body["code"] != "file_already_imported" || !bytes.Contains(other.raw, []byte(made.body["id"].(string))) {
		t.Errorf("the same bytes with other options = %d %s; want 409 file_already_imported that names the first", other.status, other.raw)
	}
	if got := s.must(200, "GET", list, nil).ids(); len(got) != 1 {
		t.Errorf("imports = %v; want the first alone", got)
	}

	// Another file with the same seconds of the same meter is a refused import.
	doubled := s.send(s.survey, "doubled.csv", aLog+"6;03.03.2026;07:00:05;51,3\n", aLogOptions(s))
	if doubled.status != 422 || doubled.body["code"] != "import_refused" || !bytes.Contains(doubled.raw, []byte("samples_duplicate")) {
		t.Errorf("a file with seconds that are there = %d %s; want 422 import_refused for samples_duplicate", doubled.status, doubled.raw)
	}

	s.refused(428, "precondition_required", nil, "POST", path+"/withdrawal", object{"reason": "wrong meter"})
	s.refused(422, "invalid", []string{"/reason required"}, "POST", path+"/withdrawal", object{"reason": " "}, "If-Match", `"v1"`)
	answered(t, object{"state": "withdrawn", "version": 2., "withdrawal_reason": "wrong meter"},
		s.must(200, "POST", path+"/withdrawal", object{"reason": "wrong meter"}, "If-Match", `"v1"`))
	s.refused(409, "not_accepted", nil, "POST", path+"/withdrawal", object{"reason": "twice"}, "If-Match", `"v2"`)
	if got := s.must(200, "GET", "/v1/surveys/"+s.survey+"/series", nil).ids(); len(got) != 0 {
		t.Errorf("series after the withdrawal = %v; want none", got)
	}
	if summary := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil); len(summary.body["series"].([]any)) != 0 {
		t.Errorf("summary after the withdrawal = %s; want no series", summary.raw)
	}
	if got := s.must(200, "GET", path+"/file", nil); string(got.raw) != aLog {
		t.Error("the file of the withdrawn import is gone")
	}
	later := s.send(s.survey, "Nacht 1.csv", aLog, with(aLogOptions(s), object{"channel": 2}))
	if later.status != 201 || later.body["id"] == made.body["id"] {
		t.Errorf("import after the withdrawal = %d %s; want another, 201", later.status, later.raw)
	}
}

// TestImportRefused sends what cannot become samples: each file is kept, nothing else is.
func TestImportRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	other := s.create("/v1/projects", object{
		"client_id": s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["client_id"],
		"reference": "J-9", "title": "Mill by day", "time_zone": "Europe/Vienna",
	})
	elsewhere := s.create("/v1/projects/"+other+"/positions", object{"number": 7, "label": "Yard"})
	row := func(level string) string {
		return "date;time;level\n2026-03-03;07:00:00;51.2\n2026-03-03;07:00:01;" + level + "\n2026-03-03;07:00:02;50.9\n"
	}
	tests := []struct {
		name, log    string
		options      object // beside those of the meter, the position and LAF
		code         string
		line, column float64
	}{
		{name: "empty", log: "", code: "file_empty"},
		{name: "blank", log: "\n\n \n", code: "file_empty"},
		{name: "header only", log: "date;time;LAF dB\n", code: "file_header_only"},
		{name: "binary", log: "\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x01\x00\x00\xfe\xff", code: "file_binary"},
		{name: "no level column", log: "date;time;operator\n2026-03-03;07:00:00;A\n2026-03-03;07:00:01;A\n2026-03-03;07:00:02;A\n", code: "no_level_column"},
		{name: "no time column", log: "level;battery\n51.2;ok\n51.4;ok\n50.9;ok\n", code: "no_time_column"},
		{name: "level that is no number", log: row("loud"), code: "level_unreadable", line: 3, column: 3},
		{name: "NaN", log: row("NaN"), code: "level_unreadable", line: 3, column: 3},
		{name: "infinite", log: row("Infinity"), code: "level_unreadable", line: 3, column: 3},
		{name: "1e9", log: row("1e9"), code: "level_out_of_range", line: 3, column: 3},
		{name: "-400", log: row("-400"), code: "level_out_of_range", line: 3, column: 3},
		{name: "day that is none", log: strings.Replace(row("51.4"), "2026-03-03;07:00:01", "2026-02-30;07:00:01", 1), code: "date_impossible", line: 3, column: 1},
		{name: "hour that is none", log: strings.Replace(row("51.4"), "07:00:01", "27:00:01", 1), code: "date_impossible", line: 3, column: 2},
		{name: "another weighting", log: strings.Replace(row("51.4"), "level", "LCF dB", 1), code: "weighting_differs", column: 3},
		{
			name: "unknown position", log: "position;date;time;LAF\n4711;2026-03-03;07:00:00;51.2\n4711;2026-03-03;07:00:01;51.3\n4711;2026-03-03;07:00:02;51.4\n",
			options: object{"position_id": nil}, code: "position_unknown",
		},
		{name: "no position", log: row("51.4"), options: object{"position_id": nil}, code: "position_missing"},
		{name: "several positions for one", log: "position;date;time;LAF\n1;2026-03-03;07:00:00;51.2\n2;2026-03-03;07:00:00;41.3\n1;2026-03-03;07:00:01;51.4\n2;2026-03-03;07:00:01;41.4\n", code: "several_positions"},
		{name: "two days before the survey", log: strings.ReplaceAll(row("51.4"), "2026-03-03", "2026-03-01"), code: "samples_outside_survey"},
		{name: "position of another project", log: row("51.4"), options: object{"position_id": elsewhere}, code: "unknown_reference"},
		{name: "nothing said of what was logged", log: row("51.4"), options: object{"quantity": nil}, code: "quantity_missing"},
	}
	refused := 0
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := s
			copied := *s.service
			s.service, copied.t = &copied, t
			a := s.send(s.survey, tt.name+".csv", tt.log, with(aLogOptions(s), tt.options))
			refused++
			if a.status != 422 || a.body["code"] != "import_refused" {
				t.Fatalf("import = %d %s; want 422 import_refused", a.status, a.raw)
			}
			kept := a.body["import"].(object)
			answered(t, object{"state": "rejected", "series": []any{}}, answer{body: kept})
			var found bool
			for _, p := range kept["problems"].([]any) {
				p := p.(object)
				line, _ := p["line"].(float64)
				column, _ := p["column"].(float64)
				if p["refuses"] == true && p["code"] == tt.code && line == tt.line && column == tt.column && p["detail"] != "" {
					found = true
				}
			}
			if !found {
				t.Errorf("problems = %v; want %s at line %v, column %v", kept["problems"], tt.code, tt.line, tt.column)
			}
			path := a.header.Get("Location")
			if path != "/v1/imports/"+kept["id"].(string) {
				t.Errorf("Location = %q; want the import", path)
			}
			answered(t, kept, s.must(200, "GET", path, nil))
			if got := s.must(200, "GET", path+"/file", nil); string(got.raw) != tt.log {
				t.Errorf("file = %q; want the bytes sent", got.raw)
			}
		})
	}
	if got := s.must(200, "GET", "/v1/surveys/"+s.survey+"/series", nil).ids(); len(got) != 0 {
		t.Errorf("series after refused files = %v; want none", got)
	}
	if got := s.must(200, "GET", "/v1/surveys/"+s.survey+"/imports?limit=200", nil).ids(); len(got) != refused {
		t.Errorf("%d imports; want the %d refused ones", len(got), refused)
	}
}

// TestImportAgain tries a kept file with better options.
func TestImportAgain(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/imports"
	log := strings.Replace(aLog, "51,4", "loud", 1)
	refused := s.send(s.survey, "one bad row.csv", log, aLogOptions(s))
	if refused.status != 422 {
		t.Fatalf("import = %d %s; want 422", refused.status, refused.raw)
	}
	again := with(aLogOptions(s), object{"import_id": refused.body["import"].(object)["id"]})
	if a := s.call("POST", path, again); a.status != 422 || a.body["code"] != "import_refused" {
		t.Errorf("the same again = %d %s; want 422 import_refused", a.status, a.raw)
	}
	accepted := s.must(201, "POST", path, with(again, object{"accept_unreadable_rows": true}))
	answered(t, object{"state": "accepted", "rows": object{"read": 5., "accepted": 4., "flagged": 0., "rejected": 1.}}, accepted)
	series := accepted.body["series"].([]any)[0].(object)
	gap := []any{object{"from": "2026-03-03T06:00:01Z", "to": "2026-03-03T06:00:02Z"}}
	if diff := cmp.Diff(gap, series["gaps"]); diff != "" {
		t.Errorf("gaps (-want +got):\n%s", diff)
	}
	if got := s.must(200, "GET", accepted.header.Get("Location")+"/file", nil); string(got.raw) != log {
		t.Errorf("file of the second try = %q; want the bytes sent", got.raw)
	}
	s.must(200, "POST", path, with(again, object{"accept_unreadable_rows": true}))

	s.refused(422, "invalid", []string{"/import_id unknown_reference"}, "POST", path, with(again, object{"import_id": uuid.NewString()}))
	s.refused(422, "invalid", []string{"/import_id required"}, "POST", path, aLogOptions(s))
	s.refused(422, "invalid", []string{"/instrument_id unknown_reference"}, "POST", path, with(again, object{"instrument_id": s.calibrator}))
	s.refused(422, "invalid", []string{
		"/instrument_id type", "/quantity not_allowed", "/time_zone unknown_time_zone", "/stamps not_allowed",
		"/channel out_of_range", "/positions/0 out_of_range", "/positions/north type", "/clock_offset_s type", "/range/to_db out_of_order", "/colour unknown_member",
	},
		"POST", path, object{
			"instrument_id": 7, "import_id": again["import_id"], "quantity": "LQF", "time_zone": "Europe/Atlantis", "stamps": "middle", "channel": 0,
			"positions": object{"0": s.position, "north": s.position}, "clock_offset_s": "late", "range": object{"from_db": 100, "to_db": 30}, "colour": "red",
		})
}

// TestImportForms sends forms that are none.
func TestImportForms(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/imports"
	whole, mediaType := form(t, "a.csv", aLog, aLogOptions(s), false)
	part := strings.SplitAfter(whole, "--a-boundary-of-the-tests")
	tests := []struct {
		name, body, mediaType, code string
		status                      int
	}{
		{"cut off in the file", whole[:len(whole)/4], mediaType, "body_unreadable", 400},
		{"cut off in the options", whole[:len(whole)-60], mediaType, "body_unreadable", 400},
		{"no boundary", whole, "multipart/form-data", "bad_form", 400},
		{"another boundary", whole, "multipart/form-data; boundary=other", "body_unreadable", 400},
		{"no options", part[0] + part[1] + "--\r\n", mediaType, "required", 400},
		{"no file", part[0] + part[2] + "--\r\n", mediaType, "required", 400},
		{"two files", part[0] + part[1] + part[1] + part[2] + "--\r\n", mediaType, "unknown_member", 400},
		{"unknown part", strings.Replace(whole, "name=options", "name=option", 1), mediaType, "unknown_member", 400},
		{"options that are no JSON", strings.Replace(whole, "{", "<", 1), mediaType, "not_json", 400},
		{"text", aLog, "text/csv", "unsupported_media_type", 415},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := *s.service
			s.t = t
			s.refused(tt.status, tt.code, nil, "POST", path, tt.body, "Content-Type", tt.mediaType)
		})
	}
	// A name that the database cannot hold.
	named := strings.Replace(whole, `filename="a.csv"`, "filename=\"night\xff.csv\"", 1)
	a := s.must(201, "POST", path, named, "Content-Type", mediaType)
	if got := a.body["file"].(object)["name"]; got != "night\uFFFD.csv" {
		t.Errorf("name of the file = %q; want it in UTF-8", got)
	}
	var files, parts int
	err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(),
		`select (select count(*) from file), (select count(*) from file_part where file_id not in (select id from file))`).Scan(&files, &parts)
	if err != nil || files != 1 || parts != 0 {
		t.Errorf("%d files and %d parts of none, %v; want one file, of the accepted import", files, parts, err)
	}
}

// TestRemarksOnImport: what is remarked of samples names a position only where the file numbers its own.
func TestRemarksOnImport(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct{ head, cell, begins string }{
		"none":     {"Time;LAF\n", "", "LAF: "},
		"numbered": {"Time;Position;LAF\n", "101;", "LAF at position 101: "},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			log := tt.head
			for i := range 600 {
				log += fmt.Sprintf("2026-03-03 07:%02d:%02d;%s%d.0\n", i/60, i%60, tt.cell, 50+i%9)
			}
			options := with(aLogOptions(s), object{"position_id": nil})
			if tt.cell == "" {
				options = aLogOptions(s)
			}
			var details []string
			for _, p := range s.send(s.survey, "gate.csv", log, options).body["problems"].([]any) {
				if p.(object)["code"] == "samples_near_floor" {
					details = append(details, p.(object)["detail"].(string))
				}
			}
			if len(details) != 1 || !strings.HasPrefix(details[0], tt.begins) {
				t.Errorf("remarks = %q; want one that begins with %q", details, tt.begins)
			}
		})
	}
}
