package api_test

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
)

const answersFile = "../openapi/examples/answers.json"

// TestExamples sends every example of the description, in order, and compares what
// is answered with the answer that the description shows.
func TestExamples(t *testing.T) {
	t.Parallel()
	s := story{serve(t), map[string]any{}}
	n := newNames()
	all := chapters(t)
	for _, e := range all {
		text, _ := json.Marshal(e)
		n.keep(string(text))
	}
	got := object{}
	for _, e := range all {
		if got[e.Name] != nil {
			t.Errorf("two examples are called %s", e.Name)
		}
		if a := s.tell(e); a.body != nil {
			got[e.Name] = n.named(e.Name, a.body)
		}
	}
	if *update {
		text, err := json.MarshalIndent(got, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(answersFile, append(text, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(answersFile)
	if err != nil {
		t.Fatal(err)
	}
	var want object
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("answers, to be read and then written by go test ./api -run TestExamples -update (-before +now):\n%s", diff)
	}
}

// names gives what differs from run to run the same name in each: ids, digests, secrets, the time of the run.
type names struct {
	began time.Time
	of    map[string]string
	next  uint64 // of the example whose answer is read, so that another example changes no other's names
}

func newNames() *names { return &names{began: time.Now(), of: map[string]string{}} }

var (
	changing = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|\b[0-9a-f]{64}\b|\b[0-9a-f]{16}\b|\blvt_\w+|/feeds/[-\w]+\.ics|\bwhsec_[\w+/=]+`)
	ofKeys   = regexp.MustCompile(`"(public_part|key_id)":"\w{12}"`)
	instants = regexp.MustCompile(`\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d(\.\d+)?Z)?`)
)

// keep leaves ids and digests in text as they are.
func (n *names) keep(text string) {
	for _, found := range changing.FindAllString(text, -1) {
		n.of[found] = found
	}
}

// named returns v, what an example was answered, with the names in it.
func (n *names) named(example string, v any) any {
	h := fnv.New32a()
	_, _ = h.Write([]byte(example))
	n.next = uint64(h.Sum32()) << 8
	text, _ := json.Marshal(v) // made of JSON
	text = changing.ReplaceAllFunc(text, func(b []byte) []byte { return []byte(n.name(string(b))) })
	text = ofKeys.ReplaceAll(text, []byte(`"$1":"inventedPart"`))
	text = instants.ReplaceAllFunc(text, func(b []byte) []byte {
		form := time.RFC3339
		if len(b) == len(time.DateOnly) {
			form = time.DateOnly
		}
		at, err := time.Parse(form, string(b))
		if err != nil || at.Before(n.began.Add(-24*time.Hour)) {
			return b // of the example's own
		}
		days := int(math.Round(at.Sub(n.began).Hours() / 24))
		return []byte(time.Date(2025, 3, 5, 9, 0, 0, 0, time.UTC).AddDate(0, 0, days).Format(form))
	})
	var out any
	_ = json.Unmarshal(text, &out)
	return out
}

func (n *names) name(found string) string {
	if n.of[found] == "" {
		n.next++
		i := n.next
		switch {
		case strings.HasPrefix(found, "lvt_"):
			n.of[found] = "lvt_an_invented_key"
			if len(found) < 30 {
				n.of[found] = fmt.Sprintf("lvt_%012x", i)
			}
		case strings.HasPrefix(found, "/feeds/"):
			n.of[found] = "/feeds/" + strings.Repeat("x", 43) + ".ics"
		case strings.HasPrefix(found, "whsec_"):
			n.of[found] = "whsec_aW52ZW50ZWQ="
		case strings.Contains(found, "-"):
			n.of[found] = fmt.Sprintf("01958c4e-9000-7000-8000-%012x", i)
		default:
			n.of[found] = fmt.Sprintf("%0*x", len(found), i)
		}
	}
	return n.of[found]
}

// TestExamplesOfMembers sends, once all examples were told, the first of each operation
// with one member after another as the schema of the body shows it: no answer
// finds fault with that member, though what is there may contradict or never change.
func TestExamplesOfMembers(t *testing.T) {
	t.Parallel()
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	s := story{serve(t), map[string]any{}}
	all := chapters(t)
	for _, e := range all {
		s.tell(e)
	}
	told, sent := map[*openapi3.Operation]bool{}, 0
	for _, e := range all {
		r := s.request(e)
		route, _ := routeOf(doc, mustRequest(t, r.method, r.path))
		body, ok := r.body.(object)
		if !ok || told[route.Operation] {
			continue
		}
		told[route.Operation] = true
		for _, media := range route.Operation.RequestBody.Value.Content {
			for name, member := range media.Schema.Value.Properties {
				for _, value := range member.Value.Examples {
					sent++
					r := s.request(e)
					a := s.call(r.method, r.path, with(body, object{name: value}), r.headers...)
					if a.status == http.StatusBadRequest || a.status >= 500 || a.status != http.StatusConflict && a.body["code"] != "immutable" && blames(a, "/"+name) {
						t.Errorf("%s with %s as shown, %v = %d %s", e.Request, name, value, a.status, a.raw)
					}
				}
			}
		}
	}
	if sent < 40 {
		t.Errorf("%d examples of members sent; want 40 or more", sent)
	}
}

// blames reports whether a problem says that something is wrong with the member at pointer.
func blames(a answer, pointer string) bool {
	list, _ := a.body["errors"].([]any)
	return slices.ContainsFunc(list, func(e any) bool { return e.(object)["pointer"] == pointer })
}
