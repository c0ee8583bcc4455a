package api_test

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/survey"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

func TestIdempotencyKey(t *testing.T) {
	t.Parallel()
	s := serve(t)
	mill := object{"name": "Invented Mill"}
	first := s.must(201, "POST", "/v1/clients", mill, "Idempotency-Key", "a")
	again := s.must(201, "POST", "/v1/clients", mill, "Idempotency-Key", "a")
	if again.header.Get("Idempotency-Replayed") != "true" || first.header.Get("Idempotency-Replayed") != "" {
		t.Errorf("Idempotency-Replayed = %q, then %q; want it on the second answer alone",
			first.header.Get("Idempotency-Replayed"), again.header.Get("Idempotency-Replayed"))
	}
	same := func(first, again answer) {
		t.Helper()
		if string(first.raw) != string(again.raw) || first.status != again.status {
			t.Errorf("repeated: %d %s; want %d %s", again.status, again.raw, first.status, first.raw)
		}
		for _, name := range []string{"ETag", "Location", "Content-Type"} {
			if first.header.Get(name) != again.header.Get(name) {
				t.Errorf("repeated: %s = %q; want %q", name, again.header.Get(name), first.header.Get(name))
			}
		}
	}
	same(first, again)
	count := func(want int) {
		t.Helper()
		if got := len(s.must(200, "GET", "/v1/clients", nil).items()); got != want {
			t.Errorf("%d clients; want %d", got, want)
		}
	}
	count(1)
	s.refused(422, "idempotency_key_reused", nil, "POST", "/v1/clients", object{"name": "Invented Quarry"}, "Idempotency-Key", "a")
	count(1)
	// An empty one, of a variable never set, would protect nothing.
	s.refused(400, "out_of_range", []string{"Idempotency-Key out_of_range"}, "POST", "/v1/clients", mill, "Idempotency-Key", "")
	s.must(201, "POST", "/v1/clients", mill, "Idempotency-Key", "b")
	s.must(201, "POST", "/v1/laboratories", mill, "Idempotency-Key", "a") // of another path
	other, _ := s.newKey("other", nil)
	s.as(other).must(201, "POST", "/v1/clients", mill, "Idempotency-Key", "a") // of another credential
	count(3)

	// What was refused stays refused, also when it would do later; nothing of it stays.
	project := object{"client_id": uuid.NewString(), "reference": "J-1", "title": "Mill", "time_zone": "UTC"}
	refused := s.call("POST", "/v1/projects", project, "Idempotency-Key", "c")
	if refused.status != 422 {
		t.Fatalf("project of no client = %d %s; want 422", refused.status, refused.raw)
	}
	replayed := s.call("POST", "/v1/projects", project, "Idempotency-Key", "c")
	same(refused, replayed)
	if replayed.header.Get("Idempotency-Replayed") != "true" {
		t.Error("a refusal is not replayed")
	}
	project["client_id"] = first.body["id"]
	made := s.must(201, "POST", "/v1/projects", project, "Idempotency-Key", "d")
	taken := s.call("POST", "/v1/projects", project, "Idempotency-Key", "e")
	if taken.status != 409 || taken.body["code"] != "reference_taken" {
		t.Errorf("the same reference = %d %s; want 409 reference_taken", taken.status, taken.raw)
	}
	same(taken, s.call("POST", "/v1/projects", project, "Idempotency-Key", "e"))
	same(made, s.call("POST", "/v1/projects", project, "Idempotency-Key", "d"))

	for _, key := range []string{string(make([]byte, 256)), "\xff", "a\x00b"} {
		if a := s.call("POST", "/v1/clients", mill, "Idempotency-Key", key); a.status != 400 {
			t.Errorf("Idempotency-Key %.20q = %d %s; want 400", key, a.status, a.raw)
		}
	}
	count(3)
}

// TestIdempotencyKeyOfImports repeats requests whose bodies are forms.
func TestIdempotencyKeyOfImports(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	bad := "date;time;LAF dB\n2026-03-03;07:00:00;loud\n2026-03-03;07:00:01;51,4\n"
	for name, log := range map[string]string{"taken": aLog, "refused": bad} {
		first := s.send(s.survey, "night.csv", log, aLogOptions(s), "Idempotency-Key", name)
		again := s.send(s.survey, "night.csv", log, aLogOptions(s), "Idempotency-Key", name)
		if first.status != again.status || string(first.raw) != string(again.raw) || again.header.Get("Idempotency-Replayed") != "true" ||
			first.header.Get("Location") == "" || first.header.Get("Location") != again.header.Get("Location") {
			t.Errorf("%s: %d %s, again %d %s; want the same", name, first.status, first.raw, again.status, again.raw)
		}
		other := s.send(s.survey, "night.csv", log+"9;03.03.2026;07:00:09;51,0\n", aLogOptions(s), "Idempotency-Key", name)
		if other.status != 422 || other.body["code"] != "idempotency_key_reused" {
			t.Errorf("%s with another file = %d %s; want 422 idempotency_key_reused", name, other.status, other.raw)
		}
		other = s.send(s.survey, "night.csv", log, with(aLogOptions(s), object{"channel": 2}), "Idempotency-Key", name)
		if other.status != 422 || other.body["code"] != "idempotency_key_reused" {
			t.Errorf("%s with other options = %d %s; want 422 idempotency_key_reused", name, other.status, other.raw)
		}
	}
	if got := len(s.must(200, "GET", "/v1/surveys/"+s.survey+"/imports", nil).items()); got != 2 {
		t.Errorf("%d imports; want 2", got)
	}
}

