package api_test

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

var phones = flag.Int("phones", 4, "how many phones TestPhone plays")

// TestPhone plays field apps that measured for two days without a network. What they have comes up
// in any order, each thing at least twice, over a link that drops after so many bytes in either direction, so
// that answers are lost too. What is refused because something else has not arrived yet is sent
// again. In the end all of it is there, once.
func TestPhone(t *testing.T) {
	t.Parallel()
	for seed := range *phones {
		t.Run(strconv.Itoa(seed), func(t *testing.T) {
			t.Parallel()
			play(t, uint64(seed))
		})
	}
}

// phone is a field app and the link it has.
type phone struct {
	t       *testing.T
	url     string // of the link
	key     string
	rng     *rand.Rand
	client  http.Client
	dropped int // requests without an answer
	early   int // answers that ask for something else first
}

// thing is what a phone has to send: send reports whether it arrived.
type thing struct {
	name string
	send func() bool
	left int // how often it is to arrive still
}

func play(t *testing.T, seed uint64) {
	s := newSite(t)
	clientID := s.must(200, "GET", "/v1/clients", nil).ids()[0]
	project := s.must(200, "GET", "/v1/projects", nil).ids()[0]
	server := httptest.NewServer(s.handler)
	t.Cleanup(server.Close)
	rng := rand.New(rand.NewPCG(seed, 6))
	p := &phone{t: t, rng: rng, url: "http://" + cutting(t, server.Listener.Addr().String(), seed), key: s.asRole("Phone 7", "field", clientID).key}
	p.client.Transport = &http.Transport{DisableKeepAlives: true}

	newID := func() string { return uuid.Must(uuid.NewV7()).String() }
	survey, minutes, spots, log := newID(), newID(), newID(), secondsOf(4000)
	levels := make([]float64, 2880) // two days of minutes
	for i := range levels {
		levels[i] = 40 + float64(i*7919%300)/10
	}
	begin := time.Date(2026, 3, 3, 6, 0, 0, 0, time.UTC)
	ended := begin.AddDate(0, 0, 2).Format(time.RFC3339)
	header := object{"survey_id": survey, "position_id": s.position, "instrument_id": s.meter}
	var things []*thing
	add := func(name string, send func() bool) { things = append(things, &thing{name, send, 2}) }
	put := func(name, path string, body object) { add(name, func() bool { return p.put(path, body) }) }

	add("survey", func() bool {
		body := object{"project_id": project, "kind": "environmental", "operator": "Invented Operator", "started_at": begin.Format(time.RFC3339)}
		return p.put("/v1/surveys/"+survey, body)
	})
	add("end of the survey", func() bool { return p.end("/v1/surveys/"+survey, ended) })
	put("minutes", "/v1/series/"+minutes, with(header, object{
		"quantity": "LAeq", "interval_s": 60, "started_at": begin.Format(time.RFC3339), "levels_db": levels[:720],
	}))
	for n := 720; n < len(levels); n += 720 {
		add("more minutes", func() bool {
			return p.post("/v1/series/"+minutes+"/samples", object{"started_at": begin.Add(time.Duration(n) * time.Minute).Format(time.RFC3339), "levels_db": levels[n : n+720]})
		})
	}
	readings := []object{}
	for i := range 5 {
		readings = append(readings, object{"at": begin.Add(time.Duration(i*i) * time.Hour).Format(time.RFC3339), "level_db": 50 + i})
	}
	put("readings by hand", "/v1/series/"+spots, with(header, object{"quantity": "LAS", "samples": readings}))
	exclusion := newID()
	add("exclusion", func() bool {
		return p.postOnce(&exclusion, "/v1/series/"+minutes+"/exclusions", object{"from": begin.Format(time.RFC3339), "to": begin.Add(time.Hour).Format(time.RFC3339), "reason": "lawn mower"})
	})
	for i, at := range []time.Time{begin.Add(-20 * time.Minute), begin.AddDate(0, 0, 1), begin.AddDate(0, 0, 2).Add(20 * time.Minute)} {
		put("field check", "/v1/field-checks/"+newID(), with(check(s.meter, s.calibrator, at.Format(time.RFC3339), 93.9+float64(i%2)/10), object{"meter_at": at.Format(time.RFC3339)}))
	}
	for i := range 3 {
		put("note", "/v1/notes/"+newID(), object{"survey_id": survey, "at": begin.Add(time.Duration(i) * time.Hour).Format(time.RFC3339), "text": fmt.Sprintf("Note %d", i)})
	}
	photo := newID()
	for _, id := range []string{photo, newID()} {
		add("photo", func() bool {
			return p.sent("PUT", "/v1/attachments/"+id, aPhoto(with(aCaption, object{"survey_id": survey})), "Content-Type", formType, "If-None-Match", "*")
		})
	}
	upload := &uploading{key: newID()}
	add("log file", func() bool {
		return p.upload(upload, survey, log, object{"instrument_id": s.meter, "position_id": s.position, "quantity": "LCF", "time_zone": "UTC"})
	})

	for tries := 0; len(things) > 0; tries++ {
		if tries == 3000 {
			t.Fatalf("%d things have not arrived after %d tries, %s among them", len(things), tries, things[0].name)
		}
		i := rng.IntN(len(things))
		if things[i].send() {
			things[i].left--
		}
		if things[i].left == 0 {
			things = append(things[:i], things[i+1:]...)
		}
	}
	if t.Logf("%d answers were lost, %d things came too early", p.dropped, p.early); p.dropped < 5 {
		t.Error("the link is too good")
	}

	if got := s.must(200, "GET", "/v1/surveys/"+survey, nil); got.body["version"] != 2. || got.body["ended_at"] != ended {
		t.Errorf("survey = %s; want two versions of it, ended", got.raw)
	}
	series := s.must(200, "GET", "/v1/surveys/"+survey+"/series", nil).items()
	if len(series) != 3 {
		t.Fatalf("%d series; want minutes, readings and the log's", len(series))
	}
	for _, of := range series {
		want := map[any]float64{"LAeq": 2880, "LAS": 5, "LCF": 4000}[of["quantity"]]
		if of["samples"] != want {
			t.Errorf("%s has %v samples; want %v", of["quantity"], of["samples"], want)
		}
	}
	var got []float64
	for _, run := range s.must(200, "GET", "/v1/series/"+minutes+"/samples?limit=10000", nil).items() {
		for _, l := range run["levels_db"].([]any) {
			got = append(got, l.(float64))
		}
	}
	if diff := cmp.Diff(levels, got); diff != "" {
		t.Errorf("minutes (-measured +kept):\n%.500s", diff)
	}
	imports := s.must(200, "GET", "/v1/surveys/"+survey+"/imports", nil).ids()
	if len(imports) != 1 {
		t.Fatalf("%d imports; want one", len(imports))
	}
	if file := s.must(200, "GET", "/v1/imports/"+imports[0]+"/file", nil); string(file.raw) != log {
		t.Error("the log file is not as it was sent")
	}
	if file := s.must(200, "GET", "/v1/attachments/"+photo+"/file", nil); string(file.raw) != located {
		t.Error("the photo is not as it was sent")
	}
	owed := s.must(200, "GET", "/v1/surveys/"+survey+"/outstanding", nil)
	if owed.body["done"] != true {
		t.Errorf("outstanding = %s; want nothing", owed.raw)
	}

	// Each change is told once.
	if _, err := s.store.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	told := map[string]int{}
	changes := map[string]int{}
	for after := 0.; ; {
		a := s.must(200, "GET", fmt.Sprintf("/v1/changes?after=%.0f", after), nil)
		for _, c := range a.items() {
			of := c["record"].(object)
			told[fmt.Sprint(c["type"], of["id"], c["version"])]++
			changes[c["type"].(string)]++
		}
		if len(a.items()) == 0 {
			break
		}
		after = a.body["after"].(float64)
	}
	for change, n := range told {
		if n > 1 {
			t.Errorf("%s is told %d times", change, n)
		}
	}
	for change, want := range map[string]int{
		"survey.created": 2, "survey.changed": 1, "series.created": 3, "exclusion.created": 1, "field_check.created": 3,
		"note.created": 3, "attachment.created": 2, "import.created": 1, // one of the surveys is the office's
	} {
		if changes[change] != want {
			t.Errorf("%d %s are told; want %d", changes[change], change, want)
		}
	}
}

