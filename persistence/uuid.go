package persistence

import (
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"
)

// registerIDs has ids go to and from the database in their sixteen bytes: through the
// interfaces of database/sql, which uuid.UUID implements, they would go as text. Null is the zero id.
func registerIDs(m *pgtype.Map) {
	m.TryWrapEncodePlanFuncs = append([]pgtype.TryWrapEncodePlanFunc{func(v any) (pgtype.WrappedEncodePlanNextSetter, any, bool) {
		if v, ok := v.(uuid.UUID); ok {
			return &encodeID{}, id(v), true
		}
		return nil, nil, false
	}}, m.TryWrapEncodePlanFuncs...)
	m.TryWrapScanPlanFuncs = append([]pgtype.TryWrapScanPlanFunc{func(v any) (pgtype.WrappedScanPlanNextSetter, any, bool) {
		if v, ok := v.(*uuid.UUID); ok {
			return &scanID{}, (*id)(v), true
		}
		return nil, nil, false
	}}, m.TryWrapScanPlanFuncs...)
}

type id uuid.UUID

// ScanUUID implements pgtype.UUIDScanner.
func (u *id) ScanUUID(v pgtype.UUID) error {
	*u = v.Bytes // zero if it is null
	return nil
}

// UUIDValue implements pgtype.UUIDValuer.
func (u id) UUIDValue() (pgtype.UUID, error) { return pgtype.UUID{Bytes: u, Valid: true}, nil }

type encodeID struct{ next pgtype.EncodePlan }

func (p *encodeID) SetNext(next pgtype.EncodePlan) { p.next = next }
func (p *encodeID) Encode(v any, buf []byte) ([]byte, error) {
	return p.next.Encode(id(v.(uuid.UUID)), buf)
}

type scanID struct{ next pgtype.ScanPlan }

func (p *scanID) SetNext(next pgtype.ScanPlan) { p.next = next }
func (p *scanID) Scan(src []byte, target any) error {
	return p.next.Scan(src, (*id)(target.(*uuid.UUID)))
}
