package api

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type surveyStore interface {
	CreateSurvey(ctx context.Context, v survey.Survey) (survey.Survey, error)
	Survey(ctx context.Context, id uuid.UUID) (survey.Survey, error)
	SurveyAndProject(ctx context.Context, id uuid.UUID) (survey.Survey, survey.Project, error)
	SurveyOfSeries(ctx context.Context, seriesID uuid.UUID) (survey.Survey, survey.Project, error)
	FirstSurvey(ctx context.Context, id uuid.UUID) (survey.Survey, error)
	Measured(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]bool, error)
	SurveyVersions(ctx context.Context, id uuid.UUID) ([]survey.Survey, error)
	Surveys(ctx context.Context, f survey.Filter, p request.Page) ([]survey.Survey, error)
	UpdateSurvey(ctx context.Context, v survey.Survey) (survey.Survey, error)
}

// NewSurvey is a survey as sent to its project.
type NewSurvey struct {
	Kind        string         `json:"kind" enums:"environmental,workplace,monitoring"` // What the survey is for
	Operator    *string        `json:"operator,omitempty"`                              // Who measures
	StartedAt   time.Time      `json:"started_at"`
	EndedAt     *time.Time     `json:"ended_at,omitempty" extensions:"x-nullable"` // Null while the survey runs
	RuleProfile *string        `json:"rule_profile,omitempty"`                     // Code of the rule profile; absent: that of the kind
	Edition     *string        `json:"rule_profile_edition,omitempty"`             // Its edition; absent: the newest when the profile is chosen, which stays
	Uncertainty []Contribution `json:"uncertainty,omitempty"`                      // What is known of the measurement uncertainty of its results, in the manner of ISO 1996-2
	Planned     *Plan          `json:"planned,omitempty" extensions:"x-nullable"`  // What it plans to measure with, where and how much
}

// PutSurvey is a survey as sent under an id that the sender made.
type PutSurvey struct {
	ProjectID uuid.UUID `json:"project_id"` // Project of the survey
	NewSurvey
}

// RuleProfileEdition names an edition of a rule profile.
type RuleProfileEdition struct {
	Code    string `json:"code"`    // Code of the rule profile
	Edition string `json:"edition"` // Its edition
}

// Survey is one campaign of a project.
type Survey struct {
	Stamp
	ClientID    uuid.UUID          `json:"client_id"`  // Client of the project
	ProjectID   uuid.UUID          `json:"project_id"` // Project of the survey
	Kind        string             `json:"kind"`
	Operator    *string            `json:"operator"` // Who measures; null if not named
	StartedAt   time.Time          `json:"started_at"`
	EndedAt     *time.Time         `json:"ended_at"`              // Null while the survey runs
	RuleProfile RuleProfileEdition `json:"rule_profile"`          // The edition taken when the survey was created
	State       string             `json:"state"`                 // planned, measured, signed_off, changed_since_sign_off or void; further states may appear
	VoidReason  *string            `json:"void_reason,omitempty"` // Why the survey is void
	Uncertainty []Contribution     `json:"uncertainty"`           // What was entered of the measurement uncertainty of its results
	Expanded    *Expanded          `json:"expanded,omitempty"`    // Records that it refers to, as asked for
	Planned     *Plan              `json:"planned"`               // What it plans to measure with, where and how much; null: nothing
}

func (v Survey) etag() string { return etagWith(v.Version, v.State) }

func (v Survey) path() string { return "/v1/surveys/" + v.ID.String() }

func (v *Survey) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"client": v.ClientID, "project": v.ProjectID}, &v.Expanded
}

func newSurveyOf(v survey.Survey) NewSurvey {
	in := NewSurvey{Kind: v.Kind, StartedAt: v.StartedAt, EndedAt: v.EndedAt, RuleProfile: &v.RuleProfile, Edition: &v.RuleProfileEdition}
	in.Uncertainty, in.Planned = contributionsOf(v.Contributions), planOf(v.Planned)
	if v.Operator != "" {
		in.Operator = &v.Operator
	}
	return in
}

