package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
)

type eventStore interface {
	CreateEvent(ctx context.Context, e calibration.Event) (calibration.Event, error)
	Event(ctx context.Context, id uuid.UUID) (calibration.Event, error)
	EventsOfInstrument(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]calibration.Event, error)
	EventVersions(ctx context.Context, id uuid.UUID) ([]calibration.Event, error)
	UpdateEvent(ctx context.Context, e calibration.Event) (calibration.Event, error)
}

// NewEvent is something that befell an instrument, as sent.
type NewEvent struct {
	Kind              string     `json:"kind" enums:"repair,damage,adjustment,part_change,firmware"` // What happened; an adjustment within a calibration is on its certificate
	On                civil.Date `json:"on"`                                                         // Day on which it happened
	EndsCover         bool       `json:"ends_cover"`                                                 // What was calibrated before is no longer what there is
	BeforeCalibration *bool      `json:"before_calibration,omitempty"`                               // It came before a calibration of the same day, which so takes it in; absent: no
	Note              *string    `json:"note,omitempty" extensions:"x-nullable"`                     // For people
}

// Event is something that befell an instrument between calibrations.
type Event struct {
	Stamp
	InstrumentID      uuid.UUID  `json:"instrument_id"` // Instrument concerned
	Kind              string     `json:"kind" enums:"repair,damage,adjustment,part_change,firmware"`
	On                civil.Date `json:"on"`                 // Day on which it happened
	EndsCover         bool       `json:"ends_cover"`         // What was calibrated before is no longer what there is
	BeforeCalibration bool       `json:"before_calibration"` // It came before a calibration of the same day
	Note              *string    `json:"note"`               // For people
}

func (e Event) path() string { return "/v1/events/" + e.ID.String() }

// event returns e with the members of in.
func (in NewEvent) event(e calibration.Event) calibration.Event {
	e.Kind, e.On, e.EndsCover = calibration.EventKind(in.Kind), in.On, in.EndsCover
	e.BeforeCalibration, e.Note = orZero(in.BeforeCalibration), orZero(in.Note)
	return e
}

func eventOf(e calibration.Event) Event {
	return Event{
		Stamp{e.ID, e.Version, e.CreatedAt, e.RecordedAt}, e.InstrumentID, string(e.Kind), e.On, e.EndsCover, e.BeforeCalibration, orNil(e.Note),
	}
}

func newEventOf(e calibration.Event) NewEvent {
	return NewEvent{string(e.Kind), e.On, e.EndsCover, &e.BeforeCalibration, orNil(e.Note)}
}

type eventHandlers struct{ *server }

func (h eventHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments/:id/events", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/instruments/:id/events", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/events/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/events/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/events/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the events of an instrument.
//
//	@Summary	List the events of an instrument
//	@Tags		instruments
//	@Param		id		path		string	true	"Instrument"		format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Event]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/events [get]
func (h eventHandlers) list(c *gin.Context) (List[Event], error) {
	return listUnder(h.server, c, h.store.EventsOfInstrument, func(r calibration.Event) uuid.UUID { return r.ID }, eventOf)
}

// create stores an event of an instrument.
//
//	@Summary		Record an event of an instrument
//	@Description	One that ends the cover ends it on its day, until the next calibration.
//	@Tags			instruments
//	@Accept			json
//	@Param			id		path		string		true	"Instrument"	format(uuid)
//	@Param			event	body		NewEvent	true	"Event to store"
//	@Success		201		{object}	Event
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/instruments/{id}/events [post]
func (h eventHandlers) create(c *gin.Context) (Event, error) {
	id, err := pathID(c)
	if err != nil {
		return Event{}, err
	}
	var in NewEvent
	made := func() calibration.Event { return in.event(calibration.Event{InstrumentID: id}) }
	if err := decode(c, &in, func() error { return made().Validate() }); err != nil {
		return Event{}, err
	}
	rec, err := h.store.CreateEvent(c.Request.Context(), made())
	return eventOf(rec), err
}

// get returns an event.
//
//	@Summary	Read an event
//	@Tags		instruments
//	@Param		id		path		string	true	"Event"	format(uuid)
//	@Success	200		{object}	Event
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/events/{id} [get]
func (h eventHandlers) get(c *gin.Context) (Event, error) {
	return readOne(c, h.store.Event, eventOf)
}

// update corrects an event.
//
//	@Summary	Correct an event
//	@Tags		instruments
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Event"	format(uuid)
//	@Param		patch	body		NewEvent	true	"Members to change"
//	@Success	200		{object}	Event
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/events/{id} [patch]
func (h eventHandlers) update(c *gin.Context) (Event, error) {
	rec, err := change(c, h.store.Event, h.store.UpdateEvent, newEventOf, NewEvent.event)
	return eventOf(rec), err
}

// versions lists every version of an event.
//
//	@Summary	List the versions of an event, oldest first
//	@Tags		instruments
//	@Param		id		path		string	true	"Event"	format(uuid)
//	@Success	200		{object}	List[Event]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/events/{id}/versions [get]
func (h eventHandlers) versions(c *gin.Context) (List[Event], error) {
	return versionsOf(c, h.store.EventVersions, eventOf)
}
