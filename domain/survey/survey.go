// Package survey holds the records of a consultancy's work: clients, their
// projects, the measurement positions and the surveys made there.
package survey

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/uncertainty"
)

// Client is a customer of the consultancy.
type Client struct {
	ID         uuid.UUID
	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
	Name       string
	Reference  *string // the consultancy's own reference for the client
}

// Validate reports every member that makes c unfit to store.
func (c Client) Validate() error {
	var bad fault.Fields
	text(&bad, "name", c.Name)
	return bad.Err("client")
}

// Project is a job for a client.
type Project struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
	Reference  string // the job number, unique over all clients
	Title      string
	TimeZone   string // IANA name of the site's zone; days and periods are local days there
	Site       *string
	Periods    *acoustic.PeriodSet // how it divides the day; nil: as [acoustic.DefaultPeriods]

	ResidualLimits *acoustic.ResidualLimits // what is done about residual sound; nil: as [acoustic.DefaultResidualLimits]
}

// Validate reports every member that makes p unfit to store.
func (p Project) Validate() error {
	var bad fault.Fields
	bad.Check(p.ClientID != uuid.Nil, "client_id", "required", "is required")
	text(&bad, "reference", p.Reference)
	bad.Bare("reference", p.Reference)
	text(&bad, "title", p.Title)
	if _, err := zone(p.TimeZone); err != nil {
		bad.Add("time_zone", "unknown_time_zone", `must be an IANA time zone such as "Europe/Vienna"`)
	}
	if p.Periods != nil {
		under(&bad, "periods", "", p.Periods.Validate())
	}
	if p.ResidualLimits != nil {
		under(&bad, "residual_limits", "", p.ResidualLimits.Validate())
	}
	return bad.Err("project")
}

// under adds what is wrong within the member at path, which err names without its prefix.
func under(bad *fault.Fields, path, prefix string, err error) {
	if f, ok := errors.AsType[*fault.Error](err); ok {
		for _, w := range f.Fields {
			bad.Add(path+"/"+strings.TrimPrefix(w.Path, prefix), w.Code, w.Reason)
		}
	}
}

// DayPeriods returns how p divides the day.
func (p Project) DayPeriods() acoustic.PeriodSet {
	if p.Periods == nil {
		return acoustic.DefaultPeriods
	}
	return *p.Periods
}

// Residual returns what p does about residual sound.
func (p Project) Residual() acoustic.ResidualLimits {
	if p.ResidualLimits == nil {
		return acoustic.DefaultResidualLimits
	}
	return *p.ResidualLimits
}

// Zone returns the time zone of the project's site, UTC if its name is unknown here.
func (p Project) Zone() *time.Location {
	if l, err := zone(p.TimeZone); err == nil {
		return l
	}
	return time.UTC
}

// zone refuses "" and "Local", which time.LoadLocation takes.
func zone(name string) (*time.Location, error) {
	if l, ok := zones.Load(name); ok {
		return l.(*time.Location), nil
	}
	if name == "" || name == "Local" {
		name = "?"
	}
	l, err := time.LoadLocation(name)
	if err == nil {
		zones.Store(name, l)
	}
	return l, err
}

var zones sync.Map // those that exist, by name: loading one reads a file

// Settings of a measurement position with respect to buildings (ISO 1996-2).
var Settings = []string{"free_field", "near_facade", "facade_flush", "indoors"}

// Position is a measurement position of a project.
type Position struct {
	ClientID     uuid.UUID
	ID           uuid.UUID
	Version      int
	CreatedAt    time.Time
	RecordedAt   time.Time
	ProjectID    uuid.UUID
	Number       int // 1 upwards, unique in the project
	Label        string
	LatitudeDeg  *float64 // WGS 84
	LongitudeDeg *float64
	HeightM      *float64 // of the microphone above the ground
	Setting      string   // one of Settings

	PrimaryInstrumentID uuid.UUID // the meter that counts where several measured at once; zero: none is named
}

