package survey

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// ImportOptions say what a log file cannot say of itself.
type ImportOptions struct {
	InstrumentID     uuid.UUID
	Channel          int
	PositionID       uuid.UUID         // of a file that names none, or one; zero if not given
	Positions        map[int]uuid.UUID // positions by the number that the file gives them
	CreatePositions  bool              // make the positions of numbers that are not there
	Quantity         string            // empty: what the file says
	TimeZone         string            // of its stamps; empty: the project's
	Stamps           string            // interval_start, interval_end; empty: not said
	ClockChecks      []logfile.ClockCheck
	ClockOffset      time.Duration // true time minus meter time
	RangeFromDB      *acoustic.Level
	RangeToDB        *acoustic.Level
	LayoutID         uuid.UUID // named layout that wins over detection; zero: none
	DateOrder        string    // ymd, dmy, mdy, which wins over the layout's; empty: not said
	Date             string    // day of the first row, yyyy-mm-dd, of a file that does not tell; likewise
	AcceptUnreadable bool
}

// Validate reports every member that makes o unfit to import with.
func (o ImportOptions) Validate() error {
	var bad fault.Fields
	bad.Check(o.InstrumentID != uuid.Nil, "instrument_id", "required", "is required")
	o.check(&bad)
	return bad.Err("import options")
}

// ValidateForPreview reports every member that makes o unfit to look at a file with.
func (o ImportOptions) ValidateForPreview() error {
	var bad fault.Fields
	o.check(&bad)
	return bad.Err("preview options")
}

func (o ImportOptions) check(bad *fault.Fields) {
	bad.Check(o.Channel >= 1 && o.Channel <= 1000, "channel", "out_of_range", "must be a whole number from 1 to 1000")
	if _, ok := series.ParseQuantity(o.Quantity); !ok && o.Quantity != "" {
		bad.Add("quantity", "not_allowed", "must be a quantity such as LAF, LAeq, LAFmax or LCpeak")
	}
	if _, err := zone(o.TimeZone); err != nil && o.TimeZone != "" {
		bad.Add("time_zone", "unknown_time_zone", `must be an IANA time zone such as "Europe/Vienna"`)
	}
	bad.Check(slices.Contains([]string{"", "interval_start", "interval_end"}, o.Stamps), "stamps", "not_allowed",
		"must be interval_start or interval_end")
	bad.Check(len(o.ClockChecks) <= 2, "clock_checks", "out_of_range", "must be one or two")
	if len(o.ClockChecks) == 2 {
		bad.Check(!o.ClockChecks[0].MeterAt.Equal(o.ClockChecks[1].MeterAt), "clock_checks/1/meter_at", "duplicate", "must differ from the first")
	}
	for n := range o.Positions {
		bad.Check(n > 0, "positions/"+strconv.Itoa(n), "out_of_range", "must be a number from 1")
	}
	if o.RangeFromDB != nil && o.RangeToDB != nil {
		bad.Check(*o.RangeFromDB < *o.RangeToDB, "range/to_db", "out_of_order", "must lie above from_db")
	}
	bad.Check(slices.Contains([]string{"", "ymd", "dmy", "mdy"}, o.DateOrder), "date_order", "not_allowed", "must be ymd, dmy or mdy")
	_, err := time.Parse(time.DateOnly, o.Date)
	bad.Check(o.Date == "" || err == nil, "date", "invalid", "must be a day such as 2026-03-14")
}

// Reading returns the options for reading a file of the survey v of the project p
// with the layout l; each is zero where it is not known.
func (o ImportOptions) Reading(p Project, v Survey, l Layout) logfile.Options {
	r := logfile.Options{
		Quantity: o.Quantity, Location: p.Zone(), Stamps: o.Stamps, ClockOffset: o.ClockOffset, ClockChecks: o.ClockChecks,
		Expected: series.Span{From: v.StartedAt}, RangeFrom: o.RangeFromDB, RangeTo: o.RangeToDB, AcceptUnreadable: o.AcceptUnreadable,
	}
	if l.ID != uuid.Nil || o.DateOrder != "" || o.Date != "" {
		r.Layout = &l.Layout
		r.Layout.DateOrder = cmp.Or(o.DateOrder, l.Layout.DateOrder)
		r.Layout.Date = o.Date
	}
	if v.EndedAt != nil {
		r.Expected.To = *v.EndedAt
	}
	if l, err := zone(o.TimeZone); err == nil {
		r.Location = l
	}
	return r
}

// States of an import.
const (
	Accepted  = "accepted"
	Rejected  = "rejected"
	Withdrawn = "withdrawn"
)

// Import is an uploaded log file and what became of it.
type Import struct {
	ClientID         uuid.UUID
	ID               uuid.UUID
	Version          int
	CreatedAt        time.Time
	RecordedAt       time.Time
	SurveyID         uuid.UUID
	FileID           uuid.UUID
	State            string
	SHA256           []byte // of the file
	OptionsSHA256    []byte
	Options          ImportOptions
	Result           ImportResult
	WithdrawalReason *string
}

// ImportResult is what a file was understood as and turned into.
type ImportResult struct {
	FileName      string
	FileBytes     int64
	Layout        logfile.Layout
	Rows          logfile.Rows
	Series        []ImportedSeries // none of a refused file
	Problems      []logfile.Problem
	ProblemsTotal int
}

// ImportedSeries is a series that an import made.
type ImportedSeries struct {
	ID         uuid.UUID
	PositionID uuid.UUID
	Quantity   string
	Extent     series.Span
	Samples    int64 // flagged ones included
	Gaps       []series.Span
	GapsTotal  int
	Traits     series.Traits // what stands out in its samples
}

// Add notes a problem.
func (r *ImportResult) Add(p logfile.Problem) {
	r.Problems = append(r.Problems, p)
	r.ProblemsTotal++
}
