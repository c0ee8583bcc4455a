package calibration

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// Facts is all that a verdict rests on. Order of rows does not matter. Several
// versions of one record may be given, and versions recorded after AsKnownAt:
// [Decide] takes the latest version recorded at or before it, and a record
// without one does not exist. Series are the exception: the caller gives them as known.
type Facts struct {
	SurveyID      uuid.UUID
	SurveyVersion int
	Zone          *time.Location // of the site
	Profile       RuleProfile
	AsKnownAt     time.Time
	Series        []SeriesUse
	Instruments   []Instrument  // the meters of the series, their parts, and the calibrators of their checks
	Certificates  []Certificate // of those instruments
	Laboratories  []Laboratory  // of those certificates
	Checks        []FieldCheck  // of those meters, at least within CheckReach of a series' start and end

	Events       []Event             // of those instruments
	Statuses     []CertificateStatus // of those certificates
	Components   []Component         // of those meters, and of the parts fitted on them wherever else they were fitted
	Data         []SeriesData        // at most one for each series, as known at AsKnownAt
	Dispositions []Disposition       // of the survey
	Operator     string              // who measured; empty if not recorded
	Method       string              // that people are authorised for; empty: the profile's code
	People       []Person            // all of them; where none is known nobody's authorisation is asked for
	Signatory    string              // who is about to sign off; empty for a mere verdict
}

// SeriesUse is the use of one channel of a meter by a series.
type SeriesUse struct {
	ID           uuid.UUID
	Version      int
	InstrumentID uuid.UUID
	Channel      int
	PositionID   uuid.UUID     // of no weight in the verdict; shown in traces
	Quantity     string        // likewise
	ImportID     uuid.UUID     // likewise: the import that made it, zero if none did
	Bands        bool          // a spectrum: its filters must be covered too
	Stretches    []series.Span // when samples exist, as known at AsKnownAt
}

// Outcome says whether measurements stand.
type Outcome string

// The outcomes.
const (
	Valid            Outcome = "valid"
	ValidWithRemarks Outcome = "valid_with_remarks"
	ValidInPart      Outcome = "valid_in_part"
	Undetermined     Outcome = "undetermined"
	NotValid         Outcome = "not_valid"
)

// Verdict says whether a survey's measurements stand on valid calibration.
type Verdict struct {
	SurveyID  uuid.UUID
	Outcome   Outcome
	Profile   string
	Edition   string
	AsKnownAt time.Time
	// InputsSHA256 is a digest in hex over the profile's code and edition, the
	// site's zone, the stretches of each series, and id and version of every row
	// that was taken into account. AsKnownAt is no part of it: equal digests at
	// two instants mean that nothing relevant was learned between them.
	InputsSHA256 string
	Series       []SeriesVerdict // by ascending ID
	Findings     []Finding       // by series, window, severity, rule
}

// SeriesVerdict says which parts of one series stand. Usable and Pending are
// disjoint, in time order, and lie within its stretches.
type SeriesVerdict struct {
	SeriesID uuid.UUID
	Outcome  Outcome
	Usable   []series.Span // outside the windows of fails and of undetermined findings
	Pending  []series.Span // in the windows of undetermined findings, outside those of fails
}

// Decide judges a survey.
func Decide(f Facts) Verdict {
	f = asKnown(f)
	v := Verdict{
		SurveyID: f.SurveyID, Profile: f.Profile.Code, Edition: f.Profile.Edition,
		AsKnownAt: f.AsKnownAt, InputsSHA256: digest(f),
	}
	for _, j := range judges(&f) {
		sv := j.decide()
		v.Series = append(v.Series, sv)
		v.Findings = append(v.Findings, j.findings...)
	}
	v.Outcome = outcomeOf(v.Series)
	return v
}

// judges returns one judge for each series of facts as [asKnown] leaves them.
func judges(f *Facts) []judge {
	shared := &seen{map[uuid.UUID]Past{}, map[coverKey][]Cover{}}
	all := make([]judge, len(f.Series))
	for i, s := range f.Series {
		all[i] = judge{facts: f, use: s, days: daysOf(s.Stretches, f.Zone), seen: shared}
	}
	return all
}

// Why returns the detail of the finding that decided, "" for a valid survey.
func (v Verdict) Why() string {
	order := []Severity{SeverityFail, SeverityUndetermined, SeverityRemark}
	switch v.Outcome {
	case Valid:
		return ""
	case Undetermined:
		order = []Severity{SeverityUndetermined, SeverityFail, SeverityRemark}
	}
	for _, s := range order {
		if i := slices.IndexFunc(v.Findings, func(f Finding) bool { return f.Severity == s }); i >= 0 {
			return v.Findings[i].Detail
		}
	}
	return "No samples were recorded."
}

