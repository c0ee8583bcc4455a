package api

import (
	"context"
	"math"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
	"leveltrail/domain/request"
)

type limitStore interface {
	CreateLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error)
	Limit(ctx context.Context, id uuid.UUID) (assessment.Limit, error)
	LimitVersions(ctx context.Context, id uuid.UUID) ([]assessment.Limit, error)
	Limits(ctx context.Context, projectID uuid.UUID, p request.Page) ([]assessment.Limit, error)
	UpdateLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error)
	RemoveLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error)
}

// NewLimit is a limit as sent.
type NewLimit struct {
	Symbol        string     `json:"symbol" example:"Lnight"`                                                               // Of the figure that is compared: an equivalent level, an exceedance level, a maximum, a period's level or an index; in a band such as LZeq 1/3 125 Hz
	LevelDB       Level      `json:"level_db"`                                                                              // The limit; with relative_to, what is added to that figure
	PositionID    *uuid.UUID `json:"position_id,omitempty" extensions:"x-nullable"`                                         // Position where it holds; null or absent: every position of the project
	RelativeTo    *string    `json:"relative_to,omitempty" example:"LAF90"`                                                 // Symbol of another figure of the same position and period that level_db is added to, or of a background level such as LAF90,15min median (lowest, median, mean or mode)
	Nth           *int       `json:"nth,omitempty" minimum:"1" maximum:"1000"`                                              // Compare the n-th highest event maximum of the symbol
	SeparationS   *float64   `json:"separation_s,omitempty" minimum:"0"`                                                    // By which counted maxima lie apart at least
	At            *string    `json:"at,omitempty" enums:"free_field,near_facade,facade_flush,indoors" example:"free_field"` // Setting that it holds for, free_field unless given
	Period        *string    `json:"period,omitempty" example:"Lnight"`                                                     // Symbol of the period of the project's day in which it holds; absent: the whole time
	Yearly        bool       `json:"yearly,omitempty"`                                                                      // It holds for a yearly average
	Rule          *string    `json:"rule,omitempty" enums:"simple,guarded_low,guarded_high,probability" example:"simple"`   // How uncertainty counts, simple unless given
	Compare       *string    `json:"compare,omitempty" enums:"greater,greater_or_equal" example:"greater"`                  // Whether a level at the limit exceeds it, greater unless given
	Rounding      *string    `json:"rounding,omitempty" enums:"none,half_up_1,half_up_0.5,up_1" example:"none"`             // What is done to the level before it is compared, none unless given
	AllowedChance *float64   `json:"allowed_chance,omitempty" minimum:"0" maximum:"1"`                                      // With the rule probability: exceeded if that is more probable than this, 0.5 unless given
	Source        string     `json:"source" example:"permit of 3 March 2026, no 4"`                                         // Where it is laid down
}

// ProjectLimit is a level that results of a project are compared with.
type ProjectLimit struct {
	Stamp
	ProjectID uuid.UUID `json:"project_id"` // Project of the limit
	NewLimit
	Removed bool `json:"removed,omitempty"` // No more in force
}

func (l ProjectLimit) path() string { return "/v1/limits/" + l.ID.String() }

// limit returns l with the members of in.
func (in NewLimit) limit(l assessment.Limit) assessment.Limit {
	l.Symbol, l.LevelDB, l.PositionID, l.Source = in.Symbol, acoustic.Level(in.LevelDB), orZero(in.PositionID), in.Source
	l.Relative, l.Nth, l.Period, l.Yearly, l.AllowedChance = orZero(in.RelativeTo), orZero(in.Nth), orZero(in.Period), in.Yearly, orZero(in.AllowedChance)
	l.SeparationUS = int64(math.Round(min(orZero(in.SeparationS), 1e12) * 1e6))
	l.At, l.Rule = assessment.Setting(orZero(in.At)), assessment.Rule(orZero(in.Rule))
	l.Compare, l.Rounding = assessment.Compare(orZero(in.Compare)), assessment.Rounding(orZero(in.Rounding))
	return l.Defaults()
}

func newLimitOf(l assessment.Limit) NewLimit {
	return NewLimit{
		Symbol: l.Symbol, LevelDB: Level(l.LevelDB), PositionID: orNil(l.PositionID), RelativeTo: orNil(l.Relative), Nth: orNil(l.Nth),
		SeparationS: orNil(float64(l.SeparationUS) / 1e6), At: orNil(string(l.At)), Period: orNil(l.Period), Yearly: l.Yearly, Rule: orNil(string(l.Rule)),
		Compare: orNil(string(l.Compare)), Rounding: orNil(string(l.Rounding)), AllowedChance: orNil(l.AllowedChance), Source: l.Source,
	}
}

