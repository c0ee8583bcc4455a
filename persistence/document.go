package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
)

var certificateDocuments = kindOf[calibration.Document]("certificate_document",
	`id version created_at recorded_at media_type bytes sha256`)

// CreateDocument stores the document d of the certificate d.ID, whose bytes are data.
func (s *Store) CreateDocument(ctx context.Context, d calibration.Document, data []byte) (calibration.Document, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		if _, err := certificates.get(ctx, tx, d.ID); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `insert into document (sha256, data) values ($1, $2) on conflict do nothing`, d.SHA256, data)
		if err != nil {
			return classify(err, "document")
		}
		d, err = certificateDocuments.insert(ctx, tx, d, s.stamp())
		return err
	})
	return d, err
}

// Document returns the document of a certificate, without its bytes.
func (s *Store) Document(ctx context.Context, certificateID uuid.UUID) (calibration.Document, error) {
	return get(ctx, s, certificateDocuments, certificateID)
}

// DocumentBytes returns the document of a certificate and its bytes as they came.
func (s *Store) DocumentBytes(ctx context.Context, certificateID uuid.UUID) (d calibration.Document, data []byte, err error) {
	err = s.read(ctx, func(q conn) error {
		if d, err = certificateDocuments.get(ctx, q, certificateID); err != nil {
			return err
		}
		return q.QueryRow(ctx, `select data from document where sha256 = $1`, d.SHA256).Scan(&data)
	})
	return d, data, err
}
