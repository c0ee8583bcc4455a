package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leveltrail/api"
	"leveltrail/domain/webhook"
	"leveltrail/persistence"
)

func TestWebhooks(t *testing.T) {
	t.Parallel()
	s := serve(t)
	mill := s.create("/v1/clients", object{"name": "Invented Mill"})
	jobs := s.as(s.must(201, "POST", "/v1/keys", object{"name": "Jobs", "role": "job_system", "client_ids": []string{mill}}).body["secret"].(string))

	made := jobs.must(201, "POST", "/v1/webhooks", object{"name": "Jobs", "url": "https://jobs.example/hook", "types": []string{"project.*"}}, "Idempotency-Key", "1")
	path := made.header.Get("Location")
	secret := made.body["secret"].(string)
	if path != "/v1/webhooks/"+made.body["id"].(string) || !strings.HasPrefix(secret, "whsec_") {
		t.Errorf("made %v at %s", made.body, path)
	}
	if again := jobs.must(201, "POST", "/v1/webhooks", object{"name": "Jobs", "url": "https://jobs.example/hook", "types": []string{"project.*"}}, "Idempotency-Key", "1"); string(again.raw) != string(made.raw) {
		t.Errorf("the same request again = %s; want %s", again.raw, made.raw)
	}
	read := jobs.must(200, "GET", path, nil)
	want := with(made.body, object{"secret": nil})
	if diff := cmp.Diff(want, read.body); diff != "" || read.header.Get("ETag") != `"v1"` {
		t.Errorf("read (-made without secret +got), tag %s:\n%s", read.header.Get("ETag"), diff)
	}
	if diff := cmp.Diff([]any{mill}, read.body["client_ids"]); diff != "" || read.body["enabled"] != true {
		t.Errorf("clients, enabled %v (-want +got):\n%s", read.body["enabled"], diff)
	}
	if got := jobs.must(200, "GET", "/v1/webhooks", nil); len(got.items()) != 1 || strings.Contains(string(got.raw), "whsec_") {
		t.Errorf("list %s", got.raw)
	}

	jobs.refused(422, "invalid", []string{"/name required", "/url type", "/types/0 not_allowed"}, "POST", "/v1/webhooks",
		object{"name": "", "url": "http://jobs.example", "types": []string{"all"}})
	// A type that never comes would be waited for in vain.
	jobs.refused(422, "invalid", []string{"/types/1 not_allowed", "/types/2 not_allowed", "/types/3 not_allowed"}, "POST", "/v1/webhooks",
		object{"name": "Jobs", "url": "https://jobs.example/hook", "types": []string{"survey.signed_off", "survey.signed", "surveys.*", "key.created"}})
	jobs.refused(428, "precondition_required", nil, "PATCH", path, object{"name": "x"})
	changed := jobs.must(200, "PATCH", path, object{"url": "https://jobs.example/other", "enabled": false, "types": nil}, "If-Match", `"v1"`)
	if diff := cmp.Diff(with(read.body, object{
		"url": "https://jobs.example/other", "enabled": false, "disabled_reason": "as asked", "types": []any{},
		"version": 2.0, "updated_at": changed.body["updated_at"],
	}), changed.body); diff != "" {
		t.Errorf("changed (-want +got):\n%s", diff)
	}
	jobs.refused(412, "precondition_failed", nil, "PATCH", path, object{"enabled": true}, "If-Match", `"v1"`)
	if on := jobs.must(200, "PATCH", path, object{"enabled": true}, "If-Match", `"v2"`); on.body["disabled_reason"] != "" {
		t.Errorf("enabled again: %s", on.raw)
	}
	jobs.refused(422, "invalid", []string{"/overlap_s out_of_range"}, "POST", path+"/rotation", object{"overlap_s": 1e9}, "If-Match", `"v3"`)
	rotated := jobs.must(201, "POST", path+"/rotation", object{"overlap_s": 60}, "If-Match", `"v3"`)
	if fresh := rotated.body["secret"].(string); !strings.HasPrefix(fresh, "whsec_") || fresh == secret {
		t.Errorf("rotated %s", rotated.raw)
	}

	// What is sent is the change as /v1/changes has it; it is listed and can be sent again.
	type sent struct {
		id, body string
		secrets  []string
	}
	received := make(chan sent, 10)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- s.store.Work(ctx, persistence.Work{Log: slog.New(slog.DiscardHandler), Send: func(_ context.Context, m webhook.Message) webhook.Outcome {
			body, err := api.ChangeBody(m.Entry)
			if err != nil {
				t.Error(err)
			}
			x := sent{id: m.Delivery.String(), body: string(body)}
			for _, s := range m.Secrets {
				x.secrets = append(x.secrets, webhook.SecretText(s))
			}
			received <- x
			return webhook.Outcome{Status: 503, Error: "the receiver answered 503"}
		}})
	}()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	project := s.create("/v1/projects", object{"client_id": mill, "reference": "J-1", "title": "Mill", "time_zone": "UTC"})
	message := <-received
	if diff := cmp.Diff([]string{rotated.body["secret"].(string), secret}, message.secrets); diff != "" {
		t.Errorf("signed with (-want +got):\n%s", diff)
	}
	var delivery object
	for delivery == nil {
		for _, d := range jobs.must(200, "GET", path+"/deliveries", nil).items() {
			if d["error"] != "" {
				delivery = d
			}
		}
	}
	changes := jobs.must(200, "GET", "/v1/changes", nil).items()
	i := slices.IndexFunc(changes, func(c object) bool { return c["record"].(object)["id"] == project })
	if i < 0 {
		t.Fatalf("changes %v; want that of %s", changes, project)
	}
	if diff := cmp.Diff(changes[i], delivery["change"]); diff != "" {
		t.Errorf("change (-listed +sent):\n%s", diff)
	}
	var body object
	if err := json.Unmarshal([]byte(message.body), &body); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(changes[i], body); diff != "" || message.id != delivery["id"] {
		t.Errorf("sent %s; want %s, its body (-listed +sent):\n%s", message.id, delivery["id"], diff)
	}
	if delivery["state"] != "pending" || delivery["attempts"] != 1.0 || delivery["status"] != 503.0 || delivery["next_attempt_at"] == nil {
		t.Errorf("delivery %v", delivery)
	}
	if got := jobs.must(200, "GET", path+"/deliveries?state=failed", nil).items(); len(got) != 0 {
		t.Errorf("failed: %v", got)
	}
	jobs.refused(400, "not_allowed", []string{"state not_allowed"}, "GET", path+"/deliveries?state=lost", nil)
	again := path + "/deliveries/" + delivery["id"].(string) + "/redelivery"
	if d := jobs.must(202, "POST", again, nil); d.body["state"] != "pending" || d.body["attempts"] != 0.0 {
		t.Errorf("sent again %s", d.raw)
	}
	if repeated := <-received; repeated.id != message.id || repeated.body != message.body {
		t.Errorf("sent again %+v; want %+v", repeated, message)
	}
	jobs.refused(404, "not_found", nil, "POST", path+"/deliveries/nothing/redelivery", nil)

	field := s.as(s.must(201, "POST", "/v1/keys", object{"name": "Phone", "role": "field"}).body["secret"].(string))
	field.refused(403, "forbidden", nil, "GET", "/v1/webhooks", nil)
	jobs.refused(428, "precondition_required", nil, "DELETE", path, nil)
	jobs.must(http.StatusNoContent, "DELETE", path, nil, "If-Match", `"v4"`)
	jobs.refused(404, "not_found", nil, "GET", path, nil)
	jobs.refused(404, "not_found", nil, "GET", path+"/deliveries", nil)
}

