package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
)

type exclusionStore interface {
	CreateExclusion(ctx context.Context, e series.Exclusion) (series.Exclusion, error)
	Exclusion(ctx context.Context, id uuid.UUID) (series.Exclusion, error)
	ExclusionVersions(ctx context.Context, id uuid.UUID) ([]series.Exclusion, error)
	ExclusionsOfSeries(ctx context.Context, seriesID uuid.UUID, p request.Page) ([]series.Exclusion, error)
	RemoveExclusion(ctx context.Context, e series.Exclusion) (series.Exclusion, error)
}

// NewExclusion is an exclusion as sent.
type NewExclusion struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Reason   string    `json:"reason" example:"lawn mower beside the microphone"` // Why the span is left out of results
	Residual bool      `json:"residual,omitempty"`                                // The sound in question was off: the span tells the residual sound of the position
}

// Exclusion is a span of a series that is left out of results, with its reason.
type Exclusion struct {
	Stamp
	SeriesID uuid.UUID `json:"series_id"` // Series it is of
	NewExclusion
	Author  string `json:"author"`            // Name of the key that marked it
	Removed bool   `json:"removed,omitempty"` // No more in force
}

func (e Exclusion) path() string { return "/v1/exclusions/" + e.ID.String() }

func (in NewExclusion) exclusion(seriesID uuid.UUID, author string) series.Exclusion {
	return series.Exclusion{SeriesID: seriesID, StartsAt: utc(in.From), EndsAt: utc(in.To), Reason: in.Reason, Author: author, Residual: in.Residual}
}

func exclusionOf(e series.Exclusion) Exclusion {
	return Exclusion{
		Stamp{e.ID, e.Version, e.CreatedAt, e.RecordedAt}, e.SeriesID, NewExclusion{e.StartsAt, e.EndsAt, e.Reason, e.Residual}, e.Author, e.Removed,
	}
}

type exclusionHandlers struct{ *server }

func (h exclusionHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/series/:id/exclusions", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/series/:id/exclusions", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/exclusions/:id", respond(h.server, http.StatusOK, h.get))
	v1.DELETE("/exclusions/:id", respond(h.server, http.StatusNoContent, h.remove))
	v1.GET("/exclusions/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the exclusions of a series that are in force.
//
//	@Summary	List the exclusions of a series
//	@Tags		series
//	@Param		id		path		string	true	"Series"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Exclusion]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/series/{id}/exclusions [get]
func (h exclusionHandlers) list(c *gin.Context) (List[Exclusion], error) {
	return listUnder(h.server, c, h.store.ExclusionsOfSeries, func(e series.Exclusion) uuid.UUID { return e.ID }, exclusionOf)
}

// create marks a span of a series to be left out of results.
//
//	@Summary		Exclude a span of a series
//	@Description	Samples that begin in the span are left out of figures from now on, and stay readable.
//	@Tags			series
//	@Accept			json
//	@Param			id			path		string			true	"Series"	format(uuid)
//	@Param			exclusion	body		NewExclusion	true	"Exclusion to store"
//	@Success		201			{object}	Exclusion
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/series/{id}/exclusions [post]
func (h exclusionHandlers) create(c *gin.Context) (Exclusion, error) {
	id, err := pathID(c)
	if err != nil {
		return Exclusion{}, err
	}
	author := access.From(c.Request.Context()).Name
	var in NewExclusion
	if err := decode(c, &in, func() error { return in.exclusion(id, author).Validate() }); err != nil {
		return Exclusion{}, err
	}
	rec, err := h.store.CreateExclusion(c.Request.Context(), in.exclusion(id, author))
	return exclusionOf(rec), err
}

// get returns an exclusion.
//
//	@Summary	Read an exclusion
//	@Tags		series
//	@Param		id		path		string	true	"Exclusion"	format(uuid)
//	@Success	200		{object}	Exclusion
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/exclusions/{id} [get]
func (h exclusionHandlers) get(c *gin.Context) (Exclusion, error) {
	return readOne(c, h.store.Exclusion, exclusionOf)
}

// remove takes an exclusion out of force.
//
//	@Summary		Remove an exclusion
//	@Description	Figures take the span in again. The exclusion stays readable, marked as removed.
//	@Tags			series
//	@Param			id	path	string	true	"Exclusion"	format(uuid)
//	@Success		204	"Removed"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/exclusions/{id} [delete]
func (h exclusionHandlers) remove(c *gin.Context) (struct{}, error) {
	_, err := transition(c, h.store.Exclusion, h.store.RemoveExclusion)
	return struct{}{}, err
}

// versions lists every version of an exclusion.
//
//	@Summary	List the versions of an exclusion, oldest first
//	@Tags		series
//	@Param		id		path		string	true	"Exclusion"	format(uuid)
//	@Success	200		{object}	List[Exclusion]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/exclusions/{id}/versions [get]
func (h exclusionHandlers) versions(c *gin.Context) (List[Exclusion], error) {
	return versionsOf(c, h.store.ExclusionVersions, exclusionOf)
}