// TestIdempotencyKeyAtOnce sends one request fifty times at once, as phones do in a bad network.
func TestIdempotencyKeyAtOnce(t *testing.T) {
	t.Parallel()
	s := serve(t)
	answers := make([]answer, 50)
	var wg sync.WaitGroup
	for i := range answers {
		wg.Go(func() {
			for range 1000 {
				answers[i] = s.call("POST", "/v1/clients", object{"name": "Invented Mill"}, "Idempotency-Key", "once")
				if answers[i].status != http.StatusConflict {
					return
				}
				if answers[i].body["code"] != "request_in_flight" || answers[i].header.Get("Retry-After") == "" {
					t.Errorf("at the same time: %s, Retry-After %q; want request_in_flight and a time", answers[i].raw, answers[i].header.Get("Retry-After"))
					return
				}
			}
		})
	}
	wg.Wait()
	replayed := 0
	for _, a := range answers {
		if a.status != http.StatusCreated || string(a.raw) != string(answers[0].raw) {
			t.Fatalf("answers %d %s and %d %s; want all alike, 201", answers[0].status, answers[0].raw, a.status, a.raw)
		}
		if a.header.Get("Idempotency-Replayed") == "true" {
			replayed++
		}
	}
	if got := len(s.must(200, "GET", "/v1/clients", nil).items()); got != 1 || replayed != len(answers)-1 {
		t.Errorf("%d clients, %d answers replayed; want 1 and %d", got, replayed, len(answers)-1)
	}
}

// heldStore holds the making of a client until it is told to go on, and then fails the first time.
type heldStore struct {
	*persistence.Store
	entered, leave chan struct{}
	fail           *bool
}

func (h heldStore) CreateClient(ctx context.Context, c survey.Client) (survey.Client, error) {
	h.entered <- struct{}{}
	<-h.leave
	c, err := h.Store.CreateClient(ctx, c)
	if *h.fail {
		*h.fail = false
		return c, errors.New("the disk is full")
	}
	return c, err
}

