package api_test

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/api"
	"leveltrail/domain/acoustic"
	"leveltrail/domain/series/signal"
	"leveltrail/persistence/pgtest"
)

// missing is a gap in the invented day: these seconds have no row.
var missing = [2]int{40_000, 40_100}

// aDay returns an invented day of one level a second, in hundredths of a decibel,
// and the log file that a meter at position 101 wrote of it, from the start on in local time.
func aDay(start time.Time) (levels []acoustic.Level, log string) {
	levels = signal.Levels(7, start, time.Second, 1, 86_400)
	b := []byte("time;position;LAF dB;date\n")
	for i, l := range levels {
		if i >= missing[0] && i < missing[1] {
			continue
		}
		at := start.Add(time.Duration(i) * time.Second)
		b = at.AppendFormat(b, "15:04:05")
		b = append(b, ";101;"...)
		b = strconv.AppendInt(b, int64(l)/100, 10)
		b = fmt.Appendf(b, ",%02d;", l%100)
		b = at.AppendFormat(b, "02.01.2006")
		b = append(b, '\n')
	}
	return levels, string(b)
}

// brute is what a spreadsheet makes of levels, in hundredths of a decibel: the plain definitions, one sample at a time.
type brute []int

func (b brute) energyMean() float64 {
	sum := 0.0
	for _, l := range b {
		sum += math.Pow(10, float64(l)/1000)
	}
	return 10 * math.Log10(sum/float64(len(b)))
}

// exceeded is the level exceeded during percent of the time: of n equal samples from
// high to low, the one at rank ⌊n·N/100⌋ + 1 (the definition that the service states).
func (b brute) exceeded(percent int) float64 {
	sorted := slices.Sorted(slices.Values(b))
	slices.Reverse(sorted)
	return float64(sorted[len(sorted)*percent/100]) / 100
}

func printed(x float64) float64 { return math.Round(x*100) / 100 }

