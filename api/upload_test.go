package api_test

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/domain/survey"
	"leveltrail/persistence/pgtest"
)

var _ = func() bool {
	openapi3filter.RegisterBodyDecoder(partial, openapi3filter.FileBodyDecoder)
	return true
}()

const partial = "application/partial-upload"

// longLog returns an invented log of so many seconds, 25 bytes each.
func longLog(seconds int) string {
	var b strings.Builder
	b.WriteString("date;time;LAF dB(A)\n")
	at := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	for i := range seconds {
		fmt.Fprintf(&b, "%s;%d.%d\n", at.Format("2006-01-02;15:04:05"), 40+i%37, i%10)
		at = at.Add(time.Second)
	}
	return b.String()
}

func announced(survey, log string) object {
	sum := sha256.Sum256([]byte(log))
	return object{"survey_id": survey, "name": "night.csv", "bytes": len(log), "sha256": hex.EncodeToString(sum[:]), "media_type": "text/csv"}
}

// piece sends log[from:to] to an upload.
func (s *service) piece(path, log string, from, to int) answer {
	s.t.Helper()
	return s.call("PATCH", path, log[from:to], "Content-Type", partial, "Upload-Offset", strconv.Itoa(from))
}

// begin begins to send log[from:] to an upload over a connection of its own, and stops at to.
func (s *service) begin(address, path, log string, from, to int) net.Conn {
	s.t.Helper()
	conn, err := (&net.Dialer{}).DialContext(s.t.Context(), "tcp", address)
	if err != nil {
		s.t.Fatal(err)
	}
	fmt.Fprintf(conn, "PATCH %s HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Type: %s\r\nUpload-Offset: %d\r\nContent-Length: %d\r\n\r\n%s",
		path, s.key, partial, from, len(log)-from, log[from:to])
	return conn
}

// elsewhere returns the same service in what might be another process.
func (s *service) elsewhere() *service {
	s.t.Helper()
	other := *s
	var err error
	if other.handler, err = api.New(s.t.Context(), api.Config{Store: s.store, Log: discard, Now: time.Now}); err != nil {
		s.t.Fatal(err)
	}
	return &other
}

// superseded reads the answer to a request that a newer one ended.
func superseded(t *testing.T, conn net.Conn) {
	t.Helper()
	late, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	var problem object
	if err := json.NewDecoder(late.Body).Decode(&problem); err != nil || late.StatusCode != http.StatusConflict || problem["code"] != "upload_superseded" {
		t.Errorf("the older request = %d %v, %v; want 409 upload_superseded", late.StatusCode, problem, err)
	}
}

// await returns when the service has kept so many bytes of an upload.
func (s *service) await(path string, received int64) {
	s.t.Helper()
	id := uuid.MustParse(path[strings.LastIndex(path, "/")+1:])
	for end := time.Now().Add(20 * time.Second); ; {
		u, err := s.store.Upload(access.With(s.t.Context(), access.Caller{All: true}), id)
		if err != nil {
			s.t.Fatal(err)
		}
		if u.Received == received {
			return
		}
		if time.Now().After(end) {
			s.t.Fatalf("%d bytes kept; want %d", u.Received, received)
		}
	}
}

func (s *service) offsetIs(path string, want int, complete string) {
	s.t.Helper()
	a := s.must(204, "HEAD", path, nil)
	if a.header.Get("Upload-Offset") != strconv.Itoa(want) || a.header.Get("Upload-Complete") != complete || a.header.Get("Cache-Control") != "no-store" {
		s.t.Errorf("HEAD %s: %v; want Upload-Offset %d, Upload-Complete %s, no-store", path, a.header, want, complete)
	}
}

