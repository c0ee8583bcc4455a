// Package civil holds calendar dates that belong to no time zone, as certificates print them.
package civil

import (
	"cmp"
	"database/sql/driver"
	"fmt"
	"time"
)

// Date is a day of the Gregorian calendar. Dates compare with ==. The zero Date
// means that there is none; the database holds it as null.
type Date struct {
	Year  int // 1 to 9999
	Month time.Month
	Day   int
}

// ParseDate reads a date written like "2026-01-13" (ISO 8601).
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1 {
		return Date{}, fmt.Errorf("%q is not a date like 2026-01-13", s)
	}
	return DateOf(t), nil
}

// DateOf returns the day that t shows in its own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// DayOf returns the day on which t falls in zone.
func DayOf(t time.Time, zone *time.Location) Date { return DateOf(t.In(zone)) }

// IsZero reports whether d is no date.
func (d Date) IsZero() bool { return d == Date{} }

// String returns d as ISO 8601 has it, "" for no date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// Compare returns -1, 0 or +1 as d lies before, on or after e. No date lies before every date.
func (d Date) Compare(e Date) int {
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// Before reports whether d lies before e.
func (d Date) Before(e Date) bool { return d.Compare(e) < 0 }

// After reports whether d lies after e.
func (d Date) After(e Date) bool { return d.Compare(e) > 0 }

// AddDays returns the day n days after d, before it for a negative n.
func (d Date) AddDays(n int) Date { return DateOf(d.utc().AddDate(0, 0, n)) }

// AddMonths returns the same day of the month n months after d, or the last day
// of that month where it is shorter: 29 February 2024 and 24 months give 28 February 2026.
func (d Date) AddMonths(n int) Date {
	first := time.Date(d.Year, d.Month+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return Date{first.Year(), first.Month(), min(d.Day, last)}
}

// Start returns the first instant of d in zone, in UTC. It is not always
// midnight: where clocks go forward at midnight the day begins at 01:00.
func (d Date) Start(zone *time.Location) time.Time {
	const step = 15 * time.Minute // every present offset from UTC is a multiple of it
	t := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, zone)
	for DayOf(t, zone).Before(d) {
		t = t.Add(step)
	}
	for !DayOf(t.Add(-step), zone).Before(d) {
		t = t.Add(-step)
	}
	return t.UTC()
}

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// MarshalText writes d as [Date.String] does; JSON members that may lack a date are tagged omitzero.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what [ParseDate] reads.
func (d *Date) UnmarshalText(text []byte) (err error) {
	*d, err = ParseDate(string(text))
	return err
}

// Value hands d to a database driver.
func (d Date) Value() (driver.Value, error) {
	if d.IsZero() {
		return nil, nil
	}
	return d.utc(), nil
}

// Scan takes d from a column of type date.
func (d *Date) Scan(src any) error {
	switch v := src.(type) {
	case nil:
		*d = Date{}
	case time.Time:
		*d = DateOf(v)
	case string:
		return d.UnmarshalText([]byte(v))
	default:
		return fmt.Errorf("scan a date from %T", src)
	}
	return nil
}
