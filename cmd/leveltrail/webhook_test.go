package main

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgxpool"

	"leveltrail/domain/access"
	"leveltrail/domain/survey"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// posted is a message that arrived.
type posted struct {
	header http.Header
	body   []byte
}

// TestWebhookSurvivesKills kills the service at each step from a change to its
// delivery: each change arrives at least once, signed, and repeats have the same id.
func TestWebhookSurvivesKills(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	program := filepath.Join(dir, "leveltrail")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("building the program: %v\n%s", err, out)
	}
	arrived, answer := make(chan posted, 100), make(chan bool, 100)
	receiver := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		arrived <- posted{r.Header, body}
		select {
		case <-answer:
		case <-r.Context().Done(): // killed meanwhile
		}
	}))
	defer receiver.Close()
	certificate := filepath.Join(dir, "receiver.pem")
	if err := os.WriteFile(certificate, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: receiver.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}

	db := pgtest.New(t)
	super := pgtest.Connect(t, db.Superuser)
	key := access.NewKey()
	start := func() *process {
		t.Helper()
		return startProcess(t, program, key, "DATABASE_URL="+db.App, "LEVELTRAIL_WEBHOOK_ALLOW=127.0.0.1", "SSL_CERT_FILE="+certificate)
	}
	p := start()
	hook := p.must(http.StatusCreated, "POST", "/v1/webhooks", map[string]any{"name": "Jobs", "url": receiver.URL, "types": []string{"client.created"}})
	secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(hook["secret"].(string), "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	next := func(client string) posted {
		t.Helper()
		select {
		case m := <-arrived:
			if got := recordOf(t, m, secret); got != client {
				t.Fatalf("a message about %s arrives; want %s", got, client)
			}
			return m
		case <-time.After(30 * time.Second):
			t.Fatal("no message arrives")
			panic("unreachable")
		}
	}
	delivered := func(n int) {
		t.Helper()
		for ds := []any{}; len(ds) != n; {
			ds = p.must(http.StatusOK, "GET", "/v1/webhooks/"+hook["id"].(string)+"/deliveries?state=delivered", nil)["items"].([]any)
		}
	}

	// In the middle of an attempt: the receiver has the message and has not answered.
	first := p.create("/v1/clients", map[string]any{"name": "first"})
	m := next(first)
	p.kill()
	timePasses(t, super)
	p = start()
	again := next(first)
	if id := again.header.Get("webhook-id"); id == "" || id != m.header.Get("webhook-id") {
		t.Errorf("the message comes again as %s; want %s", id, m.header.Get("webhook-id"))
	}
	if diff := cmp.Diff(m.body, again.body); diff != "" {
		t.Errorf("the message comes again with another body:\n%s", diff)
	}
	answer <- true
	delivered(1)

	// Between the change and its seal, and between the seal and the first attempt:
	// no service runs.
	p.kill()
	store, err := persistence.Open(t.Context(), db.App)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	second := createdClient(t, store, "second")
	if _, err := store.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	timePasses(t, super)
	p = start()
	next(second)
	answer <- true
	delivered(2)
	p.kill()
	third := createdClient(t, store, "third")
	timePasses(t, super)
	p = start()
	next(third)
	answer <- true
	delivered(3)

	// Stopped as asked, in the middle of an attempt, it waits for the answer.
	fourth := p.create("/v1/clients", map[string]any{"name": "fourth"})
	next(fourth)
	if err := p.command.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	answer <- true
	if err := p.command.Wait(); err != nil {
		t.Errorf("the service ends with %v", err)
	}
	var state string
	if err := super.QueryRow(t.Context(), `select state from webhook_delivery order by id desc limit 1`).Scan(&state); err != nil || state != "delivered" {
		t.Errorf("the delivery is %s, %v; want delivered", state, err)
	}
	if len(arrived) != 0 {
		t.Errorf("%d more messages arrive than there were changes and kills", len(arrived))
	}

	var out, log bytes.Buffer
	verify := func() error {
		out.Reset()
		return run(t.Context(), []string{"audit", "verify"}, settings("DATABASE_URL="+db.App), &out, &log)
	}
	if err := verify(); err != nil || !strings.Contains(out.String(), " entries of the journal are as sealed, up to SHA-256 ") {
		t.Errorf("audit verify printed %q, %v", out.String(), err)
	}
	if _, err := super.Exec(t.Context(), `update client_version set name = 'x' where name = 'second'`); err != nil {
		t.Fatal(err)
	}
	if err := verify(); err == nil || !strings.HasPrefix(err.Error(), "entry ") || !strings.Contains(err.Error(), "is not what was sealed") {
		t.Errorf("audit verify of a version tampered with: %q, %v", out.String(), err)
	}
}

// recordOf returns the id of the record that a message is about, having checked its
// signature as a receiver does by Standard Webhooks.
func recordOf(t *testing.T, m posted, secret []byte) string {
	t.Helper()
	mac := hmac.New(sha256.New, secret)
	_, _ = io.WriteString(mac, m.header.Get("webhook-id")+"."+m.header.Get("webhook-timestamp")+"."+string(m.body))
	if got, want := m.header.Get("webhook-signature"), "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)); got != want {
		t.Errorf("signature %s; want %s", got, want)
	}
	var change struct {
		Type   string `json:"type"`
		Record struct {
			Type string `json:"type"`
			ID   string `json:"id"`
		} `json:"record"`
	}
	if err := json.Unmarshal(m.body, &change); err != nil || change.Type != "client.created" || change.Record.Type != "client" {
		t.Errorf("message %s, %v", m.body, err)
	}
	return change.Record.ID
}

func createdClient(t *testing.T, store *persistence.Store, name string) string {
	t.Helper()
	c, err := store.CreateClient(access.With(t.Context(), access.Caller{Name: "test", All: true}), survey.Client{Name: name})
	if err != nil {
		t.Fatal(err)
	}
	return c.ID.String()
}

// timePasses makes it long ago that a killed service was there: what it had begun is
// taken for cut short, and another may lead.
func timePasses(t *testing.T, super *pgxpool.Pool) {
	t.Helper()
	for _, sql := range []string{`update river_job set attempted_at = attempted_at - interval '1 hour' where state = 'running'`, `delete from river_leader`} {
		if _, err := super.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
}