// survey returns v with the members of in. The edition of the rule profile is the one
// named, else the newest of those known, taken when the profile is chosen.
func (in NewSurvey) survey(v survey.Survey, known editions) survey.Survey {
	v.Kind, v.StartedAt, v.EndedAt = in.Kind, utc(in.StartedAt), utcOrNil(in.EndedAt)
	v.Contributions, v.Planned = contributions(in.Uncertainty), in.Planned.plan()
	v.Operator = ""
	if in.Operator != nil {
		v.Operator = *in.Operator
	}
	code := in.Kind
	if in.RuleProfile != nil {
		code = *in.RuleProfile
	}
	edition := orZero(in.Edition)
	if edition == v.RuleProfileEdition && code != v.RuleProfile {
		edition = "" // of the profile before
	}
	if code != v.RuleProfile || edition != v.RuleProfileEdition {
		p, _ := known.find(code, edition)
		v.RuleProfile, v.RuleProfileEdition = code, p.Edition
	}
	return v
}

// surveyOf answers v, which is in a state.
func surveyOf(v survey.Survey, state string) Survey {
	in := newSurveyOf(v)
	return Survey{
		Stamp: Stamp{v.ID, v.Version, v.CreatedAt, v.RecordedAt}, ClientID: v.ClientID, ProjectID: v.ProjectID,
		Kind: v.Kind, Operator: in.Operator, StartedAt: v.StartedAt, EndedAt: v.EndedAt,
		RuleProfile: RuleProfileEdition{v.RuleProfile, v.RuleProfileEdition}, State: state, VoidReason: v.VoidReason,
		Uncertainty: contributionsOf(v.Contributions), Planned: planOf(v.Planned),
	}
}

type surveyHandlers struct{ *server }

func (h surveyHandlers) routes(v1 *gin.RouterGroup) {
	filters := []string{"limit", "cursor", "client_id", "kind", "state", "instrument_id", "operator", "from", "to", "include_void", "expand"}
	v1.GET("/projects/:id/surveys", respond(h.server, http.StatusOK, h.listOfProject, filters...))
	v1.POST("/projects/:id/surveys", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/surveys", respond(h.server, http.StatusOK, h.list, append(filters, "project_id")...))
	v1.GET("/surveys/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PUT("/surveys/:id", respond(h.server, http.StatusCreated, h.put))
	v1.PATCH("/surveys/:id", respond(h.server, http.StatusOK, h.update))
	v1.POST("/surveys/:id/void", respond(h.server, http.StatusOK, h.void))
	v1.GET("/surveys/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the surveys.
//
//	@Summary	List surveys
//	@Tags		surveys
//	@Param		limit			query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string		false	"Next page, from the answer before"
//	@Param		client_id		query		string		false	"Those of this client"					format(uuid)
//	@Param		project_id		query		string		false	"Those of this project"					format(uuid)
//	@Param		instrument_id	query		string		false	"Those with series of this instrument"	format(uuid)
//	@Param		kind			query		string		false	"Those of this kind"					Enums(environmental, workplace, monitoring)
//	@Param		state			query		string		false	"Those in this state"					Enums(planned, measured, signed_off, changed_since_sign_off, void)
//	@Param		operator		query		string		false	"Those by this operator"
//	@Param		from			query		string		false	"Those that ran at or after this time"	format(date-time)
//	@Param		to				query		string		false	"Those that ran before this time"		format(date-time)
//	@Param		include_void	query		bool		false	"With void surveys"
//	@Param		expand			query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(client, project)
//	@Success	200				{object}	List[Survey]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/surveys [get]
func (h surveyHandlers) list(c *gin.Context) (List[Survey], error) {
	projectID, err := queryID(c, "project_id")
	if err != nil {
		return List[Survey]{}, err
	}
	return h.page(c, projectID)
}

// listOfProject lists the surveys of a project.
//
//	@Summary	List the surveys of a project
//	@Tags		surveys
//	@Param		id				path		string		true	"Project"			format(uuid)
//	@Param		limit			query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string		false	"Next page, from the answer before"
//	@Param		client_id		query		string		false	"Those of this client"					format(uuid)
//	@Param		instrument_id	query		string		false	"Those with series of this instrument"	format(uuid)
//	@Param		kind			query		string		false	"Those of this kind"					Enums(environmental, workplace, monitoring)
//	@Param		state			query		string		false	"Those in this state"					Enums(planned, measured, signed_off, changed_since_sign_off, void)
//	@Param		operator		query		string		false	"Those by this operator"
//	@Param		from			query		string		false	"Those that ran at or after this time"	format(date-time)
//	@Param		to				query		string		false	"Those that ran before this time"		format(date-time)
//	@Param		include_void	query		bool		false	"With void surveys"
//	@Param		expand			query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(client, project)
//	@Success	200				{object}	List[Survey]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/projects/{id}/surveys [get]
func (h surveyHandlers) listOfProject(c *gin.Context) (List[Survey], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Survey]{}, err
	}
	if _, err := h.store.Project(c.Request.Context(), id); err != nil {
		return List[Survey]{}, err
	}
	return h.page(c, id)
}

func (h surveyHandlers) page(c *gin.Context, projectID uuid.UUID) (List[Survey], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Survey]{}, err
	}
	f := survey.Filter{ProjectID: projectID}
	if f.Operator, err = queryText(c, "operator"); err != nil {
		return List[Survey]{}, err
	}
	if f.Kind, err = queryWord(c, "kind", append([]string{""}, survey.Kinds...)...); err != nil {
		return List[Survey]{}, err
	}
	if f.State, err = queryWord(c, "state", "", "planned", "measured", "signed_off", "changed_since_sign_off", "void"); err != nil {
		return List[Survey]{}, err
	}
	void, err := queryWord(c, "include_void", "false", "true")
	if err != nil {
		return List[Survey]{}, err
	}
	f.IncludeVoid = void == "true" || f.State == "void"
	if f.ClientID, err = queryID(c, "client_id"); err != nil {
		return List[Survey]{}, err
	}
	if f.InstrumentID, err = queryID(c, "instrument_id"); err != nil {
		return List[Survey]{}, err
	}
	if f.From, err = queryTime(c, "from"); err != nil {
		return List[Survey]{}, err
	}
	if f.To, err = queryTime(c, "to"); err != nil {
		return List[Survey]{}, err
	}
	// Whether a survey has changed since its sign-off is found for a page at a time.
	ctx, wanted := c.Request.Context(), f.State
	if wanted == "changed_since_sign_off" {
		f.State = "signed_off"
	}
	states := map[uuid.UUID]string{}
	id := func(v survey.Survey) uuid.UUID { return v.ID }
	recs, err := filled(p, func(p request.Page) ([]survey.Survey, error) { return h.store.Surveys(ctx, f, p) }, id,
		func(recs []survey.Survey) (kept []survey.Survey, err error) {
			of, err := h.states(ctx, recs...)
			for _, v := range recs {
				if states[v.ID] = of[v.ID]; wanted == "" || of[v.ID] == wanted {
					kept = append(kept, v)
				}
			}
			return kept, err
		})
	if err != nil {
		return List[Survey]{}, err
	}
	return expandList(h.server, c, listOf(h.server, c, p, recs, id, func(v survey.Survey) Survey { return surveyOf(v, states[v.ID]) }))
}

