package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"hash/crc32"
	"math/big"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Key is an API credential as kept: the hash of the whole key, never the key.
type Key struct {
	ID         string // the public part, by which it is looked up
	RecordID   uuid.UUID
	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
	SecretHash []byte // SHA-256 of the whole key
	Name       string
	Role       string
	ClientIDs  []uuid.UUID // nil: every client
	ExpiresAt  *time.Time
	RevokedAt  *time.Time
	LastUsedAt *time.Time // to the minute
}

// A key reads lvt_<id>_<secret><check>: 12, 32 and 6 characters of base 62, the
// check being the CRC-32 (IEEE) of all before it, so that a typing error is
// refused without a look-up.
const (
	prefix    = "lvt_"
	idLen     = 12
	secretLen = 32
	checkLen  = 6
	base62    = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
)

// NewKey returns a new key; it is shown once and kept only as [Key.SecretHash].
func NewKey() string {
	s := prefix + random(idLen) + "_" + random(secretLen)
	return s + check(s)
}

// KeyOf returns the key record of a whole key, without name and role. ok is
// false if the text is not a key.
func KeyOf(key string) (k Key, ok bool) {
	const idEnd = len(prefix) + idLen
	if len(key) != idEnd+1+secretLen+checkLen || !strings.HasPrefix(key, prefix) || key[idEnd] != '_' {
		return Key{}, false
	}
	body := key[:len(key)-checkLen]
	for _, c := range body[len(prefix):idEnd] + body[idEnd+1:] {
		if !strings.ContainsRune(base62, c) {
			return Key{}, false
		}
	}
	if key[len(body):] != check(body) {
		return Key{}, false
	}
	hash := sha256.Sum256([]byte(key))
	return Key{ID: key[len(prefix):idEnd], SecretHash: hash[:]}, true
}

// Opens reports whether the key presented is k and holds at now.
func (k Key) Opens(presented Key, now time.Time) bool {
	return subtle.ConstantTimeCompare(k.SecretHash, presented.SecretHash) == 1 &&
		k.RevokedAt == nil && (k.ExpiresAt == nil || now.Before(*k.ExpiresAt))
}

// Caller returns the caller that k stands for.
func (k Key) Caller() Caller {
	return Caller{KeyID: k.ID, Name: k.Name, Role: k.Role, All: k.ClientIDs == nil, Clients: k.ClientIDs}
}

func random(n int) string {
	b := make([]byte, n)
	for i := range b {
		j, _ := rand.Int(rand.Reader, big.NewInt(int64(len(base62)))) // the reader never fails
		b[i] = base62[j.Int64()]
	}
	return string(b)
}

func check(s string) string {
	sum := crc32.ChecksumIEEE([]byte(s))
	var b [checkLen]byte
	for i := len(b) - 1; i >= 0; i-- {
		b[i] = base62[sum%62]
		sum /= 62
	}
	return string(b[:])
}
