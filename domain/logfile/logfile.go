// Package logfile reads the log files of sound level meters, delimited text and
// spreadsheets: it detects how a file is laid out and turns its rows into runs of
// samples, with every flaw named by line and column.
package logfile

import (
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Options is what is known about a file beside its bytes. The zero value asks
// for detection of everything and reads wall-clock stamps as UTC.
type Options struct {
	Quantity    string         // declared symbol such as "LAF", of the one column that is wanted; "" = whatever the file says
	Location    *time.Location // zone of wall-clock stamps; nil = UTC
	Stamps      string         // "interval_start", "interval_end"; "" = not said
	ClockOffset time.Duration  // true time minus meter time, added to every stamp
	ClockChecks []ClockCheck   // one gives an offset, two a drift; they win over ClockOffset
	// Expected is the time the survey took, zero where unknown, To zero while it
	// runs. It decides an ambiguous date order if the dates fit it, give or take
	// a day, in one order only.
	Expected series.Span
	Layout   *Layout // members that are set win over detection
	// RangeFrom and RangeTo are the measuring range that was set; nil = not known.
	RangeFrom, RangeTo *acoustic.Level
	AcceptUnreadable   bool // rows that cannot be read become gaps instead of refusing the file
}

// ClockCheck is a comparison of the meter's clock with the true time.
type ClockCheck struct{ MeterAt, TrueAt time.Time }

// Layout says where in a file its data stand.
type Layout struct {
	Encoding   string // "utf-8", "utf-16le", "utf-16be", "windows-1252"; "xlsx" = a spreadsheet
	Sheet      string // of a spreadsheet, by its name; "" = the one that looks most like data
	Delimiter  string // one byte; " " = columns aligned by blanks; a tab for spreadsheets
	Decimal    string // "." or ","; "" = no decimals were seen
	HeaderRows int    // lines before the first data row, blank ones included
	Fields     int    // in a data row; 0 = as many as the first one has
	DateOrder  string // "ymd", "dmy", "mdy"
	Date       string // day of the first row, yyyy-mm-dd, where only lines before the data tell it; else ""
	Columns    Columns
	Levels     []LevelColumn // where more than one column holds levels, by column; else empty
	Unit       string        // of the levels as the file writes it: "dB(A)"; "" = not written
	Quantity   string        // that the file names: "LAF"; "" = none
	Missing    string        // what a blank or "---" for a level means: "under_range", "over_range"; "" = a gap
	Reasons    []string      // why detection decided so, phrases for people
}

// Columns holds column numbers from 1; 0 = there is none. Either DateTime or
// both Date and Time are set, or Time alone where the date stands before the
// data. Level is the first one where several columns hold levels.
type Columns struct {
	Date, Time, DateTime, Level, Unit, Position, Channel, Sequence, Flag int
}

// LevelColumn is one of several columns of levels.
type LevelColumn struct {
	Column       int     // from 1
	Quantity     string  // symbol
	Channel      int     // of the meter; 0 = not said
	BandFraction int     // 1 or 3: level of an octave or one-third-octave band; 0 = of no band
	BandHz       float64 // nominal mid-band frequency; 0 = no band
}

// Problem is one flaw of a file. Text is the start of the field or line meant.
type Problem struct {
	Line, Column int    // from 1; 0 = the whole file, the whole line
	Code         string // a word for programs: "level_unreadable"
	Detail       string // a sentence for people
	Text         string
	Refuses      bool // the file is refused for it; else it is a notice
}

// Rows counts data rows: Read = Accepted + Flagged + Rejected. Where several
// columns hold levels, each level counts.
type Rows struct{ Read, Accepted, Flagged, Rejected int64 }

// Part tells the series that a file holds from each other.
type Part struct {
	Position     int           // as the file numbers it; 0 = it names none
	Channel      int           // of the meter, likewise
	Quantity     string        // symbol; "" = neither the file nor the options say
	BandFraction int           // as in [LevelColumn]
	BandHz       float64       // likewise
	Interval     time.Duration // 0 = spot readings
}

// Track is the samples of one part of the file.
type Track struct {
	Part
	Samples   int64 // flagged ones included
	Flagged   int64
	From, To  time.Time     // first sample's beginning, last one's end (spot: its instant); UTC
	Gaps      []series.Span // the first [MaxListed]
	GapsTotal int
	Min, Max  acoustic.Level // of the numbers; zero if there are none
	Traits    series.Traits  // what a person should look at
}

// Report is what a file was understood as.
type Report struct {
	Layout        Layout
	Rows          Rows
	Tracks        []Track   // by position, channel and column; nil if the file is refused
	Problems      []Problem // the first [MaxListed] of each severity, by line
	ProblemsTotal int
	Refused       bool
}

// MaxListed bounds the problems of each severity and the gaps of each track that are listed.
const MaxListed = 1000

// MaxRun is the largest number of samples in one emitted run; longer stretches come in parts.
const MaxRun = 1 << 16
