package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/webhook"
)

type webhookStore interface {
	CreateWebhook(ctx context.Context, w webhook.Webhook, secret []byte) (webhook.Webhook, error)
	Webhook(ctx context.Context, id uuid.UUID) (webhook.Webhook, error)
	Webhooks(ctx context.Context, p request.Page) ([]webhook.Webhook, error)
	UpdateWebhook(ctx context.Context, w webhook.Webhook) (webhook.Webhook, error)
	DeleteWebhook(ctx context.Context, w webhook.Webhook) error
	RotateWebhookSecret(ctx context.Context, w webhook.Webhook, secret []byte, overlap time.Duration) (webhook.Webhook, error)
	Deliveries(ctx context.Context, w uuid.UUID, state webhook.State, p request.Page) ([]webhook.Delivery, error)
	Redeliver(ctx context.Context, w, id uuid.UUID) (webhook.Delivery, error)
}

// NewWebhook is a webhook as sent.
type NewWebhook struct {
	Name    string   `json:"name" example:"Job system"`                // What receives
	URL     string   `json:"url" example:"https://jobs.example/hook"`  // Where changes are posted to, https; it must have a public address
	Types   []string `json:"types,omitempty" example:"survey.created"` // Types of changes to send, "survey.*" for all of a kind; none or absent: all
	Enabled *bool    `json:"enabled,omitempty"`                        // Whether changes are sent; absent: they are
}

// Webhook is an address that changes are posted to as they happen.
type Webhook struct {
	Stamp
	Name           string      `json:"name"`
	URL            string      `json:"url"`                                // Where changes are posted to
	Types          []string    `json:"types"`                              // Types of changes sent; none: all
	ClientIDs      []uuid.UUID `json:"client_ids" extensions:"x-nullable"` // Clients whose changes are sent, those of the key that made it; null: all
	Enabled        bool        `json:"enabled"`                            // Whether changes are sent
	DisabledReason string      `json:"disabled_reason"`                    // Why not; empty while they are
	Secret         string      `json:"secret,omitempty"`                   // What messages are signed with, shown this once
}

func (w Webhook) path() string { return "/v1/webhooks/" + w.ID.String() }

func newWebhookOf(w webhook.Webhook) NewWebhook {
	return NewWebhook{Name: w.Name, URL: w.URL, Types: w.Types, Enabled: &w.Enabled}
}

// webhook returns w with the members of in.
func (in NewWebhook) webhook(w webhook.Webhook) webhook.Webhook {
	w.Name, w.URL, w.Types = in.Name, in.URL, in.Types
	switch on := in.Enabled == nil || *in.Enabled; {
	case on:
		w.DisabledReason = ""
	case w.Enabled || w.Version == 0:
		w.DisabledReason = "as asked"
	}
	w.Enabled = in.Enabled == nil || *in.Enabled
	return w
}

func webhookOf(w webhook.Webhook) Webhook {
	return Webhook{
		Stamp: Stamp{w.ID, w.Version, w.CreatedAt, w.RecordedAt}, Name: w.Name, URL: w.URL, Types: append([]string{}, w.Types...),
		ClientIDs: w.ClientIDs, Enabled: w.Enabled, DisabledReason: w.DisabledReason,
	}
}

type webhookHandlers struct{ *server }

func (h webhookHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/webhooks", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/webhooks", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/webhooks/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/webhooks/:id", respond(h.server, http.StatusOK, h.update))
	v1.DELETE("/webhooks/:id", respond(h.server, http.StatusNoContent, h.delete))
	v1.POST("/webhooks/:id/rotation", respond(h.server, http.StatusCreated, h.rotate))
	v1.GET("/webhooks/:id/deliveries", respond(h.server, http.StatusOK, h.deliveries, "state", "limit", "cursor"))
	v1.POST("/webhooks/:id/deliveries/:delivery/redelivery", respond(h.server, http.StatusAccepted, h.redeliver))
}

// list lists the webhooks.
//
//	@Summary	List webhooks, without their secrets
//	@Tags		webhooks
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Webhook]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/webhooks [get]
func (h webhookHandlers) list(c *gin.Context) (List[Webhook], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Webhook]{}, err
	}
	ws, err := h.store.Webhooks(c.Request.Context(), p)
	if err != nil {
		return List[Webhook]{}, err
	}
	return listOf(h.server, c, p, ws, func(w webhook.Webhook) uuid.UUID { return w.ID }, webhookOf), nil
}