// A key limited to clients sees their changes and those of no client, those of keys and
// webhooks are an admin's; no page repeats or misses one.
func TestChangesOfWhom(t *testing.T) {
	t.Parallel()
	s := serve(t)
	mill, quarry := s.create("/v1/clients", object{"name": "Invented Mill"}), s.create("/v1/clients", object{"name": "Invented Quarry"})
	projects := map[string]string{}
	for name, client := range map[string]string{"mill": mill, "quarry": quarry} {
		projects[name] = s.create("/v1/projects", object{"client_id": client, "reference": "J-" + name, "title": name, "time_zone": "UTC"})
	}
	laboratory := s.create("/v1/laboratories", object{"name": "Invented Laboratory"})
	hook := s.create("/v1/webhooks", object{"name": "Jobs", "url": "https://jobs.example/"})
	key := func(role string, clients []string) *service {
		return s.as(s.must(201, "POST", "/v1/keys", object{"name": "x", "role": role, "client_ids": clients}).body["secret"].(string))
	}
	all, ofMill, qa, none := key("job_system", nil), key("job_system", []string{mill}), key("qa", []string{quarry}), key("consultant", nil)
	ofMillAdmin := key("admin", []string{mill})

	names := map[string]string{mill: "mill", quarry: "quarry", projects["mill"]: "mill's", projects["quarry"]: "quarry's", laboratory: "laboratory", hook: "webhook"}
	seen := func(s *service, path string) (got []string) {
		t.Helper()
		after, last := "0", 0.0
		for {
			a := s.must(200, "GET", path+"?limit=2&after="+after, nil)
			for _, c := range a.items() {
				if seq := c["seq"].(float64); seq <= last {
					t.Errorf("change %v after %v", seq, last)
				} else {
					last = seq
				}
				r := c["record"].(object)
				name := names[r["id"].(string)]
				if r["type"] == "key" {
					name = "key"
				}
				got = append(got, name)
			}
			if len(a.items()) == 0 {
				break
			}
			after = strconv.FormatFloat(a.body["after"].(float64), 'f', -1, 64)
		}
		slices.Sort(got)
		return slices.Compact(got)
	}
	for _, tt := range []struct {
		name string
		of   *service
		path string
		want []string
	}{
		{"admin", s, "/v1/changes", []string{"key", "laboratory", "mill", "mill's", "quarry", "quarry's", "webhook"}},
		{"admin's audit", s, "/v1/audit", []string{"key", "laboratory", "mill", "mill's", "quarry", "quarry's", "webhook"}},
		{"admin of the mill", ofMillAdmin, "/v1/changes", []string{"laboratory", "mill", "mill's"}},
		{"jobs of all", all, "/v1/changes", []string{"laboratory", "mill", "mill's", "quarry", "quarry's"}},
		{"jobs of the mill", ofMill, "/v1/changes", []string{"laboratory", "mill", "mill's"}},
		{"qa of the quarry", qa, "/v1/changes", []string{"laboratory", "quarry", "quarry's"}},
		{"qa's audit", qa, "/v1/audit", []string{"laboratory", "quarry", "quarry's"}},
	} {
		if diff := cmp.Diff(tt.want, seen(tt.of, tt.path)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
	none.refused(403, "forbidden", nil, "GET", "/v1/changes", nil)
	s.refused(400, "out_of_range", []string{"after out_of_range"}, "GET", "/v1/changes?after=-1", nil)
	s.refused(400, "out_of_range", []string{"limit out_of_range"}, "GET", "/v1/changes?limit=1001", nil)
	// Beyond the end there would be nothing until the sequence got there, and what came before were missed.
	end := s.must(200, "GET", "/v1/changes?limit=1000", nil).body["after"].(float64)
	if a := s.must(200, "GET", fmt.Sprintf("/v1/changes?after=%.0f", end), nil); a.body["after"] != end || len(a.items()) != 0 {
		t.Errorf("after the last change = %s; want none", a.raw)
	}
	for _, path := range []string{"/v1/changes", "/v1/audit"} {
		s.refused(400, "out_of_range", []string{"after out_of_range"}, "GET", fmt.Sprintf("%s?after=%.0f", path, end+1), nil)
	}
	v := s.must(200, "GET", "/v1/audit/verification", nil).body
	if v["ok"] != true || v["open"] != 0.0 || v["bad_seq"] != nil || len(v["head"].(string)) != 64 {
		t.Errorf("verification %v", v)
	}
}