func projectLimitOf(l assessment.Limit) ProjectLimit {
	return ProjectLimit{Stamp{l.ID, l.Version, l.CreatedAt, l.RecordedAt}, l.ProjectID, newLimitOf(l), l.Removed}
}

type limitHandlers struct{ *server }

func (h limitHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/projects/:id/limits", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/projects/:id/limits", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/limits/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/limits/:id", respond(h.server, http.StatusOK, h.update))
	v1.DELETE("/limits/:id", respond(h.server, http.StatusNoContent, h.remove))
	v1.GET("/limits/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the limits of a project that are in force.
//
//	@Summary	List the limits of a project
//	@Tags		limits
//	@Param		id		path		string	true	"Project"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[ProjectLimit]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects/{id}/limits [get]
func (h limitHandlers) list(c *gin.Context) (List[ProjectLimit], error) {
	id, err := pathID(c)
	if err != nil {
		return List[ProjectLimit]{}, err
	}
	p, err := h.pageOf(c)
	if err != nil {
		return List[ProjectLimit]{}, err
	}
	recs, err := h.store.Limits(c.Request.Context(), id, p)
	if err != nil {
		return List[ProjectLimit]{}, err
	}
	return listOf(h.server, c, p, recs, func(l assessment.Limit) uuid.UUID { return l.ID }, projectLimitOf), nil
}

// create stores a limit.
//
//	@Summary		Set a limit for the results of a project
//	@Description	The service compares with the limits that are entered. Which limits hold is for the law at the place and its competent persons.
//	@Tags			limits
//	@Accept			json
//	@Param			id		path		string		true	"Project"	format(uuid)
//	@Param			limit	body		NewLimit	true	"Limit to store"
//	@Success		201		{object}	ProjectLimit
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/projects/{id}/limits [post]
func (h limitHandlers) create(c *gin.Context) (ProjectLimit, error) {
	id, err := pathID(c)
	if err != nil {
		return ProjectLimit{}, err
	}
	var in NewLimit
	if err := decode(c, &in, func() error { return in.limit(assessment.Limit{}).Validate() }); err != nil {
		return ProjectLimit{}, err
	}
	rec, err := h.store.CreateLimit(c.Request.Context(), in.limit(assessment.Limit{ProjectID: id}))
	return projectLimitOf(rec), err
}

// get returns a limit.
//
//	@Summary	Read a limit
//	@Tags		limits
//	@Param		id		path		string	true	"Limit"	format(uuid)
//	@Success	200		{object}	ProjectLimit
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/limits/{id} [get]
func (h limitHandlers) get(c *gin.Context) (ProjectLimit, error) {
	return readOne(c, h.store.Limit, projectLimitOf)
}

// update changes a limit.
//
//	@Summary	Change a limit
//	@Tags		limits
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Limit"	format(uuid)
//	@Param		patch	body		NewLimit	true	"Members to change"
//	@Success	200		{object}	ProjectLimit
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/limits/{id} [patch]
func (h limitHandlers) update(c *gin.Context) (ProjectLimit, error) {
	rec, err := change(c, h.store.Limit, h.store.UpdateLimit, newLimitOf, NewLimit.limit)
	return projectLimitOf(rec), err
}

// remove takes a limit out of force.
//
//	@Summary		Remove a limit
//	@Description	Results are compared with it no more. It stays readable, marked as removed.
//	@Tags			limits
//	@Param			id	path	string	true	"Limit"	format(uuid)
//	@Success		204	"Removed"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/limits/{id} [delete]
func (h limitHandlers) remove(c *gin.Context) (struct{}, error) {
	_, err := transition(c, h.store.Limit, h.store.RemoveLimit)
	return struct{}{}, err
}

// versions lists every version of a limit.
//
//	@Summary	List the versions of a limit, oldest first
//	@Tags		limits
//	@Param		id		path		string	true	"Limit"	format(uuid)
//	@Success	200		{object}	List[ProjectLimit]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/limits/{id}/versions [get]
func (h limitHandlers) versions(c *gin.Context) (List[ProjectLimit], error) {
	return versionsOf(c, h.store.LimitVersions, projectLimitOf)
}
