package api

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
)

type journalStore interface {
	Seal(ctx context.Context) (int, error)
	Entries(ctx context.Context, after int64, limit int, withKeys bool) ([]access.Entry, error)
	VerifyJournal(ctx context.Context) (access.Verification, error)
	Head(ctx context.Context) (access.Head, error)
}

// Record names a record.
type Record struct {
	Type string    `json:"type"` // Kind of record: client, project, survey and others
	ID   uuid.UUID `json:"id"`
}

// Change says that a record has changed.
type Change struct {
	Seq      int64      `json:"seq"` // Place in the sequence of all changes; ask for what follows it
	At       time.Time  `json:"at"`
	Type     string     `json:"type" example:"survey.created"` // What happened; further types may appear
	Record   Record     `json:"record"`
	ClientID *uuid.UUID `json:"client_id"` // Client of the record; null: of none
	Version  int        `json:"version"`
}

// Changes are changes in their order.
type Changes struct {
	Items []Change `json:"items"`
	After int64    `json:"after"` // Ask for what follows this next time
}

// AuditEntry says who did what to which version of which record, when and why.
type AuditEntry struct {
	Change
	KeyID     string          `json:"key_id"`                                // Public part of the key; empty for the service itself
	Actor     string          `json:"actor"`                                 // Name of the key
	RequestID string          `json:"request_id"`                            // Of the request, as the log has it
	Reason    string          `json:"reason"`                                // As given
	Detail    json.RawMessage `json:"detail,omitempty" swaggertype:"object"` // Of what has no version of its own
	SHA256    string          `json:"sha256"`                                // Of the chain of entries up to here
}

// AuditEntries are entries of the journal in their order.
type AuditEntries struct {
	Items []AuditEntry `json:"items"`
	After int64        `json:"after"` // Ask for what follows this next time
}

// AuditVerification says whether the journal is what was sealed.
type AuditVerification struct {
	OK      bool   `json:"ok"`      // Every entry is what was sealed
	Entries int64  `json:"entries"` // How many were found good
	Open    int64  `json:"open"`    // How many await their seal
	Head    string `json:"head"`    // SHA-256 of the chain up to the last good entry
	BadSeq  *int64 `json:"bad_seq"` // The first entry that is not what was sealed; null if all are
	Why     string `json:"why"`     // What is wrong there; empty if nothing is
}

func changeOf(e access.Entry) Change {
	c := Change{Seq: e.Seq, At: e.At, Type: e.Type, Record: Record{e.RecordType, e.RecordID}, Version: e.Version}
	if e.ClientID != uuid.Nil {
		c.ClientID = &e.ClientID
	}
	return c
}

// ChangeBody returns the Change that e is, as JSON: what a webhook is sent.
func ChangeBody(e access.Entry) ([]byte, error) { return json.Marshal(changeOf(e)) }

type journalHandlers struct{ *server }

func (h journalHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/changes", respond(h.server, http.StatusOK, h.changes, "after", "limit"))
	v1.GET("/audit", respond(h.server, http.StatusOK, h.audit, "after", "limit"))
	v1.GET("/audit/verification", respond(h.server, http.StatusOK, h.verification))
}

// entries reads after and limit and returns the entries that they ask for.
func (h journalHandlers) entries(c *gin.Context) (es []access.Entry, after int64, err error) {
	if text, ok := c.GetQuery("after"); ok {
		if after, err = strconv.ParseInt(text, 10, 64); err != nil || after < 0 {
			return nil, 0, badParameter("after", "out_of_range", "must be a whole number from 0")
		}
	}
	limit := maxLimit
	if text, ok := c.GetQuery("limit"); ok {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > 1000 {
			return nil, 0, badParameter("limit", "out_of_range", "must be a whole number from 1 to 1000")
		}
	}
	if _, err := h.store.Seal(c.Request.Context()); err != nil {
		return nil, 0, err
	}
	by := access.From(c.Request.Context())
	es, err = h.store.Entries(c.Request.Context(), after, limit, by.Role == "admin" && by.All)
	if len(es) > 0 {
		after = es[len(es)-1].Seq
	} else if head, err := h.store.Head(c.Request.Context()); err != nil {
		return nil, 0, err
	} else if after > head.Seq {
		return nil, 0, badParameter("after", "out_of_range", "lies beyond the last change, which has the number "+strconv.FormatInt(head.Seq, 10))
	}
	return es, after, err
}

// changes lists what has changed.
//
//	@Summary		What has changed
//	@Description	One sequence that misses nothing: a change gets its number once it is committed, greater than all before, so that repeating with after of the answer finds each change once. Versions of a record come in their order. A type names a kind of record and what happened to it: created or changed; also removed of exclusion, layout, limit and sound_event, calendar_feed.deleted, certificate.confirmed, sign_off_review.opened and sign_off_review.closed, survey.signed_off, and survey.certificate_withdrawn where a certificate was withdrawn on which it stood. An after beyond the last change is refused: it is of another sequence, such as that of a database since restored.
//	@Tags			changes
//	@Param			after	query		int	false	"What follows this change"	format(int64)	minimum(0)	default(0)
//	@Param			limit	query		int	false	"Changes an answer"			minimum(1)		maximum(1000)	default(200)
//	@Success		200		{object}	Changes
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/changes [get]
func (h journalHandlers) changes(c *gin.Context) (Changes, error) {
	es, after, err := h.entries(c)
	out := Changes{Items: make([]Change, len(es)), After: after}
	for i, e := range es {
		out.Items[i] = changeOf(e)
	}
	return out, err
}

// audit lists the journal.
//
//	@Summary		Who did what, when and why
//	@Description	The sequence of /v1/changes with who made each change. Entries of keys and webhooks are for admins of all clients only; to other keys their numbers are missing. sha256 covers the entry, the version of the record that it is about, and the sha256 before: a head noted down proves later that nothing up to it was altered.
//	@Tags			audit
//	@Param			after	query		int	false	"What follows this entry"	format(int64)	minimum(0)	default(0)
//	@Param			limit	query		int	false	"Entries an answer"			minimum(1)		maximum(1000)	default(200)
//	@Success		200		{object}	AuditEntries
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/audit [get]
func (h journalHandlers) audit(c *gin.Context) (AuditEntries, error) {
	es, after, err := h.entries(c)
	out := AuditEntries{Items: make([]AuditEntry, len(es)), After: after}
	for i, e := range es {
		out.Items[i] = AuditEntry{
			Change: changeOf(e), KeyID: e.KeyID, Actor: e.Actor, RequestID: e.RequestID, Reason: e.Reason, Detail: e.Detail,
			SHA256: hex.EncodeToString(e.SHA256),
		}
	}
	return out, err
}

// verification checks the journal against its seals.
//
//	@Summary		Check the journal against its seals
//	@Description	Computes every sha256 anew, from the entries and versions as they are stored. What a sign-off has under audit is the head at its time: the entry of that seq must still have that sha256.
//	@Tags			audit
//	@Success		200		{object}	AuditVerification
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/audit/verification [get]
func (h journalHandlers) verification(c *gin.Context) (AuditVerification, error) {
	if _, err := h.store.Seal(c.Request.Context()); err != nil {
		return AuditVerification{}, err
	}
	v, err := h.store.VerifyJournal(c.Request.Context())
	out := AuditVerification{OK: v.BadSeq == 0, Entries: v.Entries, Open: v.Open, Head: hex.EncodeToString(v.Head), Why: v.Why}
	if v.BadSeq != 0 {
		out.BadSeq = &v.BadSeq
	}
	return out, err
}