// answer answers v, unless reading it failed with err, or err says that v has changed.
func (h surveyHandlers) answer(c *gin.Context, v survey.Survey, err error) (Survey, error) {
	if r, stale := errors.AsType[*refusal](err); err != nil && (!stale || r.currentETag == "") {
		return Survey{}, err
	}
	states, failed := h.states(c.Request.Context(), v)
	if failed != nil {
		return Survey{}, failed
	}
	body := surveyOf(v, states[v.ID])
	return body, staleAs(err, body)
}

// create stores a new survey.
//
//	@Summary	Create a survey
//	@Tags		surveys
//	@Accept		json
//	@Param		id		path		string		true	"Project"	format(uuid)
//	@Param		survey	body		NewSurvey	true	"Survey to store"
//	@Success	201		{object}	Survey
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/projects/{id}/surveys [post]
func (h surveyHandlers) create(c *gin.Context) (Survey, error) {
	id, err := pathID(c)
	if err != nil {
		return Survey{}, err
	}
	known, err := h.store.RuleProfiles(c.Request.Context())
	if err != nil {
		return Survey{}, err
	}
	var in NewSurvey
	blank := survey.Survey{ProjectID: id}
	if err := decode(c, &in, func() error { return in.survey(blank, known).Validate() }); err != nil {
		return Survey{}, err
	}
	v, err := h.store.CreateSurvey(c.Request.Context(), in.survey(blank, known))
	return h.answer(c, v, err)
}