// Validate reports every member that makes p unfit to store.
func (p Position) Validate() error {
	var bad fault.Fields
	bad.Check(p.ProjectID != uuid.Nil, "project_id", "required", "is required")
	bad.Check(p.Number >= 1 && p.Number <= 1_000_000, "number", "out_of_range", "must be a whole number from 1 to 1000000")
	text(&bad, "label", p.Label)
	within(&bad, "latitude_deg", p.LatitudeDeg, -90, 90)
	within(&bad, "longitude_deg", p.LongitudeDeg, -180, 180)
	bad.Check((p.LatitudeDeg == nil) == (p.LongitudeDeg == nil), "longitude_deg", "incomplete", "must come together with latitude_deg")
	within(&bad, "height_m", p.HeightM, -1000, 10000)
	oneOf(&bad, "setting", p.Setting, Settings)
	return bad.Err("position")
}

// Kinds of survey; each has the rule profile of its name unless another is asked for.
var Kinds = []string{"environmental", "workplace", "monitoring"}

// Survey is one campaign of a project.
type Survey struct {
	ClientID           uuid.UUID
	ID                 uuid.UUID
	Version            int
	CreatedAt          time.Time
	RecordedAt         time.Time
	ProjectID          uuid.UUID
	Kind               string // one of Kinds
	Operator           string // who measures; empty if not named
	StartedAt          time.Time
	EndedAt            *time.Time                 // nil while it runs
	RuleProfile        string                     // code of the rule profile
	RuleProfileEdition string                     // edition taken when the survey was created
	VoidReason         *string                    // not nil: the survey is void
	Contributions      []uncertainty.Contribution // what is known of the measurement uncertainty of its results
	Planned            *Plan                      // nil: nothing is planned
}

// Filter selects surveys; a zero member selects all.
type Filter struct {
	ClientID, ProjectID, InstrumentID uuid.UUID
	Kind, State, Operator             string
	From, To                          *time.Time // those that ran within [From, To)
	IncludeVoid                       bool
}

// Validate reports every member that makes s unfit to store.
func (s Survey) Validate() error {
	var bad fault.Fields
	bad.Check(s.ProjectID != uuid.Nil, "project_id", "required", "is required")
	oneOf(&bad, "kind", s.Kind, Kinds)
	bad.Check(!s.StartedAt.IsZero(), "started_at", "required", "is required")
	bad.Check(plausible(s.StartedAt) || s.StartedAt.IsZero(), "started_at", "out_of_range", "must lie between 1970 and 2200")
	if s.EndedAt != nil {
		bad.Check(s.EndedAt.After(s.StartedAt), "ended_at", "out_of_order", "must be later than started_at")
		bad.Check(plausible(*s.EndedAt), "ended_at", "out_of_range", "must lie between 1970 and 2200")
	}
	_, err := uncertainty.BudgetOf(s.Contributions)
	under(&bad, "uncertainty", "contributions/", err)
	bad.Check(s.RuleProfileEdition != "" || s.RuleProfile == s.Kind && !slices.Contains(Kinds, s.Kind), "rule_profile", "unknown_reference",
		"names no rule profile, or no edition of it")
	if s.Planned != nil {
		under(&bad, "planned", "", s.Planned.Validate())
	}
	return bad.Err("survey")
}

// State returns the state of s; measured says whether it has samples, signedOff whether
// it has a sign-off, changed whether it differs from its last one.
func (s Survey) State(measured, signedOff, changed bool) string {
	switch {
	case s.VoidReason != nil:
		return "void"
	case changed:
		return "changed_since_sign_off"
	case signedOff:
		return "signed_off"
	case measured:
		return "measured"
	default:
		return "planned"
	}
}

func plausible(t time.Time) bool { return t.Year() >= 1970 && t.Year() < 2200 }

func text(bad *fault.Fields, path, s string) {
	bad.Check(strings.TrimSpace(s) != "", path, "required", "must not be blank")
	bad.Check(len(s) <= 1000, path, "too_long", "must have at most 1000 bytes")
}

func within(bad *fault.Fields, path string, x *float64, low, high float64) {
	if x != nil && !(*x >= low && *x <= high) {
		bad.Add(path, "out_of_range", "must lie between "+strconv.FormatFloat(low, 'f', -1, 64)+" and "+strconv.FormatFloat(high, 'f', -1, 64))
	}
}

func oneOf(bad *fault.Fields, path, s string, allowed []string) {
	bad.Check(slices.Contains(allowed, s), path, "not_allowed", "must be one of "+strings.Join(allowed, ", "))
}
