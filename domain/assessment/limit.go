// Package assessment compares figures with limits: rating levels, decision rules and
// what a result can and cannot show.
package assessment

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// Limit is a level that results of a project are compared with. Which limits apply is
// for the law at the place and its competent persons; the service only compares.
type Limit struct {
	ClientID      uuid.UUID
	ID            uuid.UUID
	Version       int
	CreatedAt     time.Time
	RecordedAt    time.Time
	ProjectID     uuid.UUID
	PositionID    uuid.UUID // zero: every position of the project
	Symbol        string    // of the figure: "Lnight", "LAeq", "LAF90"
	LevelDB       acoustic.Level
	Relative      string // symbol of another figure of the same position and period to which LevelDB is added; empty: absolute
	Nth           int    // n-th highest event maximum of the symbol; 0: the figure itself
	SeparationUS  int64  // microseconds by which counted maxima lie apart
	At            Setting
	Period        string // symbol of the period it holds in; empty: the whole
	Yearly        bool   // it holds for a yearly average
	Rule          Rule
	Compare       Compare
	Rounding      Rounding
	AllowedChance float64 // rule probability: exceeded if that is more probable than this, below if less; 0 reads 0.5
	Source        string
	Removed       bool
}

// Setting says where a level is measured or a limit holds.
type Setting string

// The settings.
const (
	FreeField   Setting = "free_field"
	NearFacade  Setting = "near_facade" // 0.5 m to 2 m before it
	FacadeFlush Setting = "facade_flush"
	Indoors     Setting = "indoors"
)

// Rule is a decision rule (JCGM 106).
type Rule string

// The rules. The uncertainty is the expanded one for 95 %.
const (
	Simple      Rule = "simple"       // the level itself decides
	GuardedLow  Rule = "guarded_low"  // below only if level + U is: whoever says so is seldom wrong
	GuardedHigh Rule = "guarded_high" // exceeded only if level − U is: likewise
	Probability Rule = "probability"  // the probability of exceedance decides
)

// Compare says whether a level at the limit exceeds it.
type Compare string

// The comparisons.
const (
	Greater        Compare = "greater"          // above the limit only
	GreaterOrEqual Compare = "greater_or_equal" // at the limit too
)

// Rounding is what is done to a level before it is compared.
type Rounding string

// The roundings.
const (
	NoRounding Rounding = "none"
	HalfUp1    Rounding = "half_up_1"   // to whole decibels, halves up (Hong Kong EPD Technical Memorandum, annex D.3.3)
	HalfUp05   Rounding = "half_up_0.5" // to half decibels (Italy, DPCM 1 March 1991, annex B no 3)
	Up1        Rounding = "up_1"        // to whole decibels, always up (Germany, 16. BImSchV, annex 2 no 8.2.2)
)

// Validate reports every member that makes l unfit to store. Empty members of the
// choices read as their defaults, see [Limit.Defaults].
func (l Limit) Validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(l.Symbol) != "", "symbol", "required", "must not be blank")
	least := acoustic.MinLevel
	bad.Check(l.LevelDB >= least && l.LevelDB <= acoustic.MaxLevel, "level_db", "out_of_range", "must lie between -50 and 200")
	bad.Check(strings.TrimSpace(l.Source) != "", "source", "required", "must say where the limit is laid down")
	bad.Check(l.Relative == "" || l.Relative != l.Symbol, "relative_to", "not_allowed", "must be another figure")
	bad.Check(l.Nth >= 0 && l.Nth <= 1000, "nth", "out_of_range", "must lie between 1 and 1000")
	bad.Check(l.SeparationUS >= 0, "separation_s", "out_of_range", "must not be negative")
	bad.Check(l.Nth > 0 || l.SeparationUS == 0, "separation_s", "not_allowed", "goes with a count of maxima")
	for path, symbol := range map[string]string{"symbol": l.Symbol, "relative_to": l.Relative} {
		_, _, banded := series.CutBand(symbol)
		if strings.Contains(strings.TrimSpace(symbol), " ") && !banded && !summary.IsBackground(symbol) {
			bad.Add(path, "not_allowed", `must be the symbol of a figure, of one in a band such as "LZeq 1/3 125 Hz", or a background level such as "LAF90,15min median"`)
		}
	}
	bad.Check(l.Nth == 0 || strings.HasSuffix(l.Symbol, "max"), "symbol", "not_allowed", "must be of a maximum to be counted")
	bad.Check(l.AllowedChance >= 0 && l.AllowedChance < 1, "allowed_chance", "out_of_range", "must lie between 0 and 1")
	bad.Check(l.AllowedChance == 0 || l.Rule == Probability, "allowed_chance", "not_allowed", "goes with the rule probability")
	switch l.At {
	case FreeField, NearFacade, FacadeFlush, Indoors:
	default:
		bad.Add("at", "not_allowed", "must be free_field, near_facade, facade_flush or indoors")
	}
	switch l.Rule {
	case Simple, GuardedLow, GuardedHigh, Probability:
	default:
		bad.Add("rule", "not_allowed", "must be simple, guarded_low, guarded_high or probability")
	}
	switch l.Compare {
	case Greater, GreaterOrEqual:
	default:
		bad.Add("compare", "not_allowed", "must be greater or greater_or_equal")
	}
	switch l.Rounding {
	case NoRounding, HalfUp1, HalfUp05, Up1:
	default:
		bad.Add("rounding", "not_allowed", "must be none, half_up_1, half_up_0.5 or up_1")
	}
	return bad.Err("limit")
}

// Defaults returns l with what was left out: free field, simple, greater, no rounding.
func (l Limit) Defaults() Limit {
	if l.At == "" {
		l.At = FreeField
	}
	if l.Rule == "" {
		l.Rule = Simple
	}
	if l.Compare == "" {
		l.Compare = Greater
	}
	if l.Rounding == "" {
		l.Rounding = NoRounding
	}
	return l
}

// Separation returns how far counted maxima lie apart at least.
func (l Limit) Separation() time.Duration { return time.Duration(l.SeparationUS) * time.Microsecond }
