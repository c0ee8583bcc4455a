package api

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

type keyRecordStore interface {
	CreateKey(ctx context.Context, k access.Key) (access.Key, error)
	KeyByRecord(ctx context.Context, id uuid.UUID) (access.Key, error)
	Keys(ctx context.Context, p request.Page) ([]access.Key, error)
	UpdateKey(ctx context.Context, k access.Key, verb string) (access.Key, error)
	RotateKey(ctx context.Context, k, fresh access.Key) (access.Key, error)
}

// NewKey is a key as asked for.
type NewKey struct {
	Name      string       `json:"name" example:"Van 3, phone"`                              // Who or what holds it
	Role      string       `json:"role" enums:"admin,qa,consultant,field,job_system,client"` // What it may be used for
	ClientIDs *[]uuid.UUID `json:"client_ids,omitempty" extensions:"x-nullable"`             // Clients whose records it sees; null or absent: all
	ExpiresAt *time.Time   `json:"expires_at,omitempty" extensions:"x-nullable"`             // Null or absent: never
}

// Key is an API credential.
type Key struct {
	Stamp
	PublicPart string      `json:"public_part"` // What the key shows of itself in the log
	Name       string      `json:"name"`
	Role       string      `json:"role"`                               // What it may be used for
	ClientIDs  []uuid.UUID `json:"client_ids" extensions:"x-nullable"` // Clients whose records it sees; null: all
	ExpiresAt  *time.Time  `json:"expires_at"`
	RevokedAt  *time.Time  `json:"revoked_at"`
	LastUsedAt *time.Time  `json:"last_used_at"`     // To the minute
	Secret     string      `json:"secret,omitempty"` // The whole key, shown this once
}

func (k Key) path() string { return "/v1/keys/" + k.ID.String() }

func (in NewKey) validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(in.Name) != "" && len(in.Name) <= 200, "name", "required", "must have from 1 to 200 bytes")
	bad.Check(slices.Contains(access.Roles, in.Role), "role", "not_allowed", "must be one of "+strings.Join(access.Roles, ", "))
	bad.Check(in.ClientIDs == nil || len(*in.ClientIDs) > 0, "client_ids", "required", "must name a client, or be null for all")
	bad.Check(in.Role != "client" || in.ClientIDs != nil, "client_ids", "required", "must name the client of a client's own key")
	return bad.Err("key")
}

func keyOf(k access.Key) Key {
	return Key{
		Stamp: Stamp{k.RecordID, k.Version, k.CreatedAt, k.RecordedAt}, PublicPart: k.ID, Name: k.Name, Role: k.Role,
		ClientIDs: k.ClientIDs, ExpiresAt: k.ExpiresAt, RevokedAt: k.RevokedAt, LastUsedAt: k.LastUsedAt,
	}
}

type keyHandlers struct{ *server }

func (h keyHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/keys", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/keys", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/keys/:id", respond(h.server, http.StatusOK, h.get))
	v1.DELETE("/keys/:id", respond(h.server, http.StatusOK, h.revoke))
	v1.POST("/keys/:id/rotation", respond(h.server, http.StatusCreated, h.rotate))
	v1.GET("/me", respond(h.server, http.StatusOK, h.me))
}

// list lists the keys.
//
//	@Summary	List keys, without their secrets
//	@Tags		keys
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Key]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/keys [get]
func (h keyHandlers) list(c *gin.Context) (List[Key], error) {
	return listAll(h.server, c, h.store.Keys, func(k access.Key) uuid.UUID { return k.RecordID }, keyOf)
}

// create makes a key and shows it, this once.
//
//	@Summary		Make a key
//	@Description	The answer shows the whole key, this once: only its digest is kept. A repeated request with the same Idempotency-Key shows it again.
//	@Tags			keys
//	@Accept			json
//	@Param			key		body		NewKey	true	"Key to make"
//	@Success		201		{object}	Key
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/keys [post]
func (h keyHandlers) create(c *gin.Context) (Key, error) {
	var in NewKey
	if err := decode(c, &in, func() error { return in.validate() }); err != nil {
		return Key{}, err
	}
	k := access.Key{Name: in.Name, Role: in.Role, ExpiresAt: utcOrNil(in.ExpiresAt)}
	if k.ExpiresAt != nil && !k.ExpiresAt.After(h.now()) {
		var bad fault.Fields
		bad.Add("expires_at", "out_of_range", "must lie in the future: the key would open nothing")
		return Key{}, bad.Err("key")
	}
	if in.ClientIDs != nil {
		k.ClientIDs = *in.ClientIDs
	}
	return withSecret(k, func(k access.Key) (access.Key, error) { return h.store.CreateKey(c.Request.Context(), k) })
}

