// Package logfile reads delimited text log files of sound level meters: it
// detects how a file is laid out and turns its rows into runs of samples, with
// every flaw named by line and column.
package logfile

import (
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Options is what is known about a file beside its bytes. The zero value asks
// for detection of everything and reads wall-clock stamps as UTC.
type Options struct {
	Quantity    string         // declared symbol such as "LAF"; "" = whatever the file says
	Location    *time.Location // zone of wall-clock stamps; nil = UTC
	Stamps      string         // "interval_start", "interval_end"; "" = not said
	ClockOffset time.Duration  // true time minus meter time, added to every stamp
	ClockChecks []ClockCheck   // one gives an offset, two a drift; they win over ClockOffset
	// Expected is the time the survey took, zero where unknown, To zero while it
	// runs. It decides an ambiguous date order if the dates fit it, give or take
	// a day, in one order only.
	Expected         series.Span
	Layout           *Layout // members that are set win over detection
	AcceptUnreadable bool    // rows that cannot be read become gaps instead of refusing the file
}

// ClockCheck is a comparison of the meter's clock with the true time.
type ClockCheck struct{ MeterAt, TrueAt time.Time }

// Layout says where in a file its data stand.
type Layout struct {
	Encoding   string // "utf-8", "utf-16le", "utf-16be", "windows-1252"
	Delimiter  string // one byte; " " = columns aligned by blanks
	Decimal    string // "." or ","; "" = no decimals were seen
	HeaderRows int    // lines before the first data row, blank ones included
	Fields     int    // in a data row; 0 = as many as the first one has
	DateOrder  string // "ymd", "dmy", "mdy"
	Columns    Columns
	Unit       string   // of the levels as the file writes it: "dB(A)"; "" = not written
	Quantity   string   // that the file names: "LAF"; "" = none
	Reasons    []string // why detection decided so, phrases for people
}

// Columns holds column numbers from 1; 0 = there is none. Either DateTime or
// both Date and Time are set.
type Columns struct {
	Date, Time, DateTime, Level, Unit, Position, Sequence, Flag int
}

// Problem is one flaw of a file. Text is the start of the field or line meant.
type Problem struct {
	Line, Column int    // from 1; 0 = the whole file, the whole line
	Code         string // a word for programs: "level_unreadable"
	Detail       string // a sentence for people
	Text         string
	Refuses      bool // the file is refused for it; else it is a notice
}

// Rows counts data rows: Read = Accepted + Flagged + Rejected.
type Rows struct{ Read, Accepted, Flagged, Rejected int64 }

// Track is the samples of one position in the file.
type Track struct {
	Position  int           // as the file numbers it; 0 = it names none
	Interval  time.Duration // 0 = spot readings
	Samples   int64         // flagged ones included
	Flagged   int64
	From, To  time.Time     // first sample's beginning, last one's end (spot: its instant); UTC
	Gaps      []series.Span // the first [MaxListed]
	GapsTotal int
	Min, Max  acoustic.Level // of the numbers; zero if there are none
}

// Report is what a file was understood as.
type Report struct {
	Layout        Layout
	Rows          Rows
	Tracks        []Track   // by ascending position; nil if the file is refused
	Problems      []Problem // the first [MaxListed] of each severity, by line
	ProblemsTotal int
	Refused       bool
}

// MaxListed bounds the problems of each severity and the gaps of each track that are listed.
const MaxListed = 1000

// MaxRun is the largest number of samples in one emitted run; longer stretches come in parts.
const MaxRun = 1 << 16
