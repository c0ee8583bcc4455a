package persistence

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
)

// calibrationRows are what was known at an instant of the calibration of
// instruments, by what each row belongs to.
type calibrationRows struct {
	instruments  map[uuid.UUID][]calibration.Instrument
	certificates map[uuid.UUID][]calibration.Certificate       // by instrument
	events       map[uuid.UUID][]calibration.Event             // by instrument
	statuses     map[uuid.UUID][]calibration.CertificateStatus // by certificate
	laboratories map[uuid.UUID][]calibration.Laboratory
}

// queueCalibration asks what was known at an instant of the calibration of the instruments whose ids,
// as a condition on $2, are those of a list; rows returns it once b is sent.
func queueCalibration(
	b *pgx.Batch, certificates kind[calibration.Certificate], at time.Time, ids string, list []uuid.UUID,
) (rows func() calibrationRows) {
	var of struct {
		instruments  []calibration.Instrument
		certificates []calibration.Certificate
		events       []calibration.Event
		statuses     []calibration.CertificateStatus
		laboratories []calibration.Laboratory
	}
	b.Queue(genericPlans)
	instruments.queueKnown(b, &of.instruments, at, `id `+ids, list)
	certificates.queueKnown(b, &of.certificates, at, `instrument_id `+ids, list)
	events.queueKnown(b, &of.events, at, `instrument_id `+ids, list)
	certificateStatuses.queueKnown(b, &of.statuses, at,
		`certificate_id in (select id from certificate_version where instrument_id `+ids+`)`, list)
	laboratories.queueKnown(b, &of.laboratories, at,
		`id in (select laboratory_id from certificate_version where instrument_id `+ids+`)`, list)
	return func() calibrationRows {
		return calibrationRows{
			instruments:  grouped(of.instruments, func(i calibration.Instrument) uuid.UUID { return i.ID }),
			certificates: grouped(of.certificates, func(c calibration.Certificate) uuid.UUID { return c.InstrumentID }),
			events:       grouped(of.events, func(e calibration.Event) uuid.UUID { return e.InstrumentID }),
			statuses:     grouped(of.statuses, func(s calibration.CertificateStatus) uuid.UUID { return s.CertificateID }),
			laboratories: grouped(of.laboratories, func(l calibration.Laboratory) uuid.UUID { return l.ID }),
		}
	}
}

// past returns what an instrument went through.
func (r calibrationRows) past(instrument uuid.UUID) calibration.Past {
	h := calibration.Past{Certificates: r.certificates[instrument], Events: r.events[instrument]}
	for _, c := range h.Certificates {
		h.Statuses = append(h.Statuses, r.statuses[c.ID]...)
	}
	return h
}

// queuePasts asks what was known at an instant of instruments and of the parts fitted on them. Once b is
// sent, pasts returns the instruments that were known, with what they went through, in one order, by ascending id.
func queuePasts(
	b *pgx.Batch, certificates kind[calibration.Certificate], ids []uuid.UUID, at time.Time,
) (pasts func() ([]calibration.Instrument, []calibration.Past)) {
	var fitted []calibration.Component
	ids = distinct(ids)
	rows := queueCalibration(b, certificates, at, `= any(array(
		select unnest($2::uuid[]) union select part_id from component_version where instrument_id = any($2) and recorded_at <= $1))`, ids)
	queueFitted(b, &fitted, at, `instrument_id = any($2)`, ids)
	return func() (all []calibration.Instrument, pasts []calibration.Past) {
		known := rows()
		onMeter := grouped(fitted, func(c calibration.Component) uuid.UUID { return c.InstrumentID })
		for _, id := range ids {
			if len(known.instruments[id]) == 0 {
				continue
			}
			f := calibration.Facts{Zone: time.UTC, Components: onMeter[id]}
			concerned := []uuid.UUID{id}
			for _, c := range onMeter[id] {
				concerned = append(concerned, c.PartID)
			}
			known.addTo(&f, concerned)
			all, pasts = append(all, known.instruments[id][0]), append(pasts, calibration.PastOf(&f, id))
		}
		return all, pasts
	}
}

// InstrumentLife returns what an instrument went through, the parts fitted on it, or
// it as a part on meters, and the field checks made on it or with it, as known at an
// instant (nil: now).
func (s *Store) InstrumentLife(
	ctx context.Context, id uuid.UUID, asKnownAt *time.Time,
) (h calibration.Past, fits []calibration.Component, checks []calibration.FieldCheck, err error) {
	at := s.stamp()
	if asKnownAt != nil {
		at = *asKnownAt
	}
	err = s.read(ctx, func(q conn) error {
		b := &pgx.Batch{}
		pastsKnown := queuePasts(b, certificates, []uuid.UUID{id}, at)
		components.queueKnown(b, &fits, at, `id in (select id from component_version where instrument_id = $2 or part_id = $2)`, id)
		fieldChecks.queueKnown(b, &checks, at, `id in (select id from field_check_version where instrument_id = $2 or calibrator_id = $2)`, id)
		if err := q.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		known, pasts := pastsKnown()
		if len(known) == 0 {
			return notKnown("instrument", asKnownAt)
		}
		h = pasts[0]
		// Corrected, a record may be about another instrument.
		fits = slices.DeleteFunc(fits, func(c calibration.Component) bool { return c.InstrumentID != id && c.PartID != id })
		checks = slices.DeleteFunc(checks, func(c calibration.FieldCheck) bool { return c.InstrumentID != id && c.CalibratorID != id })
		return nil
	})
	return h, fits, checks, err
}

