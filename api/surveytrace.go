package api

import (
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
)

// TracedLaboratory is a laboratory as it was known.
type TracedLaboratory struct {
	ID            uuid.UUID      `json:"id"`
	Version       int            `json:"version"` // Version of the record
	Name          string         `json:"name"`
	Accreditation *Accreditation `json:"accreditation"` // That it is recorded to have held on the day of calibration; null if none is
}

// TracedCertificate is a certificate that was in force.
type TracedCertificate struct {
	ID                 uuid.UUID           `json:"id"`
	Version            int                 `json:"version"`    // Version of the record
	Number             string              `json:"number"`     // As printed
	Revision           int                 `json:"revision"`   // Counts from 0
	Scope              string              `json:"scope"`      // What of it was relied on
	Accredited         bool                `json:"accredited"` // It carries an accreditation mark
	CalibratedOn       civil.Date          `json:"calibrated_on"`
	IssuedOn           *civil.Date         `json:"issued_on"`           // Null if not printed
	ReliedFrom         civil.Date          `json:"relied_from"`         // First day on which it was relied on
	ReliedTo           civil.Date          `json:"relied_to"`           // Last day on which it was relied on
	Laboratory         TracedLaboratory    `json:"laboratory"`          // Who calibrated
	ReferenceStandards []ReferenceStandard `json:"reference_standards"` // What the laboratory measured against
}

// TracedInstrument is an instrument with the certificates that were in force on days of use.
type TracedInstrument struct {
	ID            uuid.UUID           `json:"id"`
	Version       int                 `json:"version"`       // Version of the record
	Kind          string              `json:"kind"`          // What it is
	Manufacturer  string              `json:"manufacturer"`  // Who made it
	Model         string              `json:"model"`         // Model, as its maker calls it
	SerialNumber  string              `json:"serial_number"` // As its maker gave it
	Class         *string             `json:"class"`         // Null if it has none
	Specification *string             `json:"specification"` // Null if none is known for its kind
	Certificates  []TracedCertificate `json:"certificates"`  // By scope and day; empty: nothing covered it
}

// TracedCheck is a field check with its calibrator.
type TracedCheck struct {
	ID         uuid.UUID        `json:"id"`
	Version    int              `json:"version"` // Version of the record
	At         time.Time        `json:"at"`
	Role       string           `json:"role" enums:"before,during,after,not_used"` // Not used: it does not count, or another is nearer
	ExpectedDB Level            `json:"expected_db"`                               // What the meter should have shown
	AsFoundDB  Level            `json:"as_found_db"`                               // What it showed
	AsLeftDB   *Level           `json:"as_left_db"`                                // After an adjustment; null: not adjusted
	Calibrator TracedInstrument `json:"calibrator"`
}

// TracedSeries is what one series stands on.
type TracedSeries struct {
	SeriesID   uuid.UUID          `json:"series_id"`
	Version    int                `json:"version"` // Version of its header
	PositionID uuid.UUID          `json:"position_id"`
	Quantity   string             `json:"quantity"`            // With its band
	Channel    int                `json:"channel"`             // Of the meter
	ImportID   *uuid.UUID         `json:"import_id,omitempty"` // Import that made it from a log file, which is kept byte for byte; absent: its samples were sent, or it was signed off before this was told
	Used       []Window           `json:"used"`                // When there are samples
	Meter      TracedInstrument   `json:"meter"`
	Parts      []TracedInstrument `json:"parts"`  // Microphones, preamplifiers, filter sets fitted on days of use
	Checks     []TracedCheck      `json:"checks"` // In time order: all within reach of the series
}

// Trace is the chain from a survey down to the laboratories' reference standards.
type Trace struct {
	SurveyID    uuid.UUID          `json:"survey_id"`
	RuleProfile RuleProfileEdition `json:"rule_profile"` // What says which cover counts
	AsKnownAt   time.Time          `json:"as_known_at"`  // Instant whose knowledge counts
	Series      []TracedSeries     `json:"series"`       // Of sound levels
}

func traceOf(t calibration.Trace) Trace {
	out := Trace{SurveyID: t.SurveyID, RuleProfile: RuleProfileEdition{t.Profile, t.Edition}, AsKnownAt: t.AsKnownAt, Series: []TracedSeries{}}
	for _, s := range t.Series {
		one := TracedSeries{
			SeriesID: s.Use.ID, Version: s.Use.Version, PositionID: s.Use.PositionID, Quantity: s.Use.Quantity, Channel: s.Use.Channel,
			ImportID: orNil(s.Use.ImportID), Used: windowsOf(s.Use.Stretches), Meter: tracedInstrumentOf(s.Meter), Parts: []TracedInstrument{}, Checks: []TracedCheck{},
		}
		for _, p := range s.Parts {
			one.Parts = append(one.Parts, tracedInstrumentOf(p))
		}
		for _, k := range s.Checks {
			one.Checks = append(one.Checks, TracedCheck{
				ID: k.Check.ID, Version: k.Check.Version, At: k.Check.At, Role: k.Role, ExpectedDB: Level(k.Check.ExpectedDB),
				AsFoundDB: Level(k.Check.AsFoundDB), AsLeftDB: (*Level)(k.Check.AsLeftDB), Calibrator: tracedInstrumentOf(k.Calibrator),
			})
		}
		out.Series = append(out.Series, one)
	}
	return out
}

