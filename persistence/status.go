package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

var certificateStatuses = kindOf[calibration.CertificateStatus]("certificate_status",
	`id version created_at recorded_at certificate_id status effective_from decided_by reason`)

// WithdrawCertificate adds to the history of a certificate that it may not be
// relied on from a day on. Surveys that relied on it are entered in the journal as
// survey.certificate_withdrawn.
func (s *Store) WithdrawCertificate(ctx context.Context, st calibration.CertificateStatus) (calibration.CertificateStatus, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		c, err := certificates.get(ctx, tx, st.CertificateID)
		if err != nil {
			return err
		}
		if err := st.Validate(c); err != nil {
			return err
		}
		if st, err = certificateStatuses.insert(ctx, tx, st, s.stamp()); err != nil {
			return err
		}
		return s.withdrawalTouches(ctx, tx, st)
	})
	return st, err
}

// CertificateStatuses returns a page of the history of a certificate's status, oldest first.
func (s *Store) CertificateStatuses(ctx context.Context, certificateID uuid.UUID, p request.Page) (recs []calibration.CertificateStatus, err error) {
	err = s.read(ctx, func(q conn) error {
		if _, err := certificates.get(ctx, q, certificateID); err != nil {
			return err
		}
		recs, err = certificateStatuses.where(ctx, q, `certificate_id = $1 and id > $2 order by id limit $3`, certificateID, p.After, p.Limit)
		return err
	})
	return recs, err
}

// ConfirmCertificate stores the version of c that follows c.Version as confirmed by the caller.
func (s *Store) ConfirmCertificate(ctx context.Context, c calibration.Certificate) (calibration.Certificate, error) {
	c, err := c.Confirm()
	if err != nil {
		return c, err
	}
	err = s.write(ctx, func(tx pgx.Tx) (err error) {
		if c, err = certificates.change(ctx, tx, c, s.stamp(), "confirmed", "confirmed by "+access.From(ctx).Name); err != nil {
			return err
		}
		return keepLastCalibrations(ctx, tx, c.InstrumentID)
	})
	return c, err
}
