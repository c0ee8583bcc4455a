package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

type componentStore interface {
	CreateComponent(ctx context.Context, c calibration.Component) (calibration.Component, error)
	Component(ctx context.Context, id uuid.UUID) (calibration.Component, error)
	ComponentsOfInstrument(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]calibration.Component, error)
	ComponentVersions(ctx context.Context, id uuid.UUID) ([]calibration.Component, error)
	UpdateComponent(ctx context.Context, c calibration.Component) (calibration.Component, error)
}

// NewComponent is a part fitted on a meter, as sent.
type NewComponent struct {
	PartID uuid.UUID  `json:"part_id"` // Microphone, preamplifier or filter set, an instrument of its own
	From   time.Time  `json:"from"`
	To     *time.Time `json:"to,omitempty" extensions:"x-nullable"` // Absent while it is fitted
}

// Component is a part fitted on a meter.
type Component struct {
	Stamp
	InstrumentID uuid.UUID  `json:"instrument_id"` // Meter on which it is fitted
	PartID       uuid.UUID  `json:"part_id"`
	From         time.Time  `json:"from"`
	To           *time.Time `json:"to"` // Null while it is fitted
}

func (m Component) path() string { return "/v1/components/" + m.ID.String() }

// component returns m with the members of in.
func (in NewComponent) component(m calibration.Component) calibration.Component {
	m.PartID, m.From, m.To = in.PartID, utc(in.From), utcOrNil(in.To)
	return m
}

func componentOf(m calibration.Component) Component {
	return Component{Stamp{m.ID, m.Version, m.CreatedAt, m.RecordedAt}, m.InstrumentID, m.PartID, m.From, m.To}
}

func newComponentOf(m calibration.Component) NewComponent {
	return NewComponent{m.PartID, m.From, m.To}
}

type componentHandlers struct{ *server }

func (h componentHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments/:id/components", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/instruments/:id/components", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/components/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/components/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/components/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the parts fitted on a meter over time.
//
//	@Summary	List the parts fitted on a meter over time
//	@Tags		instruments
//	@Param		id		path		string	true	"Meter"				format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Component]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/components [get]
func (h componentHandlers) list(c *gin.Context) (List[Component], error) {
	return listUnder(h.server, c, h.store.ComponentsOfInstrument, func(r calibration.Component) uuid.UUID { return r.ID }, componentOf)
}

// create records that a part is fitted on a meter.
//
//	@Summary	Fit a part on a meter
//	@Tags		instruments
//	@Accept		json
//	@Param		id			path		string			true	"Meter"	format(uuid)
//	@Param		component	body		NewComponent	true	"Part and when it is fitted"
//	@Success	201			{object}	Component
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/components [post]
func (h componentHandlers) create(c *gin.Context) (Component, error) {
	id, err := pathID(c)
	if err != nil {
		return Component{}, err
	}
	var in NewComponent
	made := func() calibration.Component { return in.component(calibration.Component{InstrumentID: id}) }
	if err := decode(c, &in, func() error { return made().Validate() }); err != nil {
		return Component{}, err
	}
	rec, err := h.store.CreateComponent(c.Request.Context(), made())
	return componentOf(rec), err
}

// get returns a fitted part.
//
//	@Summary	Read a fitted part
//	@Tags		instruments
//	@Param		id		path		string	true	"Fitted part"	format(uuid)
//	@Success	200		{object}	Component
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/components/{id} [get]
func (h componentHandlers) get(c *gin.Context) (Component, error) {
	return readOne(c, h.store.Component, componentOf)
}

// update changes when a part is fitted, or which.
//
//	@Summary	Change a fitted part, such as when it was taken off
//	@Tags		instruments
//	@Accept		application/merge-patch+json
//	@Param		id		path		string			true	"Fitted part"	format(uuid)
//	@Param		patch	body		NewComponent	true	"Members to change"
//	@Success	200		{object}	Component
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/components/{id} [patch]
func (h componentHandlers) update(c *gin.Context) (Component, error) {
	rec, err := change(c, h.store.Component, h.store.UpdateComponent, newComponentOf, NewComponent.component)
	return componentOf(rec), err
}

// versions lists every version of a fitted part.
//
//	@Summary	List the versions of a fitted part, oldest first
//	@Tags		instruments
//	@Param		id		path		string	true	"Fitted part"	format(uuid)
//	@Success	200		{object}	List[Component]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/components/{id}/versions [get]
func (h componentHandlers) versions(c *gin.Context) (List[Component], error) {
	return versionsOf(c, h.store.ComponentVersions, componentOf)
}