// TestDay sends the log file of a day, reads it back sample for sample, and
// compares every figure with the definitions applied one sample at a time.
func TestDay(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	zone, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 3, 7, 0, 0, 0, zone)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	meter := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-24"}))
	levels, log := aDay(start)
	imported := s.send(s.survey, "day.csv", log, object{"instrument_id": meter, "quantity": "LAF"})
	if imported.status != 201 {
		t.Fatalf("import = %d %.2000s", imported.status, imported.raw)
	}
	answered(t, object{"rows": object{"read": 86_300., "accepted": 86_300., "flagged": 0., "rejected": 0.}}, imported)
	made := imported.body["series"].([]any)[0].(object)
	series := made["id"].(string)
	at := func(i int) string { return start.Add(time.Duration(i) * time.Second).UTC().Format(time.RFC3339) }
	if diff := cmp.Diff([]any{object{"from": at(missing[0]), "to": at(missing[1])}}, made["gaps"]); diff != "" {
		t.Errorf("gaps (-want +got):\n%s", diff)
	}

	// Sample for sample.
	got := make([]any, len(levels))
	pages := 0
	for next := "/v1/series/" + series + "/samples?limit=20000"; next != ""; pages++ {
		a := s.must(200, "GET", next, nil)
		for _, run := range a.items() {
			from, err := time.Parse(time.RFC3339, run["started_at"].(string))
			if err != nil {
				t.Fatal(err)
			}
			copy(got[int(from.Sub(start).Seconds()):], run["levels_db"].([]any))
		}
		next = ""
		if from, more := a.body["next_from"].(string); more {
			next = "/v1/series/" + series + "/samples?limit=20000&from=" + url.QueryEscape(from)
		}
	}
	want := make([]any, len(levels))
	all := make(brute, 0, len(levels))
	hours := make([]brute, 24)
	periods := map[string]brute{}
	for i, l := range levels {
		if i >= missing[0] && i < missing[1] {
			continue
		}
		want[i] = float64(l) / 100
		all = append(all, int(l))
		hours[i/3600] = append(hours[i/3600], int(l))
		name := "Lday" // 07-19, 19-23, 23-07 local time
		if hour := i / 3600; hour >= 16 {
			name = "Lnight"
		} else if hour >= 12 {
			name = "Levening"
		}
		periods[name] = append(periods[name], int(l))
	}
	if diff := cmp.Diff(want, got); diff != "" || pages != 5 {
		t.Errorf("samples in %d pages (-sent +read):\n%.2000s", pages, diff)
	}

	figures := func(b brute) map[string]float64 {
		return map[string]float64{
			"LAeq": printed(b.energyMean()), "LAFmax": float64(slices.Max(b)) / 100, "LAFmin": float64(slices.Min(b)) / 100,
			"LAF10": b.exceeded(10), "LAF50": b.exceeded(50), "LAF90": b.exceeded(90),
		}
	}
	read := func(levels any) map[string]float64 {
		m := map[string]float64{}
		for symbol, f := range levels.(object) {
			level, ok := f.(object)["level_db"].(float64)
			if !ok {
				t.Errorf("%s has no level: %v", symbol, f)
			}
			m[symbol] = level
		}
		return m
	}
	summary := s.must(200, "GET", "/v1/series/"+series+"/summary?step=1h", nil)
	answered(t, object{
		"samples": 86_300., "coverage": 0.99884, "under_range": 0., "over_range": 0., "time_zone": "Europe/Vienna",
		"from": at(0), "to": at(86_400), "coverage_of": "series_extent", "reference": object{"days": 1., "nights": 1.},
	}, summary)
	if diff := cmp.Diff(figures(all), read(summary.body["levels"])); diff != "" {
		t.Errorf("levels of the day (-brute +service):\n%s", diff)
	}
	day, evening, night := periods["Lday"].energyMean(), periods["Levening"].energyMean(), periods["Lnight"].energyMean()
	// 2002/49/EC Annex I: 12, 4 and 8 hours, 5 dB for the evening and 10 dB for the night.
	lden := 10 * math.Log10((12*math.Pow(10, day/10)+4*math.Pow(10, (evening+5)/10)+8*math.Pow(10, (night+10)/10))/24)
	indices := map[string]float64{"Lday": printed(day), "Levening": printed(evening), "Lnight": printed(night), "Lden": printed(lden)}
	if diff := cmp.Diff(indices, read(summary.body["indices"])); diff != "" {
		t.Errorf("indices (-brute +service):\n%s", diff)
	}
	steps := summary.body["steps"].([]any)
	if len(steps) != 24 {
		t.Fatalf("%d steps; want 24", len(steps))
	}
	reduced := s.must(200, "GET", "/v1/series/"+series+"/samples?step=1h", nil).body["steps"].([]any)
	for i, step := range steps {
		step := step.(object)
		if step["from"] != at(i*3600) || step["to"] != at(i*3600+3600) {
			t.Errorf("step %d is from %v to %v", i, step["from"], step["to"])
		}
		if diff := cmp.Diff(figures(hours[i]), read(step["levels"])); diff != "" {
			t.Errorf("levels of hour %d (-brute +service):\n%s", i, diff)
		}
		wantReduced := object{
			"from": at(i * 3600), "to": at(i*3600 + 3600), "count": float64(len(hours[i])), "under_range": 0., "over_range": 0.,
			"min_db": float64(slices.Min(hours[i])) / 100, "max_db": float64(slices.Max(hours[i])) / 100, "mean_db": printed(hours[i].energyMean()),
		}
		if diff := cmp.Diff(wantReduced, reduced[i]); diff != "" {
			t.Errorf("samples of hour %d reduced (-brute +service):\n%s", i, diff)
		}
	}
	// The survey's own time is the day: its series and its position have the same figures.
	ofSurvey := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil)
	one := ofSurvey.body["series"].([]any)[0].(object)
	if diff := cmp.Diff(figures(all), read(one["levels"])); diff != "" || one["coverage_of"] != "survey" {
		t.Errorf("summary of the survey (-brute +service), coverage of %v:\n%s", one["coverage_of"], diff)
	}
	position := ofSurvey.body["positions"].([]any)[0].(object)
	if got := read(position["levels"])["LAeq"]; got != printed(all.energyMean()) || position["number"] != 101. {
		t.Errorf("position %v: LAeq = %v; want %v at 101", position["number"], got, printed(all.energyMean()))
	}

	// The verdict, as facts arrive: nothing known, checks, the meter's certificate.
	verdict := "/v1/surveys/" + s.survey + "/verdict"
	unchecked := s.must(200, "GET", verdict, nil)
	for _, c := range []object{check(meter, s.calibrator, "2026-03-03T06:30:00+01:00", 93.9), check(meter, s.calibrator, "2026-03-04T07:30:00+01:00", 93.7)} {
		s.create("/v1/instruments/"+meter+"/field-checks", c)
	}
	uncovered := s.must(200, "GET", verdict, nil)
	s.create("/v1/instruments/"+meter+"/certificates", with(aCertificate,
		object{"scope": nil, "item_serial_number": "M-24", "number": "N-24", "as_found": "pass"}))
	valid := s.must(200, "GET", verdict, nil)
	for name, v := range map[string]struct {
		answer  answer
		outcome string
		rules   []string
	}{
		"without checks and certificate": {unchecked, "not_valid", []string{"fail no_certificate", "fail no_check_after", "fail no_check_before"}},
		"without certificate":            {uncovered, "not_valid", []string{"fail no_certificate"}},
		"with both":                      {valid, "valid", nil},
	} {
		got := slices.DeleteFunc(rules(v.answer), func(r string) bool { return !strings.HasPrefix(r, "fail") })
		slices.Sort(got)
		if v.answer.body["outcome"] != v.outcome && (v.outcome != "valid" || v.answer.body["outcome"] != "valid_with_remarks") || !slices.Equal(got, v.rules) {
			t.Errorf("verdict %s = %v %q; want %s %q", name, v.answer.body["outcome"], got, v.outcome, v.rules)
		}
		again := s.must(200, "GET", verdict+"?as_known_at="+url.QueryEscape(v.answer.body["as_known_at"].(string)), nil)
		if diff := cmp.Diff(v.answer.body, again.body); diff != "" {
			t.Errorf("verdict %s as known then (-then +now):\n%s", name, diff)
		}
	}
}