// TestUpload sends a log file over connections that break, and imports it.
func TestUpload(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	server := httptest.NewServer(s.handler)
	defer server.Close()
	address := server.Listener.Addr().String()
	log := longLog(100_000)

	made := s.must(201, "POST", "/v1/uploads", announced(s.survey, log), "Idempotency-Key", "k")
	path := made.header.Get("Location")
	if got, want := made.header.Get("Upload-Limit"), "max-size=2147483648, max-append-size=8388608, max-age=604800"; got != want {
		t.Errorf("Upload-Limit = %q; want %q", got, want)
	}
	if again := s.must(201, "POST", "/v1/uploads", announced(s.survey, log), "Idempotency-Key", "k"); again.header.Get("Location") != path {
		t.Error("the announcement repeated began another upload")
	}
	s.offsetIs(path, 0, "?0")

	// A connection that breaks within a piece: what came is kept.
	s.begin(address, path, log, 0, 700_001).Close()
	s.await(path, 700_001)
	s.offsetIs(path, 700_001, "?0")
	a := s.piece(path, log, 0, 1000)
	if a.status != 409 || a.body["code"] != "upload_offset" || a.body["expected_offset"] != 700_001. {
		t.Errorf("a piece from the beginning = %d %s; want 409 with expected_offset 700001", a.status, a.raw)
	}
	a = s.call("POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": made.body["id"]}))
	if a.status != 409 || a.body["code"] != "upload_incomplete" {
		t.Errorf("import of a part = %d %s; want 409 upload_incomplete", a.status, a.raw)
	}

	// A socket that is dead and open: the newer request goes on, the older one ends.
	dead := s.begin(address, path, log, 700_001, 1_200_000)
	defer dead.Close()
	s.await(path, 1_200_000)
	// The same where the newer request comes to another process.
	other := s.elsewhere()
	stray := s.begin(address, path, log, 1_200_000, 1_500_000)
	defer stray.Close()
	s.await(path, 1_500_000)
	superseded(t, dead)
	other.offsetIs(path, 1_500_000, "?0")
	fmt.Fprint(stray, log[1_500_000:1_500_010])
	superseded(t, stray)
	if a := s.piece(path, log, 1_500_000, len(log)); a.status != 204 || a.header.Get("Upload-Complete") != "?1" {
		t.Fatalf("the last piece = %d %s %v; want 204, complete", a.status, a.raw, a.header)
	}
	s.offsetIs(path, len(log), "?1")
	if a := s.piece(path, log, len(log), len(log)); a.status != 204 {
		t.Errorf("an empty last piece again = %d %s; want 204", a.status, a.raw)
	}

	imported := s.must(201, "POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": made.body["id"]}))
	answered(t, object{"state": "accepted", "rows": object{"read": 1e5, "accepted": 1e5, "flagged": 0., "rejected": 0.}}, imported)
	again := s.must(200, "POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": made.body["id"]}))
	answered(t, imported.body, again)
	var parts, longest int
	err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(), `select count(*), max(part) from file_part`).Scan(&parts, &longest)
	if want := (len(log) + 1<<20 - 1) >> 20; err != nil || parts != want || longest != want-1 {
		t.Errorf("%d parts up to number %d, %v; want %d of 1 MiB each", parts, longest, err, want)
	}
	s.must(204, "DELETE", path, nil)
	s.refused(404, "not_found", nil, "PATCH", path, "x", "Content-Type", partial, "Upload-Offset", "0")
	if got := s.must(200, "GET", imported.header.Get("Location")+"/file", nil); string(got.raw) != log {
		t.Error("the file of the import is not the one that was sent")
	}
}

