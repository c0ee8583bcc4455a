package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type clientStore interface {
	CreateClient(ctx context.Context, c survey.Client) (survey.Client, error)
	Client(ctx context.Context, id uuid.UUID) (survey.Client, error)
	Clients(ctx context.Context, p request.Page) ([]survey.Client, error)
	UpdateClient(ctx context.Context, c survey.Client) (survey.Client, error)
}

// NewClient is a client as sent.
type NewClient struct {
	Name      string  `json:"name" example:"Invented Mill Ltd"` // Name of the customer
	Reference *string `json:"reference,omitempty"`              // The consultancy's own reference for the customer
}

// Client is a customer of the consultancy.
type Client struct {
	Stamp
	NewClient
}

func (c Client) path() string { return "/v1/clients/" + c.ID.String() }

func newClientOf(c survey.Client) NewClient {
	return NewClient{Name: c.Name, Reference: c.Reference}
}

// client returns c with the members of in.
func (in NewClient) client(c survey.Client) survey.Client {
	c.Name, c.Reference = in.Name, in.Reference
	return c
}

func clientOf(c survey.Client) Client {
	return Client{Stamp{c.ID, c.Version, c.CreatedAt, c.RecordedAt}, newClientOf(c)}
}

type clientHandlers struct{ *server }

func (h clientHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/clients", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/clients", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/clients/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/clients/:id", respond(h.server, http.StatusOK, h.update))
}

// list lists the clients.
//
//	@Summary	List clients
//	@Tags		clients
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Client]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/clients [get]
func (h clientHandlers) list(c *gin.Context) (List[Client], error) {
	return listAll(h.server, c, h.store.Clients, func(r survey.Client) uuid.UUID { return r.ID }, clientOf)
}

// create stores a new client.
//
//	@Summary	Create a client
//	@Tags		clients
//	@Accept		json
//	@Param		client	body		NewClient	true	"Client to store"
//	@Success	201		{object}	Client
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/clients [post]
func (h clientHandlers) create(c *gin.Context) (Client, error) {
	var in NewClient
	if err := decode(c, &in, func() error { return in.client(survey.Client{}).Validate() }); err != nil {
		return Client{}, err
	}
	if !access.From(c.Request.Context()).All {
		return Client{}, &refusal{status: http.StatusForbidden, code: "forbidden", detail: "a key that sees some clients only may not make another"}
	}
	rec, err := h.store.CreateClient(c.Request.Context(), in.client(survey.Client{}))
	return clientOf(rec), err
}

// get returns a client.
//
//	@Summary	Read a client
//	@Tags		clients
//	@Param		id		path		string	true	"Client"	format(uuid)
//	@Success	200		{object}	Client
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/clients/{id} [get]
func (h clientHandlers) get(c *gin.Context) (Client, error) {
	return readOne(c, h.store.Client, clientOf)
}

// update changes a client.
//
//	@Summary	Change a client
//	@Tags		clients
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Client"	format(uuid)
//	@Param		patch	body		NewClient	true	"Members to change"
//	@Success	200		{object}	Client
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/clients/{id} [patch]
func (h clientHandlers) update(c *gin.Context) (Client, error) {
	rec, err := change(c, h.store.Client, h.store.UpdateClient, newClientOf, NewClient.client)
	return clientOf(rec), err
}
