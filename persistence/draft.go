package persistence

import (
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/calibration/dcc"
	"leveltrail/domain/fault"
)

// RecordDrafts stores the drafts that were read from data, a digital certificate, each with
// data as its document and the instrument that it is of if one is known. What was
// recorded from the same data before is returned as it is now. A certificate of the same laboratory,
// number, revision and instrument that was recorded otherwise is a Conflict: see [calibration.Certificate.Again].
func (s *Store) RecordDrafts(ctx context.Context, drafts []dcc.Draft, data []byte) (recorded []dcc.Recorded, err error) {
	sum := sha256.Sum256(data)
	err = s.write(ctx, func(tx pgx.Tx) error {
		// The same file is waited for.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 3))`, uuid.NewSHA1(uuid.Nil, sum[:]).String()); err != nil {
			return err
		}
		before, err := certificates.where(ctx, tx, `id in (select id from certificate_document where sha256 = $1) order by id`, sum[:])
		if err != nil {
			return err
		}
		serials := make([]string, len(drafts))
		for i, d := range drafts {
			serials[i] = d.Item.SerialNumber
		}
		known, err := instruments.where(ctx, tx, `serial_number = any($1)`, serials)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `insert into document (sha256, data) values ($1, $2) on conflict do nothing`, sum[:], data)
		if err != nil {
			return classify(err, "document")
		}
		for i, d := range drafts {
			on, warnings := d.Item.Match(known)
			d.Warnings = append(d.Warnings, warnings...)
			r := dcc.Recorded{Draft: d}
			if old := ofItem(before, len(drafts), i, d); old != nil {
				r.Certificate = *old
			} else if r.Certificate, r.New, err = s.recordDraft(ctx, tx, d, on, data); err != nil {
				return err
			}
			recorded = append(recorded, r)
		}
		return nil
	})
	return recorded, err
}

// ofItem returns the certificate among those recorded from the same file that is of its
// i-th of n items, nil if none is.
func ofItem(before []calibration.Certificate, n, i int, d dcc.Draft) *calibration.Certificate {
	if len(before) == n {
		return &before[i] // recorded in the order of the items
	}
	if k := slices.IndexFunc(before, func(c calibration.Certificate) bool {
		return c.ItemSerialNumber != "" && strings.TrimSpace(c.ItemSerialNumber) == d.Item.SerialNumber
	}); k >= 0 {
		return &before[k]
	}
	return nil
}

// recordDraft stores d as the certificate of instrument on, zero if it is not known, with its document.
func (s *Store) recordDraft(
	ctx context.Context, tx pgx.Tx, d dcc.Draft, on calibration.Instrument, data []byte,
) (c calibration.Certificate, made bool, err error) {
	c = d.Certificate
	c.InstrumentID = on.ID
	c = c.WithDefaults(on.Kind)
	if c.LaboratoryID, err = laboratoryNamed(ctx, tx, d.Laboratory, s.stamp()); err != nil {
		return c, false, err
	}
	if on.ID != uuid.Nil && d.ReplacesNumber != "" {
		found, err := certificates.where(ctx, tx, `instrument_id = $1 and laboratory_id = $2 and number = $3`, on.ID, c.LaboratoryID, d.ReplacesNumber)
		if err != nil {
			return c, false, err
		}
		if len(found) == 1 {
			c.ReplacesID = found[0].ID
		}
	}
	if err := c.Validate(); err != nil {
		return c, false, err
	}
	c, err = addCertificate(ctx, tx, c, s.stamp())
	made = err == nil
	if f, ok := errors.AsType[*fault.Error](err); ok && f.Code == "already_recorded" {
		if _, err := certificateDocuments.get(ctx, tx, c.ID); fault.KindOf(err) != fault.NotFound {
			return c, false, &fault.Error{
				Kind: fault.Conflict, Code: "certificate_differs",
				Message: "the same " + c.String() + " is recorded as " + c.ID.String() + " with another document",
			}
		}
		err = nil
	}
	if err != nil {
		return c, false, err
	}
	doc, err := calibration.DocumentOf(c.ID, calibration.XML, data)
	if err != nil {
		return c, false, err
	}
	_, err = certificateDocuments.insert(ctx, tx, doc, s.stamp())
	return c, made, err
}