// outcomeOf returns the outcome of a survey from those of its series.
func outcomeOf(all []SeriesVerdict) Outcome {
	count := map[Outcome]int{}
	for _, s := range all {
		count[s.Outcome]++
	}
	switch {
	case len(all) == 0 || count[Undetermined] > 0:
		return Undetermined
	case count[NotValid] == len(all):
		return NotValid
	case count[NotValid]+count[ValidInPart] > 0:
		return ValidInPart
	case count[ValidWithRemarks] > 0:
		return ValidWithRemarks
	}
	return Valid
}

// asKnown reduces f to the rows that count: those known at f.AsKnownAt of the
// meters used and of the calibrators put on them within reach, in a fixed order.
func asKnown(f Facts) Facts {
	f.Series = slices.Clone(f.Series)
	for i, s := range f.Series {
		f.Series[i].Stretches = inOrderOfTime(s.Stretches)
	}
	slices.SortFunc(f.Series, func(a, b SeriesUse) int { return slices.Compare(a.ID[:], b.ID[:]) })

	used := map[uuid.UUID]bool{}
	for _, s := range f.Series {
		used[s.InstrumentID] = true
	}
	f.Checks = known(f.Checks, f.AsKnownAt, FieldCheck.row)
	f.Checks = slices.DeleteFunc(f.Checks, func(c FieldCheck) bool {
		return !slices.ContainsFunc(f.Series, func(s SeriesUse) bool { return s.reachedBy(c, f.Profile.CheckReach.Value) })
	})
	slices.SortStableFunc(f.Checks, func(a, b FieldCheck) int { return a.At.Compare(b.At) })
	for _, c := range f.Checks {
		used[c.CalibratorID] = true
	}
	f.Components = known(f.Components, f.AsKnownAt, Component.row)
	var parts []uuid.UUID
	for _, c := range f.Components {
		if used[c.InstrumentID] {
			parts = append(parts, c.PartID)
		}
	}
	for _, id := range parts {
		used[id] = true
	}
	f.Components = slices.DeleteFunc(f.Components, func(c Component) bool { return !used[c.PartID] })
	f.Instruments = known(f.Instruments, f.AsKnownAt, Instrument.row)
	f.Instruments = slices.DeleteFunc(f.Instruments, func(i Instrument) bool { return !used[i.ID] })
	f.Certificates = known(f.Certificates, f.AsKnownAt, Certificate.row)
	f.Certificates = slices.DeleteFunc(f.Certificates, func(c Certificate) bool { return !used[c.InstrumentID] })
	f.Events = known(f.Events, f.AsKnownAt, Event.row)
	f.Events = slices.DeleteFunc(f.Events, func(e Event) bool { return !used[e.InstrumentID] })
	f.Statuses = known(f.Statuses, f.AsKnownAt, CertificateStatus.row)
	f.Statuses = slices.DeleteFunc(f.Statuses, func(s CertificateStatus) bool {
		return !slices.ContainsFunc(f.Certificates, func(c Certificate) bool { return c.ID == s.CertificateID })
	})
	f.Dispositions = known(f.Dispositions, f.AsKnownAt, Disposition.row)
	f.People = known(f.People, f.AsKnownAt, Person.row)
	f.Data = slices.Clone(f.Data)
	slices.SortStableFunc(f.Data, func(a, b SeriesData) int { return slices.Compare(a.SeriesID[:], b.SeriesID[:]) })
	for _, c := range f.Certificates {
		used[c.LaboratoryID] = true
	}
	f.Laboratories = known(f.Laboratories, f.AsKnownAt, Laboratory.row)
	f.Laboratories = slices.DeleteFunc(f.Laboratories, func(l Laboratory) bool { return !used[l.ID] })
	return f
}

// reachedBy reports whether c was made on the channel of s, between reach before its start and reach after its end.
func (s SeriesUse) reachedBy(c FieldCheck, reach time.Duration) bool {
	if c.InstrumentID != s.InstrumentID || c.Channel != s.Channel || len(s.Stretches) == 0 {
		return false
	}
	e := s.extent()
	return !c.At.Before(e.From.Add(-reach)) && !c.At.After(e.To.Add(reach))
}