// addTo adds to f what concerns the instruments used, each once.
func (r calibrationRows) addTo(f *calibration.Facts, used []uuid.UUID) {
	issuers := map[uuid.UUID]bool{}
	for _, id := range distinct(used) {
		h := r.past(id)
		f.Instruments = append(f.Instruments, r.instruments[id]...)
		f.Certificates = append(f.Certificates, h.Certificates...)
		f.Events = append(f.Events, h.Events...)
		f.Statuses = append(f.Statuses, h.Statuses...)
		for _, c := range h.Certificates {
			if !issuers[c.LaboratoryID] {
				issuers[c.LaboratoryID] = true
				f.Laboratories = append(f.Laboratories, r.laboratories[c.LaboratoryID]...)
			}
		}
	}
}

// addCalibration adds to the facts of surveys what was known at an instant of the
// calibration of the meters of their series and of the calibrators put on them.
func addCalibration(ctx context.Context, q conn, all []knownSurvey, at time.Time) error {
	var r nearRows
	b := &pgx.Batch{}
	r.queue(b, all, at)
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	return addCalibrationNear(ctx, q, all, r, at)
}

// nearRows are what was done to the meters of some surveys.
type nearRows struct {
	checks []calibration.FieldCheck // within reach of the series
	fitted []calibration.Component  // on the meters and on the calibrators of those checks, and wherever else those parts were
}

// queue asks them as they were known at an instant.
func (r *nearRows) queue(b *pgx.Batch, all []knownSurvey, at time.Time) {
	var meters []uuid.UUID
	var froms, tos []time.Time
	for _, v := range all {
		from, to := reachOf(v.Facts)
		seen := map[uuid.UUID]bool{}
		for _, u := range v.Facts.Series {
			if !seen[u.InstrumentID] {
				seen[u.InstrumentID] = true
				meters, froms, tos = append(meters, u.InstrumentID), append(froms, from), append(tos, to)
			}
		}
	}
	const near = ` from unnest($2::uuid[], $3::timestamptz[], $4::timestamptz[]) w (meter, starts_at, ends_at)
		join field_check_version v on v.instrument_id = w.meter and v.at between w.starts_at and w.ends_at`
	b.Queue(genericPlans)
	fieldChecks.queueKnown(b, &r.checks, at, `id in (select v.id`+near+`)`, meters, froms, tos)
	queueFitted(b, &r.fitted, at, `(instrument_id = any($2) or instrument_id in (select v.calibrator_id`+near+`))`, meters, froms, tos)
}

// addCalibrationNear is addCalibration once r is read.
func addCalibrationNear(ctx context.Context, q conn, all []knownSurvey, r nearRows, at time.Time) error {
	checks := grouped(r.checks, func(c calibration.FieldCheck) uuid.UUID { return c.InstrumentID })
	used := make([][]uuid.UUID, len(all)) // of each survey
	for i := range all {
		f := &all[i].Facts
		for _, u := range f.Series {
			used[i] = append(used[i], u.InstrumentID)
		}
		from, to := reachOf(*f)
		for _, meter := range distinct(used[i]) {
			for _, c := range checks[meter] {
				if !c.At.Before(from) && !c.At.After(to) {
					f.Checks = append(f.Checks, c)
					used[i] = append(used[i], c.CalibratorID)
				}
			}
		}
	}
	onMeter := grouped(r.fitted, func(c calibration.Component) uuid.UUID { return c.InstrumentID })
	ofPart := grouped(r.fitted, func(c calibration.Component) uuid.UUID { return c.PartID })
	for i := range all {
		var parts []uuid.UUID
		for _, id := range distinct(used[i]) {
			for _, c := range onMeter[id] {
				parts = append(parts, c.PartID)
			}
		}
		for _, part := range distinct(parts) {
			all[i].Facts.Components = append(all[i].Facts.Components, ofPart[part]...)
			for _, c := range ofPart[part] {
				used[i] = append(used[i], c.InstrumentID, c.PartID)
			}
		}
	}
	b := &pgx.Batch{}
	rows := queueCalibration(b, certificates, at, `= any($2)`, distinct(slices.Concat(used...)))
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	known := rows()
	for i := range all {
		known.addTo(&all[i].Facts, used[i])
	}
	return nil
}

// reachOf returns the time within which field checks may belong to the series of f; zero without samples.
func reachOf(f calibration.Facts) (from, to time.Time) {
	for _, u := range f.Series {
		for _, s := range u.Stretches {
			if from.IsZero() || s.From.Before(from) {
				from = s.From
			}
			to = later(to, s.To)
		}
	}
	if from.IsZero() {
		return from, to
	}
	reach := f.Profile.CheckReach.Value
	return from.Add(-reach), to.Add(reach)
}

// grouped returns rows by the id that of gives, each group in the order of rows.
func grouped[T any](rows []T, of func(T) uuid.UUID) map[uuid.UUID][]T {
	by := map[uuid.UUID][]T{}
	for _, r := range rows {
		by[of(r)] = append(by[of(r)], r)
	}
	return by
}

// distinct returns ids in ascending order, each once.
func distinct(ids []uuid.UUID) []uuid.UUID {
	ids = slices.Clone(ids)
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	return slices.Compact(ids)
}
