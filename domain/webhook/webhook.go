// Package webhook says where changes are sent to, how such messages are signed
// and when sending is tried again.
package webhook

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
)

// Webhook is an address that changes are sent to.
type Webhook struct {
	ID             uuid.UUID
	Version        int
	CreatedAt      time.Time
	RecordedAt     time.Time
	KeyID          string      // public part of the key that made or last changed it
	ClientIDs      []uuid.UUID // whose changes are sent, as the key that made it saw them; nil: every client's
	Name           string
	URL            string   // https
	Types          []string // of changes: "survey.created", "survey.*"; empty: all
	Enabled        bool
	DisabledReason string // empty while enabled
}

// Validate reports every member that makes w unfit to store.
func (w Webhook) Validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(w.Name) != "" && len(w.Name) <= 200, "name", "required", "must have from 1 to 200 bytes")
	u, err := url.Parse(w.URL)
	bad.Check(err == nil && u.Scheme == "https" && u.Hostname() != "" && portable(u.Port()) && u.User == nil && u.Fragment == "" && len(w.URL) <= 2000,
		"url", "type", "must be an https address of at most 2000 bytes without user and fragment")
	bad.Check(len(w.Types) <= 100, "types", "too_long", "must name at most 100 types")
	for i, t := range w.Types[:min(len(w.Types), 100)] {
		bad.Check(access.ChangeType(t), fmt.Sprintf("types/%d", i), "not_allowed", `must be a type of change such as "survey.created" or "survey.*", of `+strings.Join(access.ChangeKinds(), ", "))
	}
	return bad.Err("webhook")
}

// portable reports whether port, empty for the usual one, can be connected to.
func portable(port string) bool {
	n, err := strconv.ParseUint(port, 10, 16)
	return port == "" || err == nil && n > 0
}

// State says how far a delivery is.
type State string

// The states.
const (
	Pending   State = "pending"   // being sent, or waiting to be sent again
	Delivered State = "delivered" // the receiver answered 2xx
	Failed    State = "failed"    // given up; it can be sent again on request
)

// Delivery is one change on its way to one webhook.
type Delivery struct {
	ID            uuid.UUID // the message's id, the same at every attempt
	WebhookID     uuid.UUID
	CreatedAt     time.Time
	Round         int // counts how often sending began afresh
	State         State
	Attempts      int        // of this round
	AttemptedAt   *time.Time // last, in any round
	NextAttemptAt *time.Time // nil unless pending
	Status        *int       // of the last answer; nil: there was none
	Error         string     // of the last attempt; empty: it worked
	Entry         access.Entry
}

// Message is what one attempt sends.
type Message struct {
	Delivery uuid.UUID
	Round    int
	Attempt  int // counts from 1
	Webhook  uuid.UUID
	URL      string
	Secrets  [][]byte // to sign with, the one that stays first
	Entry    access.Entry
}

// Outcome is what came of an attempt.
type Outcome struct {
	Status int    // of the answer, 0: there was none
	Error  string // for the webhook's owner; empty: it worked
	Gone   bool   // the receiver wants no more
}

// waits are the times between attempts. Source: schedule suggested by Standard
// Webhooks (MEMORY), from seconds to a day.
var waits = []time.Duration{
	5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour,
	10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour,
}

// Wait returns how long to wait after attempt, which failed; again is false after the last.
func Wait(attempt int) (wait time.Duration, again bool) {
	if attempt < 1 || attempt > len(waits) {
		return 0, false
	}
	return waits[attempt-1], true
}