// TestIdempotencyKeyInFlight asks while the same request is being answered; an answer of 500 is not kept.
func TestIdempotencyKeyInFlight(t *testing.T) {
	t.Parallel()
	s := serve(t)
	fail := true
	held := heldStore{s.store, make(chan struct{}), make(chan struct{}), &fail}
	handler, err := api.New(t.Context(), api.Config{Store: held, Log: discard, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	s.handler = handler
	for _, want := range []int{500, 201} {
		first := make(chan answer)
		go func() {
			first <- s.call("POST", "/v1/clients", object{"name": "Invented Mill"}, "Idempotency-Key", "once")
		}()
		select {
		case <-held.entered:
		case a := <-first:
			t.Fatalf("answered %d %s without being asked again; want %d", a.status, a.raw, want)
		}
		meanwhile := s.call("POST", "/v1/clients", object{"name": "Invented Mill"}, "Idempotency-Key", "once")
		if meanwhile.status != 409 || meanwhile.body["code"] != "request_in_flight" || meanwhile.header.Get("Retry-After") == "" {
			t.Errorf("while in flight: %d %s; want 409 request_in_flight with Retry-After", meanwhile.status, meanwhile.raw)
		}
		held.leave <- struct{}{}
		if a := <-first; a.status != want || a.header.Get("Idempotency-Replayed") != "" {
			t.Errorf("first answer = %d %s; want %d, not replayed", a.status, a.raw, want)
		}
	}
	if got := len(s.must(200, "GET", "/v1/clients", nil).items()); got != 1 {
		t.Errorf("%d clients; want 1", got)
	}
}

// TestPut makes records under ids of the sender's own.
func TestPut(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"]
	tests := map[string]struct{ body, other object }{
		"positions": {
			object{"project_id": project, "number": 7., "label": "Yard", "height_m": 1.5, "setting": "near_facade"},
			object{"label": "Roof"},
		},
		"surveys": {
			object{"project_id": project, "kind": "workplace", "operator": "A. Nobody", "started_at": "2026-03-03T06:00:00.5Z", "ended_at": "2026-03-04T06:00:00Z"},
			object{"operator": "B. Nobody"},
		},
		"series": {
			object{
				"survey_id": s.survey, "position_id": s.position, "instrument_id": s.meter, "quantity": "LCF", "interval_s": 1., "channel": 2.,
				"range": object{"from_db": 24., "to_db": 137.}, "started_at": "2026-03-03T06:00:00Z", "levels_db": []any{51.2, nil, 50.9},
			},
			object{"levels_db": []any{51.3, nil, 50.9}},
		},
	}
	for kind, tt := range tests {
		path := "/v1/" + kind + "/" + uuid.Must(uuid.NewV7()).String()
		s.refused(428, "precondition_required", nil, "PUT", path, tt.body)
		s.refused(428, "precondition_required", nil, "PUT", path, tt.body, "If-None-Match", `"v1"`)
		s.refused(404, "not_found", nil, "GET", path, nil)
		made := s.must(201, "PUT", path, tt.body, "If-None-Match", "*")
		if made.header.Get("Location") != path {
			t.Errorf("PUT %s: Location = %q", path, made.header.Get("Location"))
		}
		want := with(tt.body, nil)
		delete(want, "levels_db") // samples are read apart
		delete(want, "rule_profile")
		answered(t, want, made)
		again := s.must(200, "PUT", path, tt.body, "If-None-Match", "*")
		if diff := cmp.Diff(made.body, again.body); diff != "" {
			t.Errorf("PUT %s twice (-first +second):\n%s", path, diff)
		}
		a := s.call("PUT", path, with(tt.body, tt.other), "If-None-Match", "*")
		if a.status != 412 || a.body["code"] != "precondition_failed" || a.body["current_etag"] != made.header.Get("ETag") {
			t.Errorf("PUT %s with another body = %d %s; want 412 with current_etag %s", path, a.status, a.raw, made.header.Get("ETag"))
		}
		answered(t, made.body, s.must(200, "GET", path, nil))
	}

	// A series of another header or with more samples is another body, and none of it is stored.
	path := "/v1/series/" + uuid.Must(uuid.NewV7()).String()
	body := object{
		"survey_id": s.survey, "position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1,
		"started_at": "2026-03-03T06:00:00Z", "levels_db": []any{51.2, 51.4},
	}
	s.must(201, "PUT", path, body, "If-None-Match", "*")
	for _, other := range []object{
		{"quantity": "LAS", "started_at": "2026-03-03T06:10:00Z"}, {"levels_db": []any{51.2, 51.4, 51.6}}, {"started_at": "2026-03-03T06:20:00Z"},
	} {
		s.refused(412, "precondition_failed", nil, "PUT", path, with(body, other), "If-None-Match", "*")
	}
	answered(t, object{"items": []any{object{"started_at": "2026-03-03T06:00:00Z", "levels_db": []any{51.2, 51.4}}}},
		s.must(200, "GET", path+"/samples", nil))
	// Samples that came since do not stand against the first body.
	s.must(200, "POST", path+"/samples", object{"started_at": "2026-03-03T06:00:02Z", "levels_db": []any{51.6}})
	s.must(200, "PUT", path, body, "If-None-Match", "*")
	s.refused(422, "invalid", []string{"/survey_id unknown_reference"}, "PUT", "/v1/series/"+uuid.Must(uuid.NewV7()).String(),
		with(body, object{"survey_id": uuid.NewString()}), "If-None-Match", "*")
}

// TestPutAtOnce sends each record that a phone makes under an id of its own fifty times at once.
func TestPutAtOnce(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"]
	levels := make([]any, 3600)
	for i := range levels {
		levels[i] = 50. + float64(i%100)/10
	}
	for kind, body := range map[string]any{
		"positions":    object{"project_id": project, "number": 7, "label": "Yard"},
		"surveys":      with(aSurvey, object{"project_id": project}),
		"field-checks": with(check(s.meter, s.calibrator, "2026-03-03T06:30:00+01:00", 93.9), object{"instrument_id": s.meter}),
		"notes":        with(aNote, object{"survey_id": s.survey}),
		"series": object{
			"survey_id": s.survey, "position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1,
			"started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels,
		},
		"attachments": aPhoto(with(aCaption, object{"survey_id": s.survey})),
	} {
		id := uuid.Must(uuid.NewV7()).String()
		headers := []string{"If-None-Match", "*"}
		if kind == "attachments" {
			headers = append(headers, "Content-Type", formType)
		}
		answers := make([]answer, 50)
		var wg sync.WaitGroup
		for i := range answers {
			wg.Go(func() { answers[i] = s.call("PUT", "/v1/"+kind+"/"+id, body, headers...) })
		}
		wg.Wait()
		created := 0
		for _, a := range answers {
			if a.status == http.StatusCreated {
				created++
			} else if a.status != http.StatusOK {
				t.Fatalf("PUT %s = %d %s; want 201 once, then 200", kind, a.status, a.raw)
			}
			if string(a.raw) != string(answers[0].raw) {
				t.Errorf("PUT %s answers %.500s and %.500s; want all alike", kind, answers[0].raw, a.raw)
			}
		}
		var entries int
		if err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(), `select count(*) from journal where record_id = $1`, id).Scan(&entries); err != nil {
			t.Fatal(err)
		}
		if created != 1 || entries < 1 || entries > 2 || entries == 2 && kind != "series" { // a series and its samples
			t.Errorf("PUT %s: created %d times, %d entries in the journal; want 1 and 1", kind, created, entries)
		}
	}
}