// create makes a webhook and shows its secret, this once.
//
//	@Summary		Have changes posted to an address
//	@Description	Each change that this key's clients see from now on is posted as a Change, signed by Standard Webhooks: webhook-id, webhook-timestamp, webhook-signature (v1, HMAC-SHA256 with the secret that the answer shows, this once). Changes of keys and webhooks are not. Order is not kept: seq tells it. A message may come twice, with the same webhook-id. Any 2xx within 10 s takes it; else it is sent again after 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h and 24 h. 410 disables the webhook; so does giving a message up when none was taken since it was due, and revoking the key that made or last changed it.
//	@Tags			webhooks
//	@Accept			json
//	@Param			webhook	body		NewWebhook	true	"Where to"
//	@Success		201		{object}	Webhook
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/webhooks [post]
func (h webhookHandlers) create(c *gin.Context) (Webhook, error) {
	var in NewWebhook
	if err := decode(c, &in, func() error { return in.webhook(webhook.Webhook{}).Validate() }); err != nil {
		return Webhook{}, err
	}
	if _, err := h.store.Seal(c.Request.Context()); err != nil { // what was before is not for it
		return Webhook{}, err
	}
	secret := webhook.NewSecret()
	w, err := h.store.CreateWebhook(c.Request.Context(), in.webhook(webhook.Webhook{}), secret)
	out := webhookOf(w)
	out.Secret = webhook.SecretText(secret)
	return out, err
}

// get returns a webhook.
//
//	@Summary	Read a webhook, without its secret
//	@Tags		webhooks
//	@Param		id		path		string	true	"Webhook"	format(uuid)
//	@Success	200		{object}	Webhook
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/webhooks/{id} [get]
func (h webhookHandlers) get(c *gin.Context) (Webhook, error) {
	return readOne(c, h.store.Webhook, webhookOf)
}

// update changes a webhook.
//
//	@Summary		Change a webhook
//	@Description	Its clients stay. Disabling it gives up what was still to be sent.
//	@Tags			webhooks
//	@Accept			application/merge-patch+json
//	@Param			id		path		string		true	"Webhook"	format(uuid)
//	@Param			patch	body		NewWebhook	true	"Members to change"
//	@Success		200		{object}	Webhook
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/webhooks/{id} [patch]
func (h webhookHandlers) update(c *gin.Context) (Webhook, error) {
	w, err := change(c, h.store.Webhook, h.store.UpdateWebhook, newWebhookOf, NewWebhook.webhook)
	return webhookOf(w), err
}

// expected returns the webhook in the path, at the version that If-Match names.
func (h webhookHandlers) expected(c *gin.Context) (webhook.Webhook, error) {
	id, err := pathID(c)
	if err != nil {
		return webhook.Webhook{}, err
	}
	w, err := h.store.Webhook(c.Request.Context(), id)
	if err != nil {
		return w, err
	}
	return w, expectVersion(c, w.Version)
}

// delete deletes a webhook.
//
//	@Summary	Delete a webhook with its deliveries
//	@Tags		webhooks
//	@Param		id	path	string	true	"Webhook"	format(uuid)
//	@Success	204	"Deleted"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/webhooks/{id} [delete]
func (h webhookHandlers) delete(c *gin.Context) (struct{}, error) {
	w, err := h.expected(c)
	if err != nil {
		return struct{}{}, err
	}
	_, err = unlessStale(c, w.ID, h.store.Webhook)(w, h.store.DeleteWebhook(c.Request.Context(), w))
	return struct{}{}, err
}

// rotate gives a webhook a new secret and shows it, this once.
//
//	@Summary		Replace the secret of a webhook; both sign during the overlap
//	@Description	Each message has a signature with either secret, at most two: a rotation within the overlap ends the oldest secret at once.
//	@Tags			webhooks
//	@Accept			json
//	@Param			id			path		string		true	"Webhook"	format(uuid)
//	@Param			If-Match	header		string		true	"Entity tag of the webhook"
//	@Param			rotation	body		Rotation	true	"Overlap"
//	@Success		201			{object}	Webhook
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/webhooks/{id}/rotation [post]
func (h webhookHandlers) rotate(c *gin.Context) (Webhook, error) {
	w, err := h.expected(c)
	if err != nil {
		return Webhook{}, err
	}
	var in Rotation
	if err := decode(c, &in, in.validator()); err != nil {
		return Webhook{}, err
	}
	secret := webhook.NewSecret()
	overlap := time.Duration(in.OverlapS * float64(time.Second))
	w, err = unlessStale(c, w.ID, h.store.Webhook)(h.store.RotateWebhookSecret(c.Request.Context(), w, secret, overlap))
	out := webhookOf(w)
	out.Secret = webhook.SecretText(secret)
	return out, err
}

