package survey

import (
	"time"

	"github.com/google/uuid"
)

// File is an uploaded file, kept byte for byte.
type File struct {
	ClientID  uuid.UUID
	ID        uuid.UUID
	CreatedAt time.Time
	Name      string
	Bytes     int64
	SHA256    []byte
}
