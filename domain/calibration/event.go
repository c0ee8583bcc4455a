package calibration

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// EventKind says what befell an instrument between calibrations.
type EventKind string

// The kinds of event.
const (
	Repair     EventKind = "repair"
	Damage     EventKind = "damage"
	Adjustment EventKind = "adjustment" // other than by a field check or within a calibration
	PartChange EventKind = "part_change"
	Firmware   EventKind = "firmware"
)

// Words returns k for people, at the start of a sentence.
func (k EventKind) Words() string {
	w := strings.ReplaceAll(string(k), "_", " ")
	return strings.ToUpper(w[:1]) + w[1:]
}

// Event is one version of the record of something that befell an instrument. An
// adjustment that a laboratory made within a calibration is on its certificate, not here.
type Event struct {
	ID           uuid.UUID
	InstrumentID uuid.UUID
	Kind         EventKind
	On           civil.Date `db:"on_day"`
	EndsCover    bool       // what was calibrated before is no longer what there is
	// BeforeCalibration says that it came before the calibration of the same day,
	// which so takes it in. Of another day it says nothing.
	BeforeCalibration bool
	Note              string

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Validate reports every field that makes e unfit to store, as one [fault.Error].
func (e Event) Validate() error {
	var bad fault.Fields
	bad.Check(e.InstrumentID != uuid.Nil, "instrument_id", "required", "must name an instrument")
	oneOf(&bad, "kind", string(e.Kind), string(Repair), string(Damage), string(Adjustment), string(PartChange), string(Firmware))
	bad.Check(!e.On.IsZero(), "on", "required", "must be a date")
	return bad.Err("event")
}

// ends reports whether e ends the cover of a calibration that ended on day from.
func (e Event) ends(from civil.Date) bool {
	return e.EndsCover && (e.On.After(from) || e.On == from && !e.BeforeCalibration)
}

func (e Event) words() string {
	switch e.Kind {
	case PartChange:
		return "change of a part"
	case Firmware:
		return "change of firmware"
	}
	return string(e.Kind)
}

// Statuses of a certificate, beside its being there.
const (
	Active     = "active"
	Withdrawn  = "withdrawn"
	Superseded = "superseded"
)

// CertificateStatus is one entry of a certificate's history, which only grows: the
// latest one recorded counts. A certificate without any is active.
type CertificateStatus struct {
	ID            uuid.UUID
	CertificateID uuid.UUID
	Status        string     // Active, Withdrawn or Superseded
	EffectiveFrom civil.Date // first day on which it may not be relied on; the day of calibration: it never might
	By            string     `db:"decided_by"`
	Reason        string

	Version    int // 1: an entry never changes
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Validate reports every field that makes s, about certificate c, unfit to store, as one [fault.Error].
func (s CertificateStatus) Validate(c Certificate) error {
	var bad fault.Fields
	oneOf(&bad, "status", s.Status, Active, Withdrawn, Superseded)
	required(&bad, "reason", s.Reason)
	bad.Check(s.Status == Active || !s.EffectiveFrom.IsZero(), "effective_from", "required", "must be a date")
	inOrder(&bad, "effective_from", c.CalibratedOn, s.EffectiveFrom, "must not lie before the last day of calibration")
	return bad.Err("certificate status")
}

func (e Event) row() row             { return row{e.ID, e.Version, e.RecordedAt} }
func (s CertificateStatus) row() row { return row{s.ID, 1, s.RecordedAt} }
