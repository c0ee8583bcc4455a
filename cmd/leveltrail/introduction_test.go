package main

import (
	"encoding/pem"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

// introduction runs what README.md shows, block by block, and holds what comes out against it.
type introduction struct {
	t      *testing.T
	dir    string
	env    []string
	before string            // what each command begins with: the function that asks
	ids    map[string]string // what stands here for the ids shown
}

var (
	shownID   = regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`)
	shownTime = regexp.MustCompile(`\d{4}-\d\d-\d\dT[0-9:.]+Z`)
	shownHex  = regexp.MustCompile(`[0-9a-f]{8}…`)
	shownSeq  = regexp.MustCompile(`"(seq|after)":\d+`)
	block     = regexp.MustCompile("(?s)```(sh)?\n(.*?)```")
)

// run runs commands with the ids of here in place of those shown.
func (in *introduction) run(commands string) string {
	in.t.Helper()
	for shown, id := range in.ids {
		commands = strings.ReplaceAll(commands, shown, id)
	}
	c := exec.CommandContext(in.t.Context(), "bash", "-ec", in.before+commands)
	c.Dir, c.Env = in.dir, append(os.Environ(), in.env...)
	out, err := c.CombinedOutput()
	if err != nil {
		in.t.Fatalf("%s: %v\n%s", commands, err, out)
	}
	return strings.TrimRight(string(out), "\n")
}

// like fails unless got is what README.md shows: "…" stands for anything, and ids, instants and
// numbers of changes are others here. What ids stand here for those shown is learnt.
func (in *introduction) like(shown, got string) {
	in.t.Helper()
	pattern, learnt := shown, []string{}
	const rest, id = "\x00", "\x01"
	pattern = shownHex.ReplaceAllString(pattern, rest)
	pattern = shownTime.ReplaceAllString(pattern, rest)
	pattern = shownSeq.ReplaceAllString(pattern, `"$1":`+rest)
	pattern = strings.NewReplacer(" …", rest, "…", rest).Replace(pattern)
	pattern = shownID.ReplaceAllStringFunc(pattern, func(s string) string {
		if known, ok := in.ids[s]; ok {
			return known
		}
		learnt = append(learnt, s)
		return id
	})
	pattern = strings.NewReplacer(rest, ".*", id, "("+shownID.String()+")").Replace(regexp.QuoteMeta(pattern))
	m := regexp.MustCompile("(?s)^" + pattern + "$").FindStringSubmatch(got)
	if m == nil {
		in.t.Fatalf("README.md shows\n%s\nhere it is\n%s", shown, got)
	}
	for i, s := range learnt {
		in.ids[s] = m[1+2*i] // the pattern of an id has a group of its own
	}
}

// steps runs the commands of a block one by one. Each ends where lines of comment show what comes out.
func (in *introduction) steps(text string) {
	in.t.Helper()
	var commands, shown []string
	step := func() {
		in.t.Helper()
		if len(commands) > 0 {
			out := in.run(strings.Join(commands, "\n"))
			if len(shown) > 0 {
				in.like(strings.Join(shown, ""), strings.ReplaceAll(out, "\n", ""))
			}
		}
		commands, shown = nil, nil
	}
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		comment, isShown := strings.CutPrefix(line, "# ")
		if !isShown && len(shown) > 0 {
			step()
		}
		if isShown {
			shown = append(shown, strings.TrimLeft(comment, " "))
		} else {
			commands = append(commands, line)
		}
	}
	step()
}

// TestIntroductionForJobSystems follows README.md as whoever writes a job system does: from the
// number of a job to its sign-off, with every command and every answer that it shows.
func TestIntroductionForJobSystems(t *testing.T) {
	t.Parallel()
	if !toolsThere(t, "bash", "curl", "openssl", "unzip", "sha256sum", "od", "base64") {
		t.Skip("programs that the introduction uses are missing")
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(readme), "\n## Beside a job system\n")
	section, _, _ = strings.Cut(section, "\n## ")
	var blocks []string
	for _, m := range block.FindAllStringSubmatch(section, -1) {
		blocks = append(blocks, m[2])
	}
	if len(blocks) != 7 {
		t.Fatalf("%d blocks; want 7: the function, the job, the webhook, its survey, a message, its signature, the sign-off", len(blocks))
	}

	dir := t.TempDir()
	program := filepath.Join(dir, "leveltrail")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("building the program: %v\n%s", err, out)
	}
	arrived := make(chan posted, 100)
	receiver := httptest.NewTLSServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		arrived <- posted{r.Header, body}
	}))
	defer receiver.Close()
	certificate := filepath.Join(dir, "receiver.pem")
	if err := os.WriteFile(certificate, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: receiver.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	p := startProcess(t, program, access.NewKey(), "DATABASE_URL="+pgtest.New(t).App, "LEVELTRAIL_WEBHOOK_ALLOW=127.0.0.1", "SSL_CERT_FILE="+certificate)
	secretOf := func(name, role string) string {
		return p.must(http.StatusCreated, "POST", "/v1/keys", map[string]any{"name": name, "role": role})["secret"].(string)
	}
	in := &introduction{t: t, dir: dir, env: []string{"KEY=" + secretOf("Jobs", "job_system")}, ids: map[string]string{}}
	in.before = strings.Replace(blocks[0], "http://127.0.0.1:8080", p.url, 1)

	in.steps(blocks[1])
	hooked := strings.Replace(blocks[2], "https://jobs.example/hook", receiver.URL, 1)
	in.steps(hooked)
	command, _, _ := strings.Cut(hooked, "\n")
	secret := regexp.MustCompile(`whsec_[^"]+`).FindString(in.run(command)) // of another webhook, which gets the same
	message := func(change string) posted {
		t.Helper()
		for {
			select {
			case m := <-arrived:
				if strings.Contains(string(m.body), `"`+change+`"`) {
					return m
				}
			case <-time.After(30 * time.Second):
				t.Fatalf("no message of %s arrives", change)
			}
		}
	}

	// Someone in the field begins a survey.
	before := p.must(http.StatusOK, "GET", "/v1/changes", nil)["after"]
	projects := p.must(http.StatusOK, "GET", "/v1/projects?reference=J-2041", nil)["items"].([]any)
	project := "/v1/projects/" + projects[0].(map[string]any)["id"].(string)
	survey := p.create(project+"/surveys", map[string]any{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00"})
	first := message("survey.created")
	in.steps(strings.Replace(blocks[3], "after=5", fmt.Sprintf("after=%.0f", before), 1))
	lines := strings.Split(strings.TrimSpace(blocks[4]), "\n")
	in.like(lines[len(lines)-1], string(first.body))

	// Of the two webhooks' messages one is signed with the secret at hand.
	outcomes := map[string]int{}
	for _, m := range []posted{first, message("survey.created")} {
		for _, body := range []string{string(m.body), string(m.body) + " "} {
			in.before = fmt.Sprintf("SECRET='%s' ID='%s' TIMESTAMP='%s' SIGNATURES='%s' BODY='%s'\n", secret,
				m.header.Get("webhook-id"), m.header.Get("webhook-timestamp"), m.header.Get("webhook-signature"), body)
			outcomes[in.run(blocks[5])]++
		}
	}
	if outcomes["genuine"] != 1 || outcomes["not genuine"] != 3 {
		t.Errorf("the check of signatures says %v; want one of four genuine", outcomes)
	}
	in.before = strings.Replace(blocks[0], "http://127.0.0.1:8080", p.url, 1)

	// It is measured and signed off.
	position := p.create(project+"/positions", map[string]any{"number": 1, "label": "Gate"})
	meter := p.create("/v1/instruments", map[string]any{
		"kind": "sound_level_meter", "manufacturer": "Invented Works", "model": "Mu", "serial_number": "M-1", "class": "1", "specification": "IEC 61672-1:2013",
	})
	p.ask(t.Context(), "PATCH", "/v1/surveys/"+survey, `{"ended_at": "2026-03-03T08:00:00+01:00"}`, "If-Match", `"v1"`, "Content-Type", "application/merge-patch+json") //nolint:errcheck // seen by the sign-off
	options := fmt.Sprintf(`{"instrument_id": "%s", "position_id": "%s", "quantity": "LAF"}`, meter, position)
	log := filepath.Join(dir, "night.csv")
	if err := os.WriteFile(log, []byte("Date;Time;LAF\n2026-03-03;07:10:00;51.2\n2026-03-03;07:10:01;51.4\n2026-03-03;07:10:02;51.3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	in.run(fmt.Sprintf("curl -sf -H 'Authorization: Bearer %s' -F 'options=%s' -F file=@%s $A/surveys/%s/imports", p.key, options, log, survey))
	p.create("/v1/surveys/"+survey+"/sign-offs", map[string]any{"statement": "Invented"})
	if m := message("survey.signed_off"); !strings.Contains(string(m.body), survey) {
		t.Errorf("signed off is %s; want survey %s", m.body, survey)
	}
	shown := shownID.FindString(blocks[6])
	in.ids[shown] = survey
	in.steps(blocks[6])
}
