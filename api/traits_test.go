package api_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"
)

// What stands out in the samples of a log file is said by its import and by the verdict.
func TestTraitsOfImportedSamples(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	start := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	var log strings.Builder
	for i := range 1800 {
		level := fmt.Sprintf("%d.%d", 60+i%17, i%10)
		if i%20 == 0 {
			level = "90.0" // the upper end of the range
		}
		fmt.Fprintf(&log, "%s;%s\n", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), level)
	}
	a := s.send(s.survey, "range.txt", log.String(), object{
		"instrument_id": s.meter, "position_id": s.position, "quantity": "LAF", "range": object{"from_db": 30, "to_db": 90},
	})
	if a.status != http.StatusCreated || !strings.Contains(string(a.raw), `"samples_at_limit"`) {
		t.Errorf("the import answers %d %s; want samples_at_limit among its problems", a.status, a.raw)
	}
	verdict := s.must(http.StatusOK, http.MethodGet, "/v1/surveys/"+s.survey+"/verdict", nil)
	if got := rules(verdict); verdict.body["outcome"] != "valid_with_remarks" || !slices.Contains(got, "remark samples_at_limit") {
		t.Errorf("the verdict is %v with %v; want a remark samples_at_limit", verdict.body["outcome"], got)
	}
}