// withSecret stores a new key with the properties of k and shows it.
func withSecret(k access.Key, store func(access.Key) (access.Key, error)) (Key, error) {
	secret := access.NewKey()
	fresh, _ := access.KeyOf(secret) // NewKey makes keys
	k.ID, k.SecretHash = fresh.ID, fresh.SecretHash
	k, err := store(k)
	out := keyOf(k)
	out.Secret = secret
	return out, err
}

// get returns a key.
//
//	@Summary	Read a key, without its secret
//	@Tags		keys
//	@Param		id		path		string	true	"Key"	format(uuid)
//	@Success	200		{object}	Key
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/keys/{id} [get]
func (h keyHandlers) get(c *gin.Context) (Key, error) {
	return readOne(c, h.store.KeyByRecord, keyOf)
}

// revoke ends a key. It may open for half a minute more.
//
//	@Summary	Revoke a key
//	@Tags		keys
//	@Param		id		path		string	true	"Key"	format(uuid)
//	@Success	200		{object}	Key
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/keys/{id} [delete]
func (h keyHandlers) revoke(c *gin.Context) (Key, error) {
	k, err := h.expected(c)
	if err != nil {
		return Key{}, err
	}
	if k.RevokedAt == nil {
		now := utc(h.now())
		k.RevokedAt = &now
		k, err = unlessStale(c, k.RecordID, h.store.KeyByRecord)(h.store.UpdateKey(c.Request.Context(), k, "revoked"))
		h.keys.forget(k.ID)
	}
	return keyOf(k), err
}

// expected returns the key in the path, at the version that If-Match names.
func (h keyHandlers) expected(c *gin.Context) (access.Key, error) {
	id, err := pathID(c)
	if err != nil {
		return access.Key{}, err
	}
	k, err := h.store.KeyByRecord(c.Request.Context(), id)
	if err != nil {
		return k, err
	}
	return k, expectVersion(c, k.Version)
}

// Rotation says how long what is replaced holds beside its successor.
type Rotation struct {
	OverlapS float64 `json:"overlap_s" example:"86400"` // At most 30 days
}

func (in *Rotation) validator() func() error {
	return func() error {
		var bad fault.Fields
		bad.Check(in.OverlapS >= 0 && in.OverlapS <= 30*86400, "overlap_s", "out_of_range", "must lie between 0 and 2592000")
		return bad.Err("rotation")
	}
}

// rotate makes the successor of a key, which itself ends after an overlap.
//
//	@Summary	Replace a key by a new one; both open during the overlap
//	@Tags		keys
//	@Accept		json
//	@Param		id			path		string		true	"Key"	format(uuid)
//	@Param		If-Match	header		string		true	"Entity tag of the key"
//	@Param		rotation	body		Rotation	true	"Overlap"
//	@Success	201			{object}	Key
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/keys/{id}/rotation [post]
func (h keyHandlers) rotate(c *gin.Context) (Key, error) {
	k, err := h.expected(c)
	if err != nil {
		return Key{}, err
	}
	var in Rotation
	if err := decode(c, &in, in.validator()); err != nil {
		return Key{}, err
	}
	fresh := access.Key{Name: k.Name, Role: k.Role, ClientIDs: k.ClientIDs, ExpiresAt: k.ExpiresAt}
	end := utc(h.now()).Add(time.Duration(in.OverlapS * float64(time.Second)))
	if k.ExpiresAt == nil || end.Before(*k.ExpiresAt) {
		k.ExpiresAt = &end
	}
	out, err := withSecret(fresh, func(fresh access.Key) (access.Key, error) {
		return unlessStale(c, k.RecordID, h.store.KeyByRecord)(h.store.RotateKey(c.Request.Context(), k, fresh))
	})
	h.keys.forget(k.ID)
	return out, err
}

// Me is what the key of the request may do.
type Me struct {
	KeyID     string      `json:"key_id"` // Public part of the key
	Name      string      `json:"name"`
	Role      string      `json:"role"`                               // What it may be used for
	ClientIDs []uuid.UUID `json:"client_ids" extensions:"x-nullable"` // Clients whose records it sees; null: all
	Routes    []string    `json:"routes"`                             // What it may ask for
}

// me says what the key of the request may do.
//
//	@Summary	What this key may do
//	@Tags		keys
//	@Success	200		{object}	Me
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/me [get]
func (h keyHandlers) me(c *gin.Context) (Me, error) {
	by := access.From(c.Request.Context())
	m := Me{KeyID: by.KeyID, Name: by.Name, Role: by.Role, Routes: []string{}}
	if !by.All {
		m.ClientIDs = by.Clients
	}
	for route := range grants {
		if may(by, route) {
			m.Routes = append(m.Routes, route)
		}
	}
	slices.Sort(m.Routes)
	return m, nil
}