// Delivery is one change on its way to one webhook.
type Delivery struct {
	ID            uuid.UUID  `json:"id"` // The webhook-id of its messages
	CreatedAt     time.Time  `json:"created_at"`
	Change        Change     `json:"change"`                                 // What is sent
	State         string     `json:"state" enums:"pending,delivered,failed"` // How far it is; failed: given up
	Attempts      int        `json:"attempts"`                               // Since sending began, or began afresh
	AttemptedAt   *time.Time `json:"attempted_at"`
	NextAttemptAt *time.Time `json:"next_attempt_at"` // Null unless pending
	Status        *int       `json:"status"`          // HTTP status of the last answer; null: there was none
	Error         string     `json:"error"`           // Of the last attempt; empty: it worked
}

func deliveryOf(d webhook.Delivery) Delivery {
	return Delivery{
		ID: d.ID, CreatedAt: d.CreatedAt, Change: changeOf(d.Entry), State: string(d.State), Attempts: d.Attempts,
		AttemptedAt: d.AttemptedAt, NextAttemptAt: d.NextAttemptAt, Status: d.Status, Error: d.Error,
	}
}

// deliveries lists the deliveries of a webhook.
//
//	@Summary		List a webhook's deliveries, oldest first
//	@Description	Those that ended are listed for 30 days.
//	@Tags			webhooks
//	@Param			id		path		string	true	"Webhook"					format(uuid)
//	@Param			state	query		string	false	"Only those in this state"	Enums(pending, delivered, failed)
//	@Param			limit	query		int		false	"Records a page"			minimum(1)	maximum(200)	default(50)
//	@Param			cursor	query		string	false	"Next page, from the answer before"
//	@Success		200		{object}	List[Delivery]
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/webhooks/{id}/deliveries [get]
func (h webhookHandlers) deliveries(c *gin.Context) (List[Delivery], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Delivery]{}, err
	}
	p, err := h.pageOf(c)
	if err != nil {
		return List[Delivery]{}, err
	}
	state := webhook.State(c.Query("state"))
	switch state {
	case webhook.Pending, webhook.Delivered, webhook.Failed:
	default:
		if _, given := c.GetQuery("state"); given {
			return List[Delivery]{}, badParameter("state", "not_allowed", "must be one of pending, delivered, failed")
		}
	}
	if _, err := h.store.Webhook(c.Request.Context(), id); err != nil {
		return List[Delivery]{}, err
	}
	ds, err := h.store.Deliveries(c.Request.Context(), id, state, p)
	if err != nil {
		return List[Delivery]{}, err
	}
	return listOf(h.server, c, p, ds, func(d webhook.Delivery) uuid.UUID { return d.ID }, deliveryOf), nil
}

// redeliver sends a delivery again.
//
//	@Summary		Send a change again
//	@Description	Under the same webhook-id, from the first attempt on, whatever came of it before.
//	@Tags			webhooks
//	@Param			id			path		string	true	"Webhook"	format(uuid)
//	@Param			delivery	path		string	true	"Delivery"	format(uuid)
//	@Success		202			{object}	Delivery
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/webhooks/{id}/deliveries/{delivery}/redelivery [post]
func (h webhookHandlers) redeliver(c *gin.Context) (Delivery, error) {
	id, err := pathID(c)
	if err != nil {
		return Delivery{}, err
	}
	delivery, err := uuid.Parse(c.Param("delivery"))
	if err != nil || len(c.Param("delivery")) != 36 {
		return Delivery{}, &fault.Error{Kind: fault.NotFound, Message: "delivery not found"}
	}
	d, err := h.store.Redeliver(c.Request.Context(), id, delivery)
	return deliveryOf(d), err
}
