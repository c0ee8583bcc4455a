package api_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the bodies answered to testdata")

var (
	anID      = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)
	aHash     = regexp.MustCompile(`"[0-9a-f]{64}"`)
	aKey      = regexp.MustCompile(`"key": "[0-9a-f]{16}"`)
	anInstant = regexp.MustCompile(`"(created_at|updated_at|as_known_at|request_id)": "[^"]*"`)
)

// TestShapes compares the form of bodies with what was answered before. The
// numbers in them are tested elsewhere; ids, digests and the times of arrival are left out.
func TestShapes(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	refused := s.send(s.survey, "bad.csv", "date;time;LAF dB\n2026-03-03;07:00:00;51.2\n2026-03-03;07:00:01;loud\n2026-03-03;07:00:02;50.9\n", aLogOptions(s))
	imported := s.send(s.survey, "night.csv", aLog, aLogOptions(s))
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 92.9)
	for name, a := range map[string]answer{
		"import":         imported,
		"import_refused": refused,
		"survey_summary": s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary?step=1h&step_percentiles=none&percentiles=50", nil),
		"verdict":        s.must(200, "GET", "/v1/surveys/"+s.survey+"/verdict", nil),
	} {
		var text bytes.Buffer
		if err := json.Indent(&text, a.raw, "", "  "); err != nil {
			t.Fatal(err)
		}
		ids := map[string]string{}
		got := anID.ReplaceAllStringFunc(text.String(), func(id string) string {
			if ids[id] == "" {
				ids[id] = fmt.Sprintf("id %d", len(ids)+1)
			}
			return ids[id]
		})
		got = aHash.ReplaceAllString(got, `"digest"`)
		got = aKey.ReplaceAllString(got, `"key": "key"`)
		got = anInstant.ReplaceAllString(got, `"$1": "…"`) + "\n"
		file := filepath.Join("testdata", name+".json")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s, to be read and then written by go test ./api -run TestShapes -update (-before +now):\n%s", name, diff)
		}
	}
}
