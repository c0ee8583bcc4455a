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

// calibrationKnown returns what was known at an instant of the calibration of instruments.
func calibrationKnown(ctx context.Context, q conn, ids []uuid.UUID, at time.Time) (r calibrationRows, err error) {
	var of struct {
		instruments  []calibration.Instrument
		certificates []calibration.Certificate
		events       []calibration.Event
		statuses     []calibration.CertificateStatus
		laboratories []calibration.Laboratory
	}
	b := &pgx.Batch{}
	b.Queue(genericPlans)
	instruments.queueKnown(b, &of.instruments, at, `id = any($2)`, ids)
	certificates.queueKnown(b, &of.certificates, at, `instrument_id = any($2)`, ids)
	events.queueKnown(b, &of.events, at, `instrument_id = any($2)`, ids)
	certificateStatuses.queueKnown(b, &of.statuses, at,
		`certificate_id in (select id from certificate_version where instrument_id = any($2))`, ids)
	laboratories.queueKnown(b, &of.laboratories, at,
		`id in (select laboratory_id from certificate_version where instrument_id = any($2))`, ids)
	err = q.SendBatch(ctx, b).Close()
	r.instruments = grouped(of.instruments, func(i calibration.Instrument) uuid.UUID { return i.ID })
	r.certificates = grouped(of.certificates, func(c calibration.Certificate) uuid.UUID { return c.InstrumentID })
	r.events = grouped(of.events, func(e calibration.Event) uuid.UUID { return e.InstrumentID })
	r.statuses = grouped(of.statuses, func(s calibration.CertificateStatus) uuid.UUID { return s.CertificateID })
	r.laboratories = grouped(of.laboratories, func(l calibration.Laboratory) uuid.UUID { return l.ID })
	return r, err
}

// past returns what an instrument went through.
func (r calibrationRows) past(instrument uuid.UUID) calibration.Past {
	h := calibration.Past{Certificates: r.certificates[instrument], Events: r.events[instrument]}
	for _, c := range h.Certificates {
		h.Statuses = append(h.Statuses, r.statuses[c.ID]...)
	}
	return h
}

// pastsKnown returns the instruments of the given ids that were known at an instant, with what
// they and the parts fitted on them went through. Instruments and pasts are in one order, by ascending id.
func pastsKnown(ctx context.Context, q conn, ids []uuid.UUID, at time.Time) (all []calibration.Instrument, pasts []calibration.Past, err error) {
	fitted, err := fittedOn(ctx, q, at, ids)
	if err != nil {
		return nil, nil, err
	}
	own := distinct(ids)
	for _, c := range fitted {
		ids = append(ids, c.PartID)
	}
	known, err := calibrationKnown(ctx, q, distinct(ids), at)
	if err != nil {
		return nil, nil, err
	}
	onMeter := grouped(fitted, func(c calibration.Component) uuid.UUID { return c.InstrumentID })
	for _, id := range own {
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
	return all, pasts, nil
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
		known, pasts, err := pastsKnown(ctx, q, []uuid.UUID{id}, at)
		if err != nil {
			return err
		}
		if len(known) == 0 {
			return notFound("instrument")
		}
		h = pasts[0]
		b := &pgx.Batch{}
		components.queueKnown(b, &fits, at, `instrument_id = $2 or part_id = $2`, id)
		fieldChecks.queueKnown(b, &checks, at, `instrument_id = $2 or calibrator_id = $2`, id)
		return q.SendBatch(ctx, b).Close()
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
	checks, err := checksWithinReach(ctx, q, all, at)
	if err != nil {
		return err
	}
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
	fitted, err := fittedOn(ctx, q, at, distinct(slices.Concat(used...)))
	if err != nil {
		return err
	}
	onMeter := grouped(fitted, func(c calibration.Component) uuid.UUID { return c.InstrumentID })
	ofPart := grouped(fitted, func(c calibration.Component) uuid.UUID { return c.PartID })
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
	rows, err := calibrationKnown(ctx, q, distinct(slices.Concat(used...)), at)
	if err != nil {
		return err
	}
	for i := range all {
		rows.addTo(&all[i].Facts, used[i])
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

// checksWithinReach returns the field checks, as known at an instant, on the meters
// of surveys within reach of their series, by meter.
func checksWithinReach(ctx context.Context, q conn, all []knownSurvey, at time.Time) (map[uuid.UUID][]calibration.FieldCheck, error) {
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
	found, err := fieldChecks.known(ctx, q, at, `id in (
		select v.id from unnest($2::uuid[], $3::timestamptz[], $4::timestamptz[]) w (meter, starts_at, ends_at)
		join field_check_version v on v.instrument_id = w.meter and v.at between w.starts_at and w.ends_at)`, meters, froms, tos)
	return grouped(found, func(c calibration.FieldCheck) uuid.UUID { return c.InstrumentID }), err
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
