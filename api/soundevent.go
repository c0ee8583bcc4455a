package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type soundEventStore interface {
	CreateSoundEvent(ctx context.Context, e survey.SoundEvent) (survey.SoundEvent, error)
	SoundEvent(ctx context.Context, id uuid.UUID) (survey.SoundEvent, error)
	SoundEventVersions(ctx context.Context, id uuid.UUID) ([]survey.SoundEvent, error)
	SoundEvents(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]survey.SoundEvent, error)
	SoundEventsWithin(ctx context.Context, surveyID uuid.UUID, from, to *time.Time, limit int) ([]survey.SoundEvent, error)
	RemoveSoundEvent(ctx context.Context, e survey.SoundEvent) (survey.SoundEvent, error)
}

// NewSoundEvent is a sound event as sent.
type NewSoundEvent struct {
	PositionID uuid.UUID `json:"position_id"`                  // Position where it was heard
	Kind       string    `json:"kind" example:"freight train"` // What such events are summed up by
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	Note       *string   `json:"note,omitempty"` // What else is to be said of it
}

// SoundEvent is a span marked at a position, such as the passing of a train.
type SoundEvent struct {
	Stamp
	SurveyID uuid.UUID `json:"survey_id"` // Survey it was heard in
	NewSoundEvent
	Author  string `json:"author"`            // Name of the key that marked it
	Removed bool   `json:"removed,omitempty"` // Counts no more
}

func (e SoundEvent) path() string { return "/v1/sound-events/" + e.ID.String() }

func (in NewSoundEvent) event(surveyID uuid.UUID, author string) survey.SoundEvent {
	return survey.SoundEvent{
		SurveyID: surveyID, PositionID: in.PositionID, Kind: in.Kind, Note: in.Note, StartsAt: utc(in.From), EndsAt: utc(in.To), Author: author,
	}
}

func soundEventOf(e survey.SoundEvent) SoundEvent {
	return SoundEvent{
		Stamp{e.ID, e.Version, e.CreatedAt, e.RecordedAt}, e.SurveyID, NewSoundEvent{e.PositionID, e.Kind, e.StartsAt, e.EndsAt, e.Note}, e.Author, e.Removed,
	}
}

type soundEventHandlers struct{ *server }

func (h soundEventHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/sound-events", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/surveys/:id/sound-events", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/surveys/:id/sound-events/levels", respond(h.server, http.StatusOK, h.levels, "from", "to", "position_id", "kind", "rating_s", "windows"))
	v1.GET("/sound-events/:id", respond(h.server, http.StatusOK, h.get))
	v1.DELETE("/sound-events/:id", respond(h.server, http.StatusNoContent, h.remove))
	v1.GET("/sound-events/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the sound events of a survey.
//
//	@Summary	List the sound events of a survey
//	@Tags		figures
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[SoundEvent]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/sound-events [get]
func (h soundEventHandlers) list(c *gin.Context) (List[SoundEvent], error) {
	return listUnder(h.server, c, h.store.SoundEvents, func(e survey.SoundEvent) uuid.UUID { return e.ID }, soundEventOf)
}

// create marks a sound event.
//
//	@Summary		Mark a sound event
//	@Description	A span at a position, such as the passing of a train, whose sound exposure level is wanted. It may last up to 24 h. An event marked wrongly is removed and marked anew.
//	@Tags			figures
//	@Accept			json
//	@Param			id		path		string			true	"Survey"	format(uuid)
//	@Param			event	body		NewSoundEvent	true	"Sound event to store"
//	@Success		201		{object}	SoundEvent
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/sound-events [post]
func (h soundEventHandlers) create(c *gin.Context) (SoundEvent, error) {
	id, err := pathID(c)
	if err != nil {
		return SoundEvent{}, err
	}
	author := access.From(c.Request.Context()).Name
	var in NewSoundEvent
	if err := decode(c, &in, func() error { return in.event(id, author).Validate() }); err != nil {
		return SoundEvent{}, err
	}
	rec, err := h.store.CreateSoundEvent(c.Request.Context(), in.event(id, author))
	return soundEventOf(rec), err
}

// get returns a sound event.
//
//	@Summary	Read a sound event
//	@Tags		figures
//	@Param		id		path		string	true	"Sound event"	format(uuid)
//	@Success	200		{object}	SoundEvent
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/sound-events/{id} [get]
func (h soundEventHandlers) get(c *gin.Context) (SoundEvent, error) {
	return readOne(c, h.store.SoundEvent, soundEventOf)
}

// remove takes a sound event out of the sums.
//
//	@Summary		Remove a sound event
//	@Description	It counts no more. It stays readable, marked as removed.
//	@Tags			figures
//	@Param			id	path	string	true	"Sound event"	format(uuid)
//	@Success		204	"Removed"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/sound-events/{id} [delete]
func (h soundEventHandlers) remove(c *gin.Context) (struct{}, error) {
	_, err := transition(c, h.store.SoundEvent, h.store.RemoveSoundEvent)
	return struct{}{}, err
}

// versions lists every version of a sound event.
//
//	@Summary	List the versions of a sound event, oldest first
//	@Tags		figures
//	@Param		id		path		string	true	"Sound event"	format(uuid)
//	@Success	200		{object}	List[SoundEvent]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/sound-events/{id}/versions [get]
func (h soundEventHandlers) versions(c *gin.Context) (List[SoundEvent], error) {
	return versionsOf(c, h.store.SoundEventVersions, soundEventOf)
}