// BenchmarkImportDay imports the log file of a day over HTTP, and sets the time
// that it takes in proportion to that of COPY of the same samples as plain rows.
func BenchmarkImportDay(b *testing.B) {
	s := site{service: serveWith(b, api.Config{Log: discard, Now: time.Now})}
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "UTC"})
	position := s.create("/v1/projects/"+project+"/positions", object{"number": 101, "label": "Gate"})
	meter := s.create("/v1/instruments", aMeter)
	start := time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC)
	levels, log := aDay(start)
	body, mediaType := form(b, "day.csv", log, object{"instrument_id": meter, "position_id": position, "quantity": "LAF"}, true)
	db := pgtest.Connect(b, s.db.Superuser)
	if _, err := db.Exec(b.Context(), `create table sample (series_id uuid not null, at timestamptz not null, level smallint not null)`); err != nil {
		b.Fatal(err)
	}
	var copying, importing time.Duration
	b.SetBytes(int64(len(log)))
	for b.Loop() {
		b.StopTimer()
		began := time.Now()
		series := uuid.New()
		_, err := db.CopyFrom(b.Context(), pgx.Identifier{"sample"}, []string{"series_id", "at", "level"},
			pgx.CopyFromSlice(len(levels), func(i int) ([]any, error) {
				return []any{series, start.Add(time.Duration(i) * time.Second), int16(levels[i])}, nil
			}))
		if err != nil {
			b.Fatal(err)
		}
		copying += time.Since(began)
		survey := s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": start.Format(time.RFC3339)})
		b.StartTimer()
		began = time.Now()
		a := s.ask("POST", "/v1/surveys/"+survey+"/imports", body, "Content-Type", mediaType)
		importing += time.Since(began)
		if a.status != 201 {
			b.Fatalf("import = %d %s", a.status, a.raw)
		}
	}
	b.ReportMetric(copying.Seconds()/importing.Seconds(), "COPY/import")
}