func tracedInstrumentOf(t calibration.InstrumentTrace) TracedInstrument {
	i := t.Instrument
	out := TracedInstrument{
		ID: i.ID, Version: i.Version, Kind: string(i.Kind), Manufacturer: i.Manufacturer, Model: i.Model, SerialNumber: i.SerialNumber,
		Class: orNil(i.Class), Specification: orNil(i.Specification), Certificates: []TracedCertificate{},
	}
	for _, c := range t.Certificates {
		one := TracedCertificate{
			ID: c.Certificate.ID, Version: c.Certificate.Version, Number: c.Certificate.Number, Revision: c.Certificate.Revision,
			Scope: string(c.Scope), Accredited: c.Certificate.Accredited, CalibratedOn: c.Certificate.CalibratedOn,
			IssuedOn: orNil(c.Certificate.IssuedOn), ReliedFrom: c.First, ReliedTo: c.Last,
			Laboratory:         TracedLaboratory{ID: c.Laboratory.ID, Version: c.Laboratory.Version, Name: c.Laboratory.Name},
			ReferenceStandards: []ReferenceStandard{},
		}
		if a := c.Accreditation; a != nil {
			one.Laboratory.Accreditation = &Accreditation{a.Body, a.Number, orNil(a.Scope), a.From, orNil(a.To)}
		}
		for _, r := range c.Certificate.ReferenceStandards {
			one.ReferenceStandards = append(one.ReferenceStandards, ReferenceStandard{r.Description, orNil(r.Certificate)})
		}
		out.Certificates = append(out.Certificates, one)
	}
	return out
}

// traceHeader names the columns of a trace as CSV: a line for each reference standard at the end of a chain.
var traceHeader = []string{
	"survey_id", "series_id", "quantity", "channel", "used_from", "used_to", "link", "check_id", "check_at", "check_role",
	"instrument_id", "kind", "manufacturer", "model", "serial_number", "class",
	"certificate_id", "certificate_number", "certificate_revision", "scope", "calibrated_on", "relied_from", "relied_to",
	"laboratory_id", "laboratory", "accreditation_body", "accreditation_number", "reference_standard", "reference_certificate",
}

// traceTable returns t as lines. Where a chain ends early, what would follow is empty.
func traceTable(t Trace) table {
	var lines [][]string
	for _, s := range t.Series {
		start := []string{t.SurveyID.String(), s.SeriesID.String(), s.Quantity, strconv.Itoa(s.Channel), "", ""}
		if n := len(s.Used); n > 0 {
			start[4], start[5] = s.Used[0].From.Format(time.RFC3339Nano), s.Used[n-1].To.Format(time.RFC3339Nano)
		}
		below := func(i TracedInstrument, link ...string) {
			for _, rest := range i.table() {
				lines = append(lines, append(append(append(make([]string, 0, len(traceHeader)), start...), link...), rest...))
			}
		}
		below(s.Meter, "meter", "", "", "")
		for _, p := range s.Parts {
			below(p, "part", "", "", "")
		}
		for _, k := range s.Checks {
			below(k.Calibrator, "calibrator", k.ID.String(), k.At.Format(time.RFC3339Nano), k.Role)
		}
	}
	return table{name: "trace-" + t.SurveyID.String(), header: traceHeader, lines: lines}
}

// table returns what of the lines of a trace is about i and what lies below it.
func (i TracedInstrument) table() [][]string {
	start := []string{i.ID.String(), i.Kind, i.Manufacturer, i.Model, i.SerialNumber, orZero(i.Class)}
	none := make([]string, len(traceHeader)-10-len(start))
	if len(i.Certificates) == 0 {
		return [][]string{append(start, none...)}
	}
	var lines [][]string
	for _, c := range i.Certificates {
		line := append(slices.Clip(start), c.ID.String(), c.Number, strconv.Itoa(c.Revision), c.Scope, c.CalibratedOn.String(),
			c.ReliedFrom.String(), c.ReliedTo.String(), c.Laboratory.ID.String(), c.Laboratory.Name)
		if a := c.Laboratory.Accreditation; a != nil {
			line = append(line, a.Body, a.Number)
		} else {
			line = append(line, "", "")
		}
		if len(c.ReferenceStandards) == 0 {
			lines = append(lines, append(line, "", ""))
		}
		for _, r := range c.ReferenceStandards {
			lines = append(lines, append(slices.Clip(line), r.Description, orZero(r.Certificate)))
		}
	}
	return lines
}

// trace returns what a survey's series stand on.
//
//	@Summary		Trace a survey to reference standards
//	@Description	Each series with its meter and the parts fitted on it, the field checks within reach and their calibrators; of each the certificates that were in force on the days of use, their laboratories with the accreditation of the day of calibration, and what those measured against. With Accept: text/csv a table, one line for each reference standard at the end of a chain.
//	@Tags			verdicts
//	@Produce		json,text/csv
//	@Param			id			path		string	true	"Survey"	format(uuid)
//	@Param			as_known_at	query		string	false	"Instant whose knowledge counts; absent: now"	format(date-time)
//	@Success		200			{object}	Trace
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/trace [get]
func (h verdictHandlers) trace(c *gin.Context) (Trace, error) {
	id, err := pathID(c)
	if err != nil {
		return Trace{}, err
	}
	at, err := h.knownAt(c)
	if err != nil {
		return Trace{}, err
	}
	f, err := h.store.VerdictFacts(c.Request.Context(), id, at)
	if err != nil {
		return Trace{}, err
	}
	return traceOf(calibration.TraceOf(f)), nil
}
