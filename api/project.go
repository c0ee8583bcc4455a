package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type projectStore interface {
	CreateProject(ctx context.Context, p survey.Project) (survey.Project, error)
	Project(ctx context.Context, id uuid.UUID) (survey.Project, error)
	Projects(ctx context.Context, clientID uuid.UUID, reference string, p request.Page) ([]survey.Project, error)
	UpdateProject(ctx context.Context, p survey.Project) (survey.Project, error)
}

// NewProject is a project as sent.
type NewProject struct {
	ClientID  uuid.UUID  `json:"client_id"`                                 // Client that the job is for; never changes
	Reference string     `json:"reference" example:"J-0001"`                // Job number, unique over all clients
	Title     string     `json:"title"`                                     // Title of the job
	TimeZone  string     `json:"time_zone" example:"Europe/Vienna"`         // IANA time zone of the site: days and periods are local days there
	Site      *string    `json:"site,omitempty"`                            // Where the site is
	Periods   *PeriodSet `json:"periods,omitempty" extensions:"x-nullable"` // How the day is divided; absent: day, evening and night from 07:00, 19:00 and 23:00

	ResidualLimits *ResidualLimits `json:"residual_limits,omitempty" extensions:"x-nullable"` // What is done about residual sound; absent: nothing at 3 dB or less, no correction from 10 dB on
}

// Project is a job for a client.
type Project struct {
	Stamp
	NewProject
	Expanded *Expanded `json:"expanded,omitempty"` // Records that it refers to, as asked for
}

func (p Project) path() string { return "/v1/projects/" + p.ID.String() }

func (p *Project) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"client": p.ClientID}, &p.Expanded
}

func newProjectOf(p survey.Project) NewProject {
	return NewProject{ClientID: p.ClientID, Reference: p.Reference, Title: p.Title, TimeZone: p.TimeZone, Site: p.Site, Periods: periodSetOf(p.Periods), ResidualLimits: residualLimitsOf(p.ResidualLimits)}
}

// project returns p with the members of in.
func (in NewProject) project(p survey.Project) survey.Project {
	p.ClientID, p.Reference, p.Title, p.TimeZone, p.Site = in.ClientID, in.Reference, in.Title, in.TimeZone, in.Site
	p.Periods, p.ResidualLimits = in.Periods.set(), in.ResidualLimits.limits()
	return p
}

func projectOf(p survey.Project) Project {
	return Project{Stamp{p.ID, p.Version, p.CreatedAt, p.RecordedAt}, newProjectOf(p), nil}
}

type projectHandlers struct{ *server }

func (h projectHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/projects", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "client_id", "reference", "expand"))
	v1.POST("/projects", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/projects/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PATCH("/projects/:id", respond(h.server, http.StatusOK, h.update))
}

// list lists the projects.
//
//	@Summary	List projects
//	@Tags		projects
//	@Param		limit		query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor		query		string		false	"Next page, from the answer before"
//	@Param		client_id	query		string		false	"Those of this client"	format(uuid)
//	@Param		reference	query		string		false	"That with this job number"
//	@Param		expand		query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(client)
//	@Success	200			{object}	List[Project]
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/projects [get]
func (h projectHandlers) list(c *gin.Context) (List[Project], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Project]{}, err
	}
	clientID, err := queryID(c, "client_id")
	if err != nil {
		return List[Project]{}, err
	}
	reference, err := queryText(c, "reference")
	if err != nil {
		return List[Project]{}, err
	}
	recs, err := h.store.Projects(c.Request.Context(), clientID, reference, p)
	if err != nil {
		return List[Project]{}, err
	}
	return expandList(h.server, c, listOf(h.server, c, p, recs, func(r survey.Project) uuid.UUID { return r.ID }, projectOf))
}

// create stores a new project.
//
//	@Summary	Create a project
//	@Tags		projects
//	@Accept		json
//	@Param		project	body		NewProject	true	"Project to store"
//	@Success	201		{object}	Project
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects [post]
func (h projectHandlers) create(c *gin.Context) (Project, error) {
	var in NewProject
	if err := decode(c, &in, func() error { return in.project(survey.Project{}).Validate() }); err != nil {
		return Project{}, err
	}
	rec, err := h.store.CreateProject(c.Request.Context(), in.project(survey.Project{}))
	return projectOf(rec), err
}

// get returns a project.
//
//	@Summary	Read a project
//	@Tags		projects
//	@Param		id		path		string		true	"Project"											format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(client)
//	@Success	200		{object}	Project
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects/{id} [get]
func (h projectHandlers) get(c *gin.Context) (Project, error) {
	body, err := readOne(c, h.store.Project, projectOf)
	return expandOne(h.server, c, body, err)
}

// update changes a project.
//
//	@Summary	Change a project
//	@Tags		projects
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Project"	format(uuid)
//	@Param		patch	body		NewProject	true	"Members to change"
//	@Success	200		{object}	Project
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects/{id} [patch]
func (h projectHandlers) update(c *gin.Context) (Project, error) {
	rec, err := change(c, h.store.Project, h.store.UpdateProject, newProjectOf, NewProject.project, "client_id")
	return projectOf(rec), err
}
