package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

// process is a service in a process of its own, which can be killed.
type process struct {
	t       *testing.T
	command *exec.Cmd
	url     string
	key     string
}

var servingAt = regexp.MustCompile(`"msg":"serving","address":"([^"]+)"`)

// startProcess starts the program at path and returns when it serves.
func startProcess(t *testing.T, path, key string, env ...string) *process {
	t.Helper()
	p := &process{t: t, key: key, command: exec.CommandContext(t.Context(), path, "serve", "--listen", "127.0.0.1:0")}
	p.command.Env = append(append(os.Environ(), "LEVELTRAIL_ADMIN_KEY="+key), env...)
	out, err := p.command.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if m := servingAt.FindStringSubmatch(lines.Text()); m != nil {
			p.url = "http://" + m[1]
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return p
		}
	}
	t.Fatal("the service ended before it served")
	return nil
}

// kill ends the process as a power failure would.
func (p *process) kill() {
	_ = p.command.Process.Kill() // it may be dead
	_ = p.command.Wait()
}

// ask sends a request and returns the answer's status, headers and body.
func (p *process) ask(ctx context.Context, method, path string, body any, headers ...string) (status int, header http.Header, answer map[string]any, err error) {
	sent, ok := body.(string)
	if !ok && body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return 0, nil, nil, err
		}
		sent = string(text)
	}
	r, err := http.NewRequestWithContext(ctx, method, p.url+path, strings.NewReader(sent))
	if err != nil {
		return 0, nil, nil, err
	}
	r.Header.Set("Authorization", "Bearer "+p.key)
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, nil, nil, err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	_ = json.Unmarshal(text, &answer) // nil where it is no object
	return resp.StatusCode, resp.Header, answer, err
}

func (p *process) must(status int, method, path string, body any, headers ...string) map[string]any {
	p.t.Helper()
	got, _, answer, err := p.ask(p.t.Context(), method, path, body, headers...)
	if err != nil || got != status {
		p.t.Fatalf("%s %s = %d %v, %v; want %d", method, path, got, answer, err, status)
	}
	return answer
}

func (p *process) create(path string, body map[string]any) string {
	p.t.Helper()
	return p.must(http.StatusCreated, "POST", path, body)["id"].(string)
}