// TestUploadRefused asks what cannot be.
func TestUploadRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	log := longLog(1000)
	whole := announced(s.survey, log)
	s.refused(422, "invalid", []string{"/bytes out_of_range", "/sha256 invalid", "/name required"}, "POST", "/v1/uploads",
		with(whole, object{"bytes": 0, "sha256": "ab", "name": " "}))
	s.refused(422, "invalid", []string{"/bytes out_of_range"}, "POST", "/v1/uploads", with(whole, object{"bytes": 2<<30 + 1}))
	s.refused(422, "invalid", []string{"/survey_id unknown_reference"}, "POST", "/v1/uploads", with(whole, object{"survey_id": s.position}))
	if a := s.call("HEAD", "/v1/uploads/"+s.position, nil); a.status != 404 {
		t.Errorf("HEAD of no upload = %d; want 404", a.status)
	}

	made := s.must(201, "POST", "/v1/uploads", whole)
	path, id := made.header.Get("Location"), made.body["id"].(string)
	s.refused(400, "type", []string{"Upload-Offset type"}, "PATCH", path, "x", "Content-Type", partial)
	a := s.call("PATCH", path, "x", "Content-Type", "text/plain", "Upload-Offset", "0")
	if a.status != 415 || a.header.Get("Accept-Patch") != partial {
		t.Errorf("text/plain = %d, Accept-Patch %q; want 415 and %s", a.status, a.header.Get("Accept-Patch"), partial)
	}
	s.refused(413, "too_large", nil, "PATCH", path, strings.Repeat("x", 8<<20+1), "Content-Type", partial, "Upload-Offset", "0")
	s.refused(413, "too_large", nil, "PATCH", path, log+"x", "Content-Type", partial, "Upload-Offset", "0")
	s.offsetIs(path, 0, "?0")

	// Bytes that are not those announced are dropped, and the right ones are taken afterwards.
	wrong := strings.Replace(log, "07:00:03", "07:00:02", 1)
	if a := s.piece(path, wrong, 0, 5000); a.status != 204 {
		t.Fatalf("a piece = %d %s; want 204", a.status, a.raw)
	}
	a = s.piece(path, wrong, 5000, len(wrong))
	if a.status != 422 || a.body["code"] != "digest_mismatch" || a.body["expected_offset"] != 0. {
		t.Errorf("wrong bytes = %d %s; want 422 digest_mismatch, from 0", a.status, a.raw)
	}
	s.offsetIs(path, 0, "?0")
	if a := s.piece(path, log, 0, len(log)); a.status != 204 {
		t.Errorf("the right bytes = %d %s; want 204", a.status, a.raw)
	}

	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)
	other := s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00"})
	s.refused(422, "invalid", []string{"/upload_id unknown_reference"}, "POST", "/v1/surveys/"+other+"/imports", with(aLogOptions(s), object{"upload_id": id}))

	// Another client's key does not see it, nor disturb it.
	secret, _ := s.newKey("quarry", nil, s.create("/v1/clients", object{"name": "Invented Quarry"}))
	us := s.as(secret)
	us.refused(404, "not_found", nil, "PATCH", path, "x", "Content-Type", partial, "Upload-Offset", "0")
	us.refused(404, "not_found", nil, "DELETE", path, nil)
	us.refused(422, "invalid", []string{"/survey_id unknown_reference"}, "POST", "/v1/uploads", whole)
}

// TestUploadTogether has several senders send one file at once to two processes: the bytes kept are the file's, once.
func TestUploadTogether(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	server := httptest.NewServer(s.handler)
	defer server.Close()
	other := httptest.NewServer(s.elsewhere().handler)
	defer other.Close()
	log := longLog(40_000)
	made := s.must(201, "POST", "/v1/uploads", announced(s.survey, log))
	ask := func(base, method, body string, at int) (status, offset int, complete bool) {
		r, err := http.NewRequestWithContext(t.Context(), method, base+made.header.Get("Location"), strings.NewReader(body))
		if err != nil {
			t.Error(err)
			return
		}
		r.Header.Set("Authorization", "Bearer "+s.key)
		r.Header.Set("Content-Type", partial)
		r.Header.Set("Upload-Offset", strconv.Itoa(at))
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			return 0, 0, false // the service ended an older request while it came
		}
		defer resp.Body.Close()
		_, _ = io.Copy(io.Discard, resp.Body)
		offset, _ = strconv.Atoi(resp.Header.Get("Upload-Offset"))
		return resp.StatusCode, offset, resp.Header.Get("Upload-Complete") == "?1"
	}
	var rounds atomic.Int64
	var senders sync.WaitGroup
	for i := range 4 {
		senders.Go(func() {
			at, complete, base := 0, false, []string{server.URL, other.URL}[i%2]
			for !complete && rounds.Add(1) < 2000 {
				var status int
				if status, at, complete = ask(base, "PATCH", log[at:min(len(log), at+100_000+i*7)], at); status != 204 && status != 409 {
					_, at, complete = ask(base, "HEAD", "", 0)
				}
			}
		})
	}
	senders.Wait()
	s.offsetIs(made.header.Get("Location"), len(log), "?1") // complete: so its digest is the file's
	imported := s.must(201, "POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": made.body["id"]}))
	if got := s.must(200, "GET", imported.header.Get("Location")+"/file", nil); string(got.raw) != log {
		t.Error("the file is not the one that was sent")
	}
}

