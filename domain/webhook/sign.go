package webhook

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"strconv"
	"strings"
	"time"
)

// NewSecret returns a secret to sign with, 32 random bytes.
func NewSecret() []byte {
	b := make([]byte, 32)
	rand.Read(b)
	return b
}

// SecretText returns the form in which a receiver is given secret.
func SecretText(secret []byte) string {
	return "whsec_" + base64.StdEncoding.EncodeToString(secret)
}

// Sign returns the header webhook-signature of a message by Standard Webhooks:
// for each secret "v1," and the HMAC-SHA256 of "id.timestamp.body" in base 64.
// at is given in whole seconds since 1970.
func Sign(id string, at time.Time, body []byte, secrets [][]byte) string {
	signatures := make([]string, len(secrets))
	for i, secret := range secrets {
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(id + "." + strconv.FormatInt(at.Unix(), 10) + "."))
		mac.Write(body)
		signatures[i] = "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	return strings.Join(signatures, " ")
}