// secondsOf returns a log of so many seconds on the second day.
func secondsOf(n int) string {
	var b strings.Builder
	b.WriteString("Date;Time;LCF\r\n")
	at := time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)
	for i := range n {
		fmt.Fprintf(&b, "%s;%.1f\r\n", at.Add(time.Duration(i)*time.Second).Format("2006-01-02;15:04:05"), 50+float64(i*31%200)/10)
	}
	return b.String()
}

// ask sends a request over the link; ok is false where no answer came.
func (p *phone) ask(method, path, body string, headers ...string) (a answer, ok bool) {
	p.t.Helper()
	r, err := http.NewRequestWithContext(p.t.Context(), method, p.url+path, strings.NewReader(body))
	if err != nil {
		p.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+p.key)
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	got, err := p.client.Do(r)
	if err == nil {
		defer got.Body.Close()
		a = answer{status: got.StatusCode, header: got.Header}
		a.raw, err = io.ReadAll(got.Body)
	}
	if err != nil {
		p.dropped++
		return a, false
	}
	_ = json.Unmarshal(a.raw, &a.body)
	return a, true
}

// sent sends something and reports whether it is there. It is sent again later where no answer
// came, or where the answer says that what it belongs to is not there yet.
func (p *phone) sent(method, path, body string, headers ...string) bool {
	p.t.Helper()
	a, ok := p.ask(method, path, body, headers...)
	switch {
	case !ok:
		return false
	case a.status < 300:
		return true
	case a.status == http.StatusNotFound || a.status == http.StatusUnprocessableEntity && strings.Contains(string(a.raw), "unknown_reference"):
		p.early++
		return false
	}
	p.t.Fatalf("%s %s = %d %s", method, path, a.status, a.raw)
	return false
}