// TestUploadExpiry moves the clock past the life of uploads.
func TestUploadExpiry(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	now := time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)
	var err error
	if s.handler, err = api.New(t.Context(), api.Config{Store: s.store, Log: discard, Now: func() time.Time { return now }}); err != nil {
		t.Fatal(err)
	}
	log := longLog(1000)
	begun := s.must(201, "POST", "/v1/uploads", announced(s.survey, log+"more"))
	done := s.must(201, "POST", "/v1/uploads", announced(s.survey, log))
	path := begun.header.Get("Location")
	for _, p := range []string{path, done.header.Get("Location")} {
		if a := s.piece(p, log, 0, len(log)); a.status != 204 {
			t.Fatalf("piece = %d %s", a.status, a.raw)
		}
	}
	imported := s.must(201, "POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": done.body["id"]}))
	// A form whose import was cut short: its file was kept and no one has it.
	ctx := access.With(t.Context(), access.Caller{All: true})
	v, err := s.store.Survey(ctx, uuid.MustParse(s.survey))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.store.KeepFile(ctx, v, "cut.csv", strings.NewReader(log), nil); err != nil {
		t.Fatal(err)
	}
	parts := func() (n int) {
		if err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(), `select count(*) from file_part`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	forget := func(at time.Time, want int) {
		t.Helper()
		if err := s.store.ForgetUploads(t.Context(), at); err != nil {
			t.Fatal(err)
		}
		if got := parts(); got != want {
			t.Errorf("at %s %d parts are kept; want %d", at, got, want)
		}
	}

	now = now.Add(7*24*time.Hour - time.Second)
	forget(now, 3)
	s.offsetIs(path, len(log), "?0")
	now = now.Add(time.Second)
	gone := func() {
		t.Helper()
		s.refused(410, "upload_expired", nil, "PATCH", path, "more", "Content-Type", partial, "Upload-Offset", strconv.Itoa(len(log)))
		if a := s.call("HEAD", path, nil); a.status != 410 {
			t.Errorf("HEAD = %d; want 410", a.status)
		}
		s.refused(410, "upload_expired", nil, "POST", "/v1/surveys/"+s.survey+"/imports", with(aLogOptions(s), object{"upload_id": begun.body["id"]}))
	}
	gone()
	forget(now, 2)
	gone()
	forget(now.Add(30*24*time.Hour), 2)
	if a := s.call("HEAD", path, nil); a.status != 404 {
		t.Errorf("HEAD long after = %d; want 404", a.status)
	}
	forget(time.Now().Add(survey.FormLife+time.Second), 1) // the form came by the clock of the database's side
	if got := s.must(200, "GET", imported.header.Get("Location")+"/file", nil); string(got.raw) != log {
		t.Error("the file of an import went with its upload")
	}
}

// TestUploadLimits begins as many uploads as a key may have.
func TestUploadLimits(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	full := func(s *service, body object) {
		t.Helper()
		a := s.call("POST", "/v1/uploads", body)
		if a.status != 429 || a.body["code"] != "uploads_too_many" || a.header.Get("Retry-After") == "" {
			t.Errorf("one upload too many = %d %s; want 429 uploads_too_many with Retry-After", a.status, a.raw)
		}
	}
	small, large := announced(s.survey, "x"), with(announced(s.survey, "x"), object{"bytes": 2 << 30})
	var last string
	for range survey.MaxUploads {
		last = s.must(201, "POST", "/v1/uploads", small).header.Get("Location")
	}
	full(s.service, small)
	s.must(204, "DELETE", last, nil)
	s.must(201, "POST", "/v1/uploads", small)
	secret, _ := s.newKey("another phone", nil)
	other := s.as(secret)
	for range survey.MaxUploadBytes / (2 << 30) {
		other.must(201, "POST", "/v1/uploads", large)
	}
	full(other, small)
}