// TestKilled kills the service in the middle of an upload and in the middle of an
// import: what came before is there, and the retry ends in one complete import.
func TestKilled(t *testing.T) {
	t.Parallel()
	program := filepath.Join(t.TempDir(), "leveltrail")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("building the program: %v\n%s", err, out)
	}
	db := pgtest.New(t)
	key := access.NewKey()
	env := []string{"DATABASE_URL=" + db.App}
	p := startProcess(t, program, key, env...)

	client := p.create("/v1/clients", map[string]any{"name": "Invented Mill"})
	project := p.create("/v1/projects", map[string]any{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "UTC"})
	position := p.create("/v1/projects/"+project+"/positions", map[string]any{"number": 101, "label": "Gate"})
	survey := p.create("/v1/projects/"+project+"/surveys", map[string]any{"kind": "environmental", "started_at": "2026-03-03T07:00:00Z"})
	meter := p.create("/v1/instruments", map[string]any{
		"kind": "sound_level_meter", "manufacturer": "Invented Works", "model": "Mu", "serial_number": "1", "class": "1",
	})

	var b bytes.Buffer
	b.WriteString("date;time;LAF dB(A)\n")
	at := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	const samples = 60_000
	for i := range samples {
		fmt.Fprintf(&b, "%s;%d.%d\n", at.Add(time.Duration(i)*time.Second).Format("2006-01-02;15:04:05"), 40+i%37, i%10)
	}
	log := b.String()
	sum := sha256.Sum256(b.Bytes())
	upload := p.create("/v1/uploads", map[string]any{
		"survey_id": survey, "name": "night.csv", "bytes": len(log), "sha256": hex.EncodeToString(sum[:]), "media_type": "text/csv",
	})

	// In the middle of the upload.
	admin, err := pgx.Connect(t.Context(), db.Superuser)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(context.WithoutCancel(t.Context()))
	sender, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(p.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer sender.Close()
	const came = 1_100_000
	fmt.Fprintf(sender, "PATCH /v1/uploads/%s HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Type: application/partial-upload\r\n"+
		"Upload-Offset: 0\r\nContent-Length: %d\r\n\r\n%s", upload, key, len(log), log[:came])
	await(t, admin, `select received from upload`, came)
	p.kill()
	p = startProcess(t, program, key, env...)
	status, header, _, err := p.ask(t.Context(), "HEAD", "/v1/uploads/"+upload, nil)
	if err != nil || status != http.StatusNoContent || header.Get("Upload-Offset") != strconv.Itoa(came) {
		t.Fatalf("after the kill HEAD = %d, Upload-Offset %q, %v; want 204 and %d", status, header.Get("Upload-Offset"), err, came)
	}
	p.must(http.StatusNoContent, "PATCH", "/v1/uploads/"+upload, log[came:], "Content-Type", "application/partial-upload", "Upload-Offset", strconv.Itoa(came))

	// In the middle of the import: its series are written, its own row cannot be yet.
	block, err := admin.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := block.Exec(t.Context(), `lock table import in share mode`); err != nil {
		t.Fatal(err)
	}
	options := map[string]any{"instrument_id": meter, "position_id": position, "quantity": "LAF", "time_zone": "UTC", "upload_id": upload}
	imports := "/v1/surveys/" + survey + "/imports"
	broken := make(chan error, 1)
	go func() {
		_, _, _, err := p.ask(context.WithoutCancel(t.Context()), "POST", imports, options, "Idempotency-Key", "the import")
		broken <- err
	}()
	watcher, err := pgx.Connect(t.Context(), db.Superuser)
	if err != nil {
		t.Fatal(err)
	}
	defer watcher.Close(context.WithoutCancel(t.Context()))
	await(t, watcher, `select count(*) from pg_locks where relation = 'import'::regclass and not granted`, 1)
	p.kill()
	if err := <-broken; err == nil {
		t.Error("the import was answered by a service that was killed")
	}
	if err := block.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	await(t, watcher, `select count(*) from pg_locks where relation = 'import'::regclass`, 0)
	counts := func(want string) {
		t.Helper()
		var got string
		err := watcher.QueryRow(t.Context(), `select format('%s imports, %s series, %s files, %s blocks',
			(select count(*) from import), (select count(*) from series), (select count(*) from file), (select count(*) from sample_block))`).Scan(&got)
		if err != nil || got != want {
			t.Errorf("the database holds %s, %v; want %s", got, err, want)
		}
	}
	counts("0 imports, 0 series, 0 files, 0 blocks")

	p = startProcess(t, program, key, env...)
	made := p.must(http.StatusCreated, "POST", imports, options, "Idempotency-Key", "the import")
	again := p.must(http.StatusCreated, "POST", imports, options, "Idempotency-Key", "the import")
	if made["id"] != again["id"] {
		t.Error("the retry of the retry made another import")
	}
	counts("1 imports, 1 series, 1 files, 17 blocks") // 60,000 s reach into 17 hours
	rows := made["rows"].(map[string]any)
	if made["state"] != "accepted" || rows["accepted"] != float64(samples) {
		t.Errorf("import = %v, rows %v; want accepted, all of %d", made["state"], rows, samples)
	}
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, p.url+"/v1/imports/"+made["id"].(string)+"/file", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+key)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if file, err := io.ReadAll(resp.Body); err != nil || string(file) != log {
		t.Errorf("the file has %d bytes, %v; want the %d sent", len(file), err, len(log))
	}
}

// await returns when a query answers want.
func await(t *testing.T, conn *pgx.Conn, query string, want int64) {
	t.Helper()
	var got int64
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); {
		if err := conn.QueryRow(t.Context(), query).Scan(&got); err != nil {
			t.Fatal(err)
		}
		if got == want {
			return
		}
	}
	t.Fatalf("%s answers %d; want %d", query, got, want)
}