// put stores a new survey under an id that the sender made.
//
//	@Summary	Create a survey under an id of one's own
//	@Tags		surveys
//	@Accept		json
//	@Param		id		path		string		true	"Survey"	format(uuid)
//	@Param		survey	body		PutSurvey	true	"Survey to store"
//	@Success	201		{object}	Survey
//	@Success	200		{object}	Survey
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id} [put]
func (h surveyHandlers) put(c *gin.Context) (Survey, error) {
	known, err := h.store.RuleProfiles(c.Request.Context())
	if err != nil {
		return Survey{}, err
	}
	var in PutSurvey
	id, err := decodeNew(c, &in, func() error { return in.survey(survey.Survey{ProjectID: in.ProjectID}, known).Validate() })
	if err != nil {
		return Survey{}, err
	}
	v, err := createAs(c, in.survey(survey.Survey{ID: id, ProjectID: in.ProjectID}, known),
		refers("project_id", h.store.CreateSurvey), h.store.Survey, h.store.FirstSurvey,
		func(v survey.Survey) any {
			sent := PutSurvey{v.ProjectID, newSurveyOf(v)}
			if in.Edition == nil { // a newer one may have been added since
				sent.Edition = nil
			}
			return sent
		})
	return h.answer(c, v, err)
}

// get returns a survey.
//
//	@Summary	Read a survey
//	@Tags		surveys
//	@Param		id		path		string		true	"Survey"											format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(client, project)
//	@Success	200		{object}	Survey
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id} [get]
func (h surveyHandlers) get(c *gin.Context) (Survey, error) {
	id, err := pathID(c)
	if err != nil {
		return Survey{}, err
	}
	v, err := h.store.Survey(c.Request.Context(), id)
	body, err := h.answer(c, v, err)
	return expandOne(h.server, c, body, err)
}

// update changes a survey.
//
//	@Summary	Change a survey
//	@Tags		surveys
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Survey"	format(uuid)
//	@Param		patch	body		NewSurvey	true	"Members to change"
//	@Success	200		{object}	Survey
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id} [patch]
func (h surveyHandlers) update(c *gin.Context) (Survey, error) {
	known, err := h.store.RuleProfiles(c.Request.Context())
	if err != nil {
		return Survey{}, err
	}
	v, err := change(c, h.store.Survey, h.store.UpdateSurvey, newSurveyOf,
		func(in NewSurvey, v survey.Survey) survey.Survey { return in.survey(v, known) })
	return h.answer(c, v, err)
}

// Reason says why.
type Reason struct {
	Reason string `json:"reason"` // Why this is done
}

func (r Reason) validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(r.Reason) != "", "reason", "required", "must not be blank")
	return bad.Err("reason")
}

// void marks a survey as void.
//
//	@Summary		Mark a survey as void
//	@Description	Nothing is deleted; lists leave it out unless asked for it.
//	@Tags			surveys
//	@Accept			json
//	@Param			id			path		string	true	"Survey"	format(uuid)
//	@Param			If-Match	header		string	true	"Entity tag of the survey"
//	@Param			reason		body		Reason	true	"Why"
//	@Success		200			{object}	Survey
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/void [post]
func (h surveyHandlers) void(c *gin.Context) (Survey, error) {
	id, err := pathID(c)
	if err != nil {
		return Survey{}, err
	}
	v, err := h.store.Survey(c.Request.Context(), id)
	if err != nil {
		return Survey{}, err
	}
	if err := expectVersion(c, v.Version); err != nil {
		return h.answer(c, v, err)
	}
	var in Reason
	if err := decode(c, &in, func() error { return in.validate() }); err != nil {
		return Survey{}, err
	}
	v.VoidReason = &in.Reason
	v, err = unlessStale(c, id, h.store.Survey)(h.store.UpdateSurvey(c.Request.Context(), v))
	return h.answer(c, v, err)
}

// versions lists every version of a survey.
//
//	@Summary	List the versions of a survey, oldest first
//	@Tags		surveys
//	@Param		id		path		string	true	"Survey"	format(uuid)
//	@Success	200		{object}	List[Survey]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/versions [get]
func (h surveyHandlers) versions(c *gin.Context) (List[Survey], error) {
	return versionsOf(c, h.store.SurveyVersions, func(v survey.Survey) Survey {
		return surveyOf(v, v.State(true, false, false)) // the state belongs to no version
	})
}
