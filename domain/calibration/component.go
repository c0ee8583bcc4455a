package calibration

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// Component is one version of the record of a part fitted on a meter: a
// microphone, a preamplifier or a filter set, each an instrument of its own.
type Component struct {
	ID           uuid.UUID
	InstrumentID uuid.UUID // the meter
	PartID       uuid.UUID
	From         time.Time  `db:"starts_at"`
	To           *time.Time `db:"ends_at"` // nil while it is fitted

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Validate reports every field that makes c unfit to store, as one [fault.Error].
func (c Component) Validate() error {
	var bad fault.Fields
	bad.Check(c.InstrumentID != uuid.Nil, "instrument_id", "required", "must name a meter")
	bad.Check(c.PartID != uuid.Nil, "part_id", "required", "must name a microphone, preamplifier or filter set")
	bad.Check(!c.From.IsZero(), "from", "required", "must be an instant")
	bad.Check(c.To == nil || c.From.Before(*c.To), "to", "out_of_order", "must lie after from")
	return bad.Err("component")
}

// ValidateWith reports whether the instruments that c names are of kinds that can
// play their part, and whether the part sits elsewhere at some time of c. fitted
// are the other records of that part.
func (c Component) ValidateWith(meter, part Instrument, fitted []Component) error {
	var bad fault.Fields
	bad.Check(meter.Kind.Measures(), "instrument_id", "wrong_kind", "must name a meter, not a "+meter.Kind.words())
	bad.Check(part.Kind.isPart(), "part_id", "wrong_kind", "must name a microphone, preamplifier or filter set, not a "+part.Kind.words())
	for _, d := range fitted {
		if d.ID != c.ID && d.PartID == c.PartID && (d.To == nil || c.From.Before(*d.To)) && (c.To == nil || d.From.Before(*c.To)) {
			bad.Add("from", "overlap", "must not overlap another time at which the part is fitted")
			break
		}
	}
	return bad.Err("component")
}

func (k Kind) isPart() bool { return slices.Contains(partKinds, k) }

var partKinds = []Kind{Microphone, Preamplifier, FilterSet}

// CertifiedPart is a part that a meter's certificate names as calibrated with it.
type CertifiedPart struct {
	Kind         Kind
	SerialNumber string
}

func (c Component) row() row { return row{c.ID, c.Version, c.RecordedAt} }

// fittedIn reports whether c sits on its meter at some instant of s.
func (c Component) fittedIn(s series.Span) bool {
	return c.From.Before(s.To) && (c.To == nil || c.To.After(s.From))
}

// fittedOn reports whether c sits on its meter at some time of day.
func (c Component) fittedOn(day civil.Date, zone *time.Location) bool {
	return c.fittedIn(series.Span{From: day.Start(zone), To: day.AddDays(1).Start(zone)})
}

// parts returns the parts of a kind that were fitted on a meter within s, by serial number.
func (j *judge) parts(meter uuid.UUID, k Kind, s series.Span) []Instrument {
	var found []Instrument
	for _, c := range j.facts.Components {
		if p := j.instrument(c.PartID); c.InstrumentID == meter && p.Kind == k && c.fittedIn(s) && !slices.Contains(found, p) {
			found = append(found, p)
		}
	}
	slices.SortFunc(found, func(a, b Instrument) int {
		return cmp.Or(strings.Compare(a.SerialNumber, b.SerialNumber), slices.Compare(a.ID[:], b.ID[:]))
	})
	return found
}

// partsOn returns the parts of a kind fitted on a meter at some time of day at which the series was in use.
func (j *judge) partsOn(meter uuid.UUID, k Kind, day civil.Date) []Instrument {
	var found []Instrument
	for _, u := range common(j.use.Stretches, []series.Span{*j.daySpan(day, day)}) {
		for _, p := range j.parts(meter, k, u) {
			if !slices.Contains(found, p) {
				found = append(found, p)
			}
		}
	}
	return found
}
