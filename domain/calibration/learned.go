package calibration

import (
	"slices"
	"time"
)

// Learned is a version of a record that was recorded after an instant.
type Learned struct {
	Subject
	RecordedAt time.Time
}

// LearnedSince returns what a verdict on f takes into account that was recorded
// after an instant, by the time of recording. Samples are no part of it.
func LearnedSince(f Facts, after time.Time) []Learned {
	f = asKnown(f)
	var all []Learned
	all = learned(all, "instrument", f.Instruments, Instrument.row, after)
	all = learned(all, "certificate", f.Certificates, Certificate.row, after)
	all = learned(all, "laboratory", f.Laboratories, Laboratory.row, after)
	all = learned(all, "field_check", f.Checks, FieldCheck.row, after)
	all = learned(all, "event", f.Events, Event.row, after)
	all = learned(all, "certificate_status", f.Statuses, CertificateStatus.row, after)
	all = learned(all, "component", f.Components, Component.row, after)
	all = learned(all, "disposition", f.Dispositions, Disposition.row, after)
	all = learned(all, "person", f.People, Person.row, after)
	slices.SortStableFunc(all, func(a, b Learned) int { return a.RecordedAt.Compare(b.RecordedAt) })
	return all
}

func learned[T any](all []Learned, kind string, rows []T, rowOf func(T) row, after time.Time) []Learned {
	for _, x := range rows {
		if r := rowOf(x); r.recordedAt.After(after) {
			all = append(all, Learned{Subject{kind, r.id, r.version}, r.recordedAt})
		}
	}
	return all
}
