package calibration

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Feed is a calendar of what falls due, at a secret address. It does not change.
type Feed struct {
	ID          uuid.UUID
	Version     int
	CreatedAt   time.Time
	RecordedAt  time.Time
	Name        string
	WithinDays  int    // from today
	RuleProfile string // code; empty: of each kind of instrument the strictest
	SecretHash  []byte // SHA-256 of the secret, which is kept nowhere
	LastUsedAt  *time.Time
}

// MaxWithinDays bounds how far ahead it is asked what falls due.
const MaxWithinDays = 3660

// Validate reports every member that makes f unfit to store.
func (f Feed) Validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(f.Name) != "" && len(f.Name) <= 200, "name", "required", "must have from 1 to 200 bytes")
	bad.Check(f.WithinDays >= 0 && f.WithinDays <= MaxWithinDays, "within_days", "out_of_range", "must be from 0 to 3660")
	return bad.Err("feed")
}

// NewFeedSecret returns the secret part of an address: 32 random bytes in the base 64 of addresses.
func NewFeedSecret() string {
	b := make([]byte, 32)
	rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b)
}

// FeedSecretHash returns the form in which a secret is kept. ok is false if the text cannot be one.
func FeedSecretHash(secret string) (hash []byte, ok bool) {
	if b, err := base64.RawURLEncoding.Strict().DecodeString(secret); err != nil || len(b) != 32 {
		return nil, false
	}
	sum := sha256.Sum256([]byte(secret))
	return sum[:], true
}