func text(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(b)
}

// put stores a record under the phone's own id. 412 says that it is there and has changed since.
func (p *phone) put(path string, body object) bool {
	p.t.Helper()
	a, ok := p.ask("PUT", path, text(body), "If-None-Match", "*")
	if ok && a.status == http.StatusPreconditionFailed {
		a, ok = p.ask("GET", path, "")
		return ok && a.status == http.StatusOK && a.body["version"].(float64) > 1
	}
	if !ok {
		return false
	}
	return p.sent("PUT", path, text(body), "If-None-Match", "*")
}

func (p *phone) post(path string, body object) bool { return p.sent("POST", path, text(body)) }

// postOnce posts what would be made anew by each request, with an Idempotency-Key. A refusal is
// repeated under its key, and had no effect: the next try has a new one.
func (p *phone) postOnce(key *string, path string, body object) bool {
	early := p.early
	there := p.sent("POST", path, text(body), "Idempotency-Key", *key)
	if p.early > early {
		*key = uuid.Must(uuid.NewV7()).String()
	}
	return there
}

// end enters the end of the survey unless it is there.
func (p *phone) end(path, at string) bool {
	a, ok := p.ask("GET", path, "")
	switch {
	case !ok:
		return false
	case a.status == http.StatusNotFound:
		p.early++
		return false
	case a.body["ended_at"] == at:
		return true
	}
	return p.sent("PATCH", path, text(object{"ended_at": at}), "Content-Type", "application/merge-patch+json", "If-Match", a.header.Get("ETag"))
}

// uploading is a log file on its way: path is empty until it is announced.
type uploading struct{ path, key string }

// upload sends a log file in pieces from where the service has it, and imports it.
func (p *phone) upload(u *uploading, survey, log string, options object) bool {
	if u.path == "" {
		a, ok := p.ask("POST", "/v1/uploads", text(announced(survey, log)), "Idempotency-Key", u.key)
		switch {
		case !ok:
			return false
		case a.status == http.StatusUnprocessableEntity:
			p.early++
			u.key = uuid.Must(uuid.NewV7()).String()
			return false
		case a.status != http.StatusCreated:
			p.t.Fatalf("POST /v1/uploads = %d %s", a.status, a.raw)
		}
		u.path = a.header.Get("Location")
	}
	for {
		a, ok := p.ask("HEAD", u.path, "")
		if !ok {
			return false
		}
		at, err := strconv.Atoi(a.header.Get("Upload-Offset"))
		if a.status != http.StatusNoContent || err != nil {
			p.t.Fatalf("HEAD %s = %d, %v", u.path, a.status, err)
		}
		if at == len(log) {
			break
		}
		piece := log[at:min(at+16<<10, len(log))]
		if a, ok = p.ask("PATCH", u.path, piece, "Content-Type", partial, "Upload-Offset", strconv.Itoa(at)); !ok {
			return false
		}
		if a.status != http.StatusNoContent && a.status != http.StatusConflict { // the one before is not given up yet
			p.t.Fatalf("PATCH %s = %d %s", u.path, a.status, a.raw)
		}
	}
	return p.sent("POST", "/v1/surveys/"+survey+"/imports", text(with(options, object{"upload_id": u.path[strings.LastIndex(u.path, "/")+1:]})))
}

// cutting returns the address of a link to another address that drops two connections of three
// after some bytes, in whichever direction they go.
func cutting(t *testing.T, to string, seed uint64) string {
	t.Helper()
	link, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { link.Close() })
	rng := rand.New(rand.NewPCG(seed, 7))
	go func() {
		for {
			near, err := link.Accept()
			if err != nil {
				return
			}
			left := int64(1 << 40)
			if rng.IntN(3) > 0 {
				left = 1 + rng.Int64N(1<<rng.IntN(16))
			}
			go carry(near, to, left)
		}
	}()
	return link.Addr().String()
}

// carry copies between near and another address until left bytes have gone by.
func carry(near net.Conn, to string, left int64) {
	defer near.Close()
	far, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer far.Close()
	var mu sync.Mutex
	var done sync.WaitGroup
	pass := func(to, from net.Conn) {
		b := make([]byte, 1024)
		for {
			n, err := from.Read(b)
			mu.Lock()
			n = int(min(int64(n), left))
			left -= int64(n)
			over := left == 0
			mu.Unlock()
			if _, e := to.Write(b[:n]); e != nil || over || err != nil && !errors.Is(err, io.EOF) {
				near.Close()
				far.Close()
				return
			}
			if err != nil {
				if half, ok := to.(*net.TCPConn); ok {
					_ = half.CloseWrite()
				}
				return
			}
		}
	}
	done.Go(func() { pass(far, near) })
	done.Go(func() { pass(near, far) })
	done.Wait()
}
