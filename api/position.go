package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type positionStore interface {
	CreatePosition(ctx context.Context, p survey.Position) (survey.Position, error)
	Position(ctx context.Context, id uuid.UUID) (survey.Position, error)
	FirstPosition(ctx context.Context, id uuid.UUID) (survey.Position, error)
	Positions(ctx context.Context, projectID uuid.UUID, p request.Page) ([]survey.Position, error)
	UpdatePosition(ctx context.Context, p survey.Position) (survey.Position, error)
}

// NewPosition is a position as sent to its project.
type NewPosition struct {
	Number       int      `json:"number" minimum:"1" example:"1"`                                                             // Number of the position, unique in the project
	Label        string   `json:"label" example:"Garden, north side"`                                                         // Where the microphone stands
	LatitudeDeg  *float64 `json:"latitude_deg,omitempty"`                                                                     // WGS 84
	LongitudeDeg *float64 `json:"longitude_deg,omitempty"`                                                                    // WGS 84
	HeightM      *float64 `json:"height_m,omitempty"`                                                                         // Microphone above the ground
	Setting      string   `json:"setting,omitempty" enums:"free_field,near_facade,facade_flush,indoors" default:"free_field"` // Microphone and buildings (ISO 1996-2)

	PrimaryInstrumentID *uuid.UUID `json:"primary_instrument_id,omitempty" extensions:"x-nullable"` // Meter that counts where several measured at the same time; without one no figure is given of such a time
}

// PutPosition is a position as sent under an id that the sender made.
type PutPosition struct {
	ProjectID uuid.UUID `json:"project_id"` // Project of the position
	NewPosition
}

// Position is a measurement position of a project.
type Position struct {
	Stamp
	ProjectID uuid.UUID `json:"project_id"` // Project of the position
	NewPosition
	Expanded *Expanded `json:"expanded,omitempty"` // Records that it refers to, as asked for
}

func (p Position) path() string { return "/v1/positions/" + p.ID.String() }

func (p *Position) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"project": p.ProjectID}, &p.Expanded
}

func newPositionOf(p survey.Position) NewPosition {
	return NewPosition{
		Number: p.Number, Label: p.Label, LatitudeDeg: p.LatitudeDeg, LongitudeDeg: p.LongitudeDeg, HeightM: p.HeightM, Setting: p.Setting,
		PrimaryInstrumentID: orNil(p.PrimaryInstrumentID),
	}
}

// position returns p with the members of in.
func (in NewPosition) position(p survey.Position) survey.Position {
	p.Number, p.Label, p.LatitudeDeg, p.LongitudeDeg, p.HeightM = in.Number, in.Label, in.LatitudeDeg, in.LongitudeDeg, in.HeightM
	p.PrimaryInstrumentID = orZero(in.PrimaryInstrumentID)
	if p.Setting = in.Setting; p.Setting == "" {
		p.Setting = "free_field"
	}
	return p
}

func positionOf(p survey.Position) Position {
	return Position{Stamp{p.ID, p.Version, p.CreatedAt, p.RecordedAt}, p.ProjectID, newPositionOf(p), nil}
}

type positionHandlers struct{ *server }

func (h positionHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/projects/:id/positions", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "expand"))
	v1.POST("/projects/:id/positions", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/positions/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PUT("/positions/:id", respond(h.server, http.StatusCreated, h.put))
	v1.PATCH("/positions/:id", respond(h.server, http.StatusOK, h.update))
}

// list lists the positions of a project.
//
//	@Summary	List the positions of a project
//	@Tags		positions
//	@Param		id		path		string		true	"Project"			format(uuid)
//	@Param		limit	query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string		false	"Next page, from the answer before"
//	@Param		expand	query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(project)
//	@Success	200		{object}	List[Position]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects/{id}/positions [get]
func (h positionHandlers) list(c *gin.Context) (List[Position], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Position]{}, err
	}
	p, err := h.pageOf(c)
	if err != nil {
		return List[Position]{}, err
	}
	if _, err := h.store.Project(c.Request.Context(), id); err != nil {
		return List[Position]{}, err
	}
	recs, err := h.store.Positions(c.Request.Context(), id, p)
	if err != nil {
		return List[Position]{}, err
	}
	return expandList(h.server, c, listOf(h.server, c, p, recs, func(r survey.Position) uuid.UUID { return r.ID }, positionOf))
}

// create stores a new position.
//
//	@Summary	Create a position
//	@Tags		positions
//	@Accept		json
//	@Param		id			path		string		true	"Project"	format(uuid)
//	@Param		position	body		NewPosition	true	"Position to store"
//	@Success	201			{object}	Position
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/projects/{id}/positions [post]
func (h positionHandlers) create(c *gin.Context) (Position, error) {
	id, err := pathID(c)
	if err != nil {
		return Position{}, err
	}
	var in NewPosition
	blank := survey.Position{ProjectID: id}
	if err := decode(c, &in, func() error { return in.position(blank).Validate() }); err != nil {
		return Position{}, err
	}
	rec, err := h.store.CreatePosition(c.Request.Context(), in.position(blank))
	return positionOf(rec), err
}

// put stores a new position under an id that the sender made.
//
//	@Summary	Create a position under an id of one's own
//	@Tags		positions
//	@Accept		json
//	@Param		id			path		string		true	"Position"	format(uuid)
//	@Param		position	body		PutPosition	true	"Position to store"
//	@Success	201			{object}	Position
//	@Success	200			{object}	Position
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/positions/{id} [put]
func (h positionHandlers) put(c *gin.Context) (Position, error) {
	var in PutPosition
	id, err := decodeNew(c, &in, func() error { return in.position(survey.Position{ProjectID: in.ProjectID}).Validate() })
	if err != nil {
		return Position{}, err
	}
	rec, err := createAs(c, in.position(survey.Position{ID: id, ProjectID: in.ProjectID}),
		refers("project_id", h.store.CreatePosition), h.store.Position, h.store.FirstPosition,
		func(p survey.Position) any { return PutPosition{p.ProjectID, newPositionOf(p)} })
	return positionOf(rec), err
}

// get returns a position.
//
//	@Summary	Read a position
//	@Tags		positions
//	@Param		id		path		string		true	"Position"											format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(project)
//	@Success	200		{object}	Position
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/positions/{id} [get]
func (h positionHandlers) get(c *gin.Context) (Position, error) {
	body, err := readOne(c, h.store.Position, positionOf)
	return expandOne(h.server, c, body, err)
}

// update changes a position.
//
//	@Summary	Change a position
//	@Tags		positions
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Position"	format(uuid)
//	@Param		patch	body		NewPosition	true	"Members to change"
//	@Success	200		{object}	Position
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/positions/{id} [patch]
func (h positionHandlers) update(c *gin.Context) (Position, error) {
	rec, err := change(c, h.store.Position, h.store.UpdatePosition, newPositionOf, NewPosition.position)
	return positionOf(rec), err
}
