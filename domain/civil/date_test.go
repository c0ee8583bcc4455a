package civil_test

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/civil"
)

func date(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := civil.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestParseDateRefuses(t *testing.T) {
	for _, s := range []string{"", "2026-02-29", "2026-13-01", "2026-1-1", "13.01.2026", "0000-01-01", "2026-01-13T00:00:00Z"} {
		if d, err := civil.ParseDate(s); err == nil {
			t.Errorf("ParseDate(%q) = %v, want an error", s, d)
		}
	}
}

// Ends of months as PostgreSQL 15 answers: select date '2024-02-29' + interval '24 months' and so on.
func TestAddMonths(t *testing.T) {
	tests := []struct {
		from   string
		months int
		want   string
	}{
		{"2024-02-29", 24, "2026-02-28"},
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2023-08-31", 6, "2024-02-29"},
		{"2022-03-02", 24, "2024-03-02"},
		{"2023-12-31", 2, "2024-02-29"},
		{"2024-03-31", -1, "2024-02-29"},
	}
	for _, tt := range tests {
		if got := date(t, tt.from).AddMonths(tt.months); got != date(t, tt.want) {
			t.Errorf("%s + %d months = %v, want %s", tt.from, tt.months, got, tt.want)
		}
	}
}

// Clock changes of the IANA time zone database: Vienna has days of 23 h and 25 h,
// São Paulo began 4 November 2018 at 01:00, the Azores repeat the first hour of 27 October 2024.
func TestStart(t *testing.T) {
	tests := []struct{ zone, day, want string }{
		{"Europe/Vienna", "2026-03-29", "2026-03-28T23:00:00Z"},
		{"Europe/Vienna", "2026-03-30", "2026-03-29T22:00:00Z"},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"},
		{"America/Sao_Paulo", "2018-11-05", "2018-11-05T02:00:00Z"},
		{"Atlantic/Azores", "2024-10-27", "2024-10-27T00:00:00Z"},
		{"Asia/Kathmandu", "2026-01-01", "2025-12-31T18:15:00Z"},
	}
	for _, tt := range tests {
		zone, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := date(t, tt.day).Start(zone).Format(time.RFC3339); got != tt.want {
			t.Errorf("%s begins in %s at %s, want %s", tt.day, tt.zone, got, tt.want)
		}
	}
}

func TestTextAndDatabaseRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := civil.Date{Year: 1990, Month: 1, Day: 1}
		d := first.AddDays(rapid.IntRange(0, 40_000).Draw(t, "days"))
		b, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		var fromText, fromRow civil.Date
		if err := json.Unmarshal(b, &fromText); err != nil {
			t.Fatal(err)
		}
		v, _ := d.Value()
		if err := fromRow.Scan(v); err != nil {
			t.Fatal(err)
		}
		if fromText != d || fromRow != d {
			t.Fatalf("%v came back as %v from text, as %v from a row", d, fromText, fromRow)
		}
		if d.AddDays(1).Compare(d) != 1 || !d.Before(d.AddDays(1)) {
			t.Fatalf("the day after %v does not follow it", d)
		}
	})
	var none civil.Date
	if v, _ := none.Value(); v != nil {
		t.Errorf("no date goes to the database as %v, want null", v)
	}
}