// extent returns the span from the first sample of s to the end of its last, zero if there is none.
func (s SeriesUse) extent() series.Span {
	if len(s.Stretches) == 0 {
		return series.Span{}
	}
	return series.Span{From: s.Stretches[0].From, To: s.Stretches[len(s.Stretches)-1].To}
}

// row identifies one version of a record.
type row struct {
	id         uuid.UUID
	version    int
	recordedAt time.Time
}

func (i Instrument) row() row  { return row{i.ID, i.Version, i.RecordedAt} }
func (c Certificate) row() row { return row{c.ID, c.Version, c.RecordedAt} }
func (l Laboratory) row() row  { return row{l.ID, l.Version, l.RecordedAt} }
func (c FieldCheck) row() row  { return row{c.ID, c.Version, c.RecordedAt} }

// known returns of each record the latest version recorded at or before at, by ascending ID.
func known[T any](versions []T, at time.Time, rowOf func(T) row) []T {
	if len(versions) == 0 {
		return nil
	}
	rows := make([]T, 0, len(versions))
	place := make(map[uuid.UUID]int, len(versions)) // in rows
	for _, v := range versions {
		r := rowOf(v)
		if r.recordedAt.After(at) {
			continue
		}
		if i, ok := place[r.id]; !ok {
			place[r.id] = len(rows)
			rows = append(rows, v)
		} else if rowOf(rows[i]).version < r.version {
			rows[i] = v
		}
	}
	slices.SortFunc(rows, func(a, b T) int {
		x, y := rowOf(a).id, rowOf(b).id
		return slices.Compare(x[:], y[:])
	})
	return rows
}

// digest returns [Verdict.InputsSHA256] of facts as [asKnown] leaves them.
func digest(f Facts) string {
	h := sha256.New()
	fmt.Fprintf(h, "rule_profile %s %s\nsurvey %s %d\nzone %s\n", f.Profile.Code, f.Profile.Edition, f.SurveyID, f.SurveyVersion, f.Zone)
	for _, s := range f.Series {
		fmt.Fprintf(h, "series %s %d %s %d %t", s.ID, s.Version, s.InstrumentID, s.Channel, s.Bands)
		for _, t := range s.Stretches {
			fmt.Fprintf(h, " %s/%s", t.From.UTC().Format(time.RFC3339Nano), t.To.UTC().Format(time.RFC3339Nano))
		}
		fmt.Fprintln(h)
	}
	writeRows(h, "instrument", f.Instruments, Instrument.row)
	writeRows(h, "certificate", f.Certificates, Certificate.row)
	writeRows(h, "laboratory", f.Laboratories, Laboratory.row)
	writeRows(h, "field_check", f.Checks, FieldCheck.row)
	writeRows(h, "event", f.Events, Event.row)
	writeRows(h, "certificate_status", f.Statuses, CertificateStatus.row)
	writeRows(h, "component", f.Components, Component.row)
	writeRows(h, "disposition", f.Dispositions, Disposition.row)
	if f.Operator+f.Method+f.Signatory != "" {
		fmt.Fprintf(h, "operator %q method %q signatory %q\n", f.Operator, f.Method, f.Signatory)
	}
	writeRows(h, "person", f.People, Person.row)
	for _, d := range f.Data {
		d.write(h)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func writeRows[T any](w io.Writer, name string, rows []T, rowOf func(T) row) {
	for _, r := range rows {
		fmt.Fprintf(w, "%s %s %d\n", name, rowOf(r).id, rowOf(r).version)
	}
}

// daysOf returns the local days that the stretches touch, in order.
func daysOf(stretches []series.Span, zone *time.Location) []civil.Date {
	var days []civil.Date
	for _, s := range stretches {
		for _, d := range LocalDays(s, zone) {
			if len(days) == 0 || d.After(days[len(days)-1]) {
				days = append(days, d)
			}
		}
	}
	return days
}

// inReadingOrder sorts the findings of one series: by window, those without one
// first, then severity, rule and subject.
func inReadingOrder(fs []Finding) {
	at := func(f Finding) time.Time {
		if f.From == nil {
			return time.Time{}
		}
		return *f.From
	}
	slices.SortFunc(fs, func(a, b Finding) int {
		return cmp.Or(at(a).Compare(at(b)), cmp.Compare(a.Severity.rank(), b.Severity.rank()),
			strings.Compare(string(a.Rule), string(b.Rule)), slices.Compare(a.Subject.ID[:], b.Subject.ID[:]))
	})
}
