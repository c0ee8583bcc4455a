package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var certificates = kindOf[calibration.Certificate]("certificate",
	`id version created_at recorded_at instrument_id laboratory_id state accreditation accredited scope item_serial_number
	number revision replaces_id calibrated_from calibrated_on issued_on standard as_found as_left adjusted pattern_evidence
	laboratory_due_on due_override_on person_authorising reference_standards results parts`)

// CreateCertificate stores a new certificate of the laboratory of the given name,
// made if there is none; where laboratory is empty, of c.LaboratoryID. Where one of the
// same laboratory, number, revision and instrument is recorded, it returns that one with
// the Conflict of [calibration.Certificate.Again].
func (s *Store) CreateCertificate(ctx context.Context, c calibration.Certificate, laboratory string) (calibration.Certificate, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if c, err = s.referring(ctx, tx, c, laboratory); err != nil {
			return err
		}
		c, err = addCertificate(ctx, tx, c, s.stamp())
		return err
	})
	return c, err
}

// addCertificate is [Store.CreateCertificate] where c names its laboratory.
func addCertificate(ctx context.Context, tx pgx.Tx, c calibration.Certificate, now time.Time) (calibration.Certificate, error) {
	found, err := certificates.where(ctx, tx, `laboratory_id = $1 and number = $2 and revision = $3 and instrument_id = $4`,
		c.LaboratoryID, c.Number, c.Revision, c.InstrumentID)
	if err != nil {
		return c, err
	}
	if len(found) > 0 {
		return found[0], c.Again(found[0])
	}
	if c, err = certificates.insert(ctx, tx, c, now); err != nil {
		return c, err
	}
	return c, keepLastCalibrations(ctx, tx, c.InstrumentID)
}

// keepLastCalibrations reckons last_calibration of an instrument anew, of which a
// certificate was written in this transaction.
func keepLastCalibrations(ctx context.Context, tx pgx.Tx, instrumentID uuid.UUID) error {
	b := &pgx.Batch{}
	b.Queue(`select from instrument where id = $1 for no key update`, instrumentID) // whoever else writes one waits
	b.Queue(`delete from last_calibration where instrument_id = $1`, instrumentID)
	b.Queue(`
		insert into last_calibration (instrument_id, scope, on_day)
		select $1, s.scope, max(c.calibrated_on) from certificate c cross join unnest(c.scope) as s (scope)
		where c.instrument_id = $1 and c.state = 'confirmed'
			and not exists (select from certificate r where r.replaces_id = c.id and r.state = 'confirmed')
		group by s.scope`, instrumentID)
	return tx.SendBatch(ctx, b).Close()
}

// Certificate returns the certificate of the given id.
func (s *Store) Certificate(ctx context.Context, id uuid.UUID) (calibration.Certificate, error) {
	return get(ctx, s, certificates, id)
}

// Certificates returns a page of the certificates that f selects.
func (s *Store) Certificates(ctx context.Context, f calibration.CertificateFilter, p request.Page) ([]calibration.Certificate, error) {
	return list(ctx, s, certificates, `
		$1::uuid in (instrument_id, '00000000-0000-0000-0000-000000000000') and $2::uuid in (laboratory_id, '00000000-0000-0000-0000-000000000000')
		and ($3 = '' or number = $3) and ($4 = '' or state = $4) and id > $5 order by id limit $6`,
		f.InstrumentID, f.LaboratoryID, f.Number, f.State, p.After, p.Limit)
}

// CertificateVersions returns every version of the certificate of the given id, oldest first.
func (s *Store) CertificateVersions(ctx context.Context, id uuid.UUID) ([]calibration.Certificate, error) {
	return versions(ctx, s, certificates, id)
}

// UpdateCertificate stores the version of c that follows c.Version; laboratory as in [Store.CreateCertificate].
func (s *Store) UpdateCertificate(ctx context.Context, c calibration.Certificate, laboratory string) (calibration.Certificate, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if c, err = s.referring(ctx, tx, c, laboratory); err != nil {
			return err
		}
		if c, err = certificates.update(ctx, tx, c, s.stamp()); err != nil {
			return err
		}
		return keepLastCalibrations(ctx, tx, c.InstrumentID)
	})
	return c, err
}

// referring returns c with the laboratory of the given name, or an error that
// names every reference of c that names nothing.
func (s *Store) referring(ctx context.Context, tx pgx.Tx, c calibration.Certificate, laboratory string) (calibration.Certificate, error) {
	var bad fault.Fields
	if c.ReplacesID != uuid.Nil {
		replaced, err := certificates.get(ctx, tx, c.ReplacesID)
		switch {
		case fault.KindOf(err) == fault.NotFound:
			bad.Add("replaces_id", "unknown_reference", "names no certificate")
		case err != nil:
			return c, err
		case replaced.InstrumentID != c.InstrumentID:
			bad.Add("replaces_id", "unknown_reference", "names a certificate of another instrument")
		}
	}
	if laboratory == "" {
		_, err := laboratories.get(ctx, tx, c.LaboratoryID)
		if fault.KindOf(err) == fault.NotFound {
			bad.Add("laboratory_id", "unknown_reference", "names no laboratory")
		} else if err != nil {
			return c, err
		}
	}
	if err := bad.Err("certificate"); err != nil || laboratory == "" {
		return c, err
	}
	id, err := laboratoryNamed(ctx, tx, laboratory, s.stamp())
	c.LaboratoryID = id
	return c, err
}
