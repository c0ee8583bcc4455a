package persistence

import (
	"context"
	"slices"
	"strconv"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var nonconformities = kindOf[calibration.Nonconformity]("nonconformity",
	`id version created_at recorded_at what found_on survey_ids instrument_ids certificate_ids decision informed closed_on`)

// CreateNonconformity stores a new nonconformity.
func (s *Store) CreateNonconformity(ctx context.Context, n calibration.Nonconformity) (calibration.Nonconformity, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if err = touchesRecords(ctx, tx, n); err == nil {
			n, err = nonconformities.insert(ctx, tx, n, s.stamp())
		}
		return err
	})
	return n, err
}

// Nonconformity returns the nonconformity of the given id.
func (s *Store) Nonconformity(ctx context.Context, id uuid.UUID) (calibration.Nonconformity, error) {
	return get(ctx, s, nonconformities, id)
}

// Nonconformities returns a page of the nonconformities that f selects.
func (s *Store) Nonconformities(ctx context.Context, f calibration.NonconformityFilter, p request.Page) ([]calibration.Nonconformity, error) {
	return list(ctx, s, nonconformities, `
		($1 = '' or ($1 = 'closed') = (closed_on is not null))
		and ($2 = '00000000-0000-0000-0000-000000000000'::uuid or $2 = any(survey_ids))
		and ($3 = '00000000-0000-0000-0000-000000000000'::uuid or $3 = any(instrument_ids))
		and ($4 = '00000000-0000-0000-0000-000000000000'::uuid or $4 = any(certificate_ids))
		and id > $5 order by id limit $6`, f.State, f.SurveyID, f.InstrumentID, f.CertificateID, p.After, p.Limit)
}

// NonconformityVersions returns every version of the nonconformity of the given id, oldest first.
func (s *Store) NonconformityVersions(ctx context.Context, id uuid.UUID) ([]calibration.Nonconformity, error) {
	return versions(ctx, s, nonconformities, id)
}

// UpdateNonconformity stores the version of n that follows n.Version.
func (s *Store) UpdateNonconformity(ctx context.Context, n calibration.Nonconformity) (calibration.Nonconformity, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if err = touchesRecords(ctx, tx, n); err == nil {
			n, err = nonconformities.update(ctx, tx, n, s.stamp())
		}
		return err
	})
	return n, err
}

// touchesRecords reports every id of n that names nothing.
func touchesRecords(ctx context.Context, q conn, n calibration.Nonconformity) error {
	clientIDs := make([]uuid.UUID, len(n.Informed))
	for i, t := range n.Informed {
		clientIDs[i] = t.ClientID
	}
	named := []struct {
		table, member, suffix string
		ids                   []uuid.UUID
		found                 []uuid.UUID
	}{
		{table: "survey", member: "survey_ids", ids: n.SurveyIDs},
		{table: "instrument", member: "instrument_ids", ids: n.InstrumentIDs},
		{table: "certificate", member: "certificate_ids", ids: n.CertificateIDs},
		{table: "client", member: "informed", suffix: "/client_id", ids: clientIDs},
	}
	b := &pgx.Batch{}
	for i := range named {
		b.Queue(`select id from "`+named[i].table+`" where id = any($1)`, named[i].ids).Query(func(rows pgx.Rows) (err error) {
			named[i].found, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
			return err
		})
	}
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	var bad fault.Fields
	for _, l := range named {
		for i, id := range l.ids {
			bad.Check(slices.Contains(l.found, id), l.member+"/"+strconv.Itoa(i)+l.suffix, "unknown_reference", "names no "+l.table)
		}
	}
	return bad.Err("nonconformity")
}
