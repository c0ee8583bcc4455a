package api

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

type affectedStore interface {
	TouchedSurveys(
		ctx context.Context, t calibration.Target, from, to, asKnownAt *time.Time, p request.Page,
	) ([]survey.Touched, error)
}

// AffectedPart is the part in which a reverse trace reaches a series.
type AffectedPart struct {
	InstrumentID  uuid.UUID  `json:"instrument_id"`
	CertificateID *uuid.UUID `json:"certificate_id"`                                       // Null where the instrument itself is asked about
	Role          string     `json:"role" enums:"meter,part,before,during,after,not_used"` // Of the instrument; the last four: of the field check made with it
}

// TurnedComparison is a comparison with a limit that could come out otherwise.
type TurnedComparison struct {
	LimitID    uuid.UUID `json:"limit_id"`    // Limit
	PositionID uuid.UUID `json:"position_id"` // Position of the result
	Symbol     string    `json:"symbol"`      // Figure compared
	Period     *string   `json:"period"`      // Symbol of the period; null for the whole time
	LevelDB    Level     `json:"level_db"`    // As measured, over all windows
	LimitDB    Level     `json:"limit_db"`    // Limit
	LowDB      Level     `json:"low_db"`      // The level could really lie from here
	HighDB     Level     `json:"high_db"`     // … to here
}

// PossibleMovement says by how much the levels of a series could move, because an
// instrument was found out of limits afterwards. Results are never corrected by it.
type PossibleMovement struct {
	LowDB       Level              `json:"low_db"`      // To be added to a reported level, at the least
	HighDB      Level              `json:"high_db"`     // At the most
	Detail      string             `json:"detail"`      // From what it follows
	Comparisons []TurnedComparison `json:"comparisons"` // With absolute limits, that would then come out otherwise
}

// AffectedSeries is a series that a reverse trace reaches.
type AffectedSeries struct {
	SeriesID  uuid.UUID         `json:"series_id"`
	Relation  string            `json:"relation" enums:"relied_on,touched"` // Relied on: it was, or was certified by, what governed on a day of use, or was accepted as evidence for use before the first calibration; touched: used, but the series does not stand on it
	Parts     []AffectedPart    `json:"parts"`                              // In what parts
	CouldMove *PossibleMovement `json:"could_move"`                         // Null where nothing was found out of limits afterwards, or no number follows from what was stated
}

// AffectedSignOff is the last sign-off of a survey.
type AffectedSignOff struct {
	ID       uuid.UUID `json:"id"`
	Revision int       `json:"revision"` // Counts from 1
	SignedAt time.Time `json:"signed_at"`
}

// AffectedSurvey is a survey that a reverse trace reaches.
type AffectedSurvey struct {
	SurveyID         uuid.UUID        `json:"survey_id"`
	ClientID         uuid.UUID        `json:"client_id"`
	ProjectID        uuid.UUID        `json:"project_id"`
	ProjectReference string           `json:"project_reference"`                                                             // Job number
	StartedAt        time.Time        `json:"started_at"`                                                                    // Beginning of the survey
	Relation         string           `json:"relation" enums:"relied_on,touched"`                                            // The stronger of those of its series
	Outcome          string           `json:"outcome" enums:"valid,valid_with_remarks,valid_in_part,undetermined,not_valid"` // Of its verdict, as known at that instant
	SignOff          *AffectedSignOff `json:"sign_off"`                                                                      // Its last sign-off at that instant; null if it had none
	Series           []AffectedSeries `json:"series"`                                                                        // Those reached
}

type affectedHandlers struct{ *server }

var affectedParameters = []string{
	"certificate_id", "instrument_id", "laboratory_id", "reference_standard", "from", "to", "as_known_at", "limit", "cursor",
}

func (h affectedHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/affected-surveys", respondTable(h.server, h.list, affectedTable, affectedParameters...))
}

// list traces a certificate, an instrument, a laboratory or a reference standard to surveys.
//
//	@Summary		List the surveys that a certificate, instrument, laboratory or reference standard touches
//	@Description	Exactly one of the four is asked about. Series that stood on it are told apart from those in which it was merely used. A certificate counts as it did before it was withdrawn: what relied on it then is what a withdrawal is about. Pages hold surveys in which an instrument concerned was used, so that one may hold fewer than asked for. With Accept: text/csv a table, one line for each series.
//	@Tags			calibrations
//	@Produce		json,text/csv
//	@Param			certificate_id		query		string	false	"Certificate"	format(uuid)
//	@Param			instrument_id		query		string	false	"Instrument"	format(uuid)
//	@Param			laboratory_id		query		string	false	"Laboratory"	format(uuid)
//	@Param			reference_standard	query		string	false	"Description or certificate of a reference standard, as certificates name it"
//	@Param			from				query		string	false	"Use after this instant"	format(date-time)
//	@Param			to					query		string	false	"Use before this instant"	format(date-time)
//	@Param			as_known_at			query		string	false	"Instant whose knowledge counts; absent: now"	format(date-time)
//	@Param			limit				query		int		false	"Surveys a page"	minimum(1)	maximum(200)	default(50)
//	@Param			cursor				query		string	false	"Next page, from the answer before"
//	@Success		200					{object}	List[AffectedSurvey]
//	@Failure		default				{object}	Problem	"Any error"
//	@Router			/v1/affected-surveys [get]
func (h affectedHandlers) list(c *gin.Context) (List[AffectedSurvey], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	target, err := queryTarget(c)
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	from, err := queryTime(c, "from")
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	to, err := queryTime(c, "to")
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	at, err := h.knownAt(c)
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	if err := h.exists(c.Request.Context(), target); err != nil {
		return List[AffectedSurvey]{}, err
	}
	found, err := h.store.TouchedSurveys(c.Request.Context(), target, from, to, at, p)
	if err != nil {
		return List[AffectedSurvey]{}, err
	}
	page := listOf(h.server, c, p, found, func(t survey.Touched) uuid.UUID { return t.ID }, func(t survey.Touched) survey.Touched { return t })
	l := List[AffectedSurvey]{NextCursor: page.NextCursor}
	l.Items, err = h.affectedOf(c.Request.Context(), page.Items, target, at)
	return l, err
}

// affectedOf returns what of surveys, as known at an instant (nil: now), a target reaches, without those of which it reaches nothing.
func (s *server) affectedOf(ctx context.Context, found []survey.Touched, target calibration.Target, at *time.Time) ([]AffectedSurvey, error) {
	all := []AffectedSurvey{}
	ids := make([]uuid.UUID, len(found))
	for i, t := range found {
		ids[i] = t.ID
	}
	signed, err := s.store.LatestSignOffs(ctx, ids, at)
	if err != nil {
		return nil, err
	}
	for _, t := range found {
		a, err := s.affected(ctx, t, target)
		if err != nil {
			return nil, err
		}
		for _, so := range signed {
			if so.SurveyID == t.ID {
				a.SignOff = &AffectedSignOff{so.ID, so.Revision, so.CreatedAt}
			}
		}
		if len(a.Series) > 0 {
			all = append(all, a)
		}
	}
	return all, nil
}

// exists refuses a target that names no record: of a mistaken id nothing would
// be told, as if nothing stood on it.
func (s *server) exists(ctx context.Context, t calibration.Target) (err error) {
	var name, record string
	switch {
	case t.CertificateID != uuid.Nil:
		name, record = "certificate_id", "certificate"
		_, err = s.store.Certificate(ctx, t.CertificateID)
	case t.InstrumentID != uuid.Nil:
		name, record = "instrument_id", "instrument"
		_, err = s.store.Instrument(ctx, t.InstrumentID)
	case t.LaboratoryID != uuid.Nil:
		name, record = "laboratory_id", "laboratory"
		_, err = s.store.Laboratory(ctx, t.LaboratoryID)
	}
	if fault.KindOf(err) != fault.NotFound {
		return err
	}
	var bad fault.Fields
	bad.Add(name, "unknown_reference", "names no "+record)
	return ofQuery(bad.Err("query"))
}

// queryTarget reads what the query asks about.
func queryTarget(c *gin.Context) (t calibration.Target, err error) {
	given := 0
	for name, id := range map[string]*uuid.UUID{"certificate_id": &t.CertificateID, "instrument_id": &t.InstrumentID, "laboratory_id": &t.LaboratoryID} {
		if *id, err = queryID(c, name); err != nil {
			return t, err
		}
		if *id != uuid.Nil {
			given++
		}
	}
	if t.ReferenceStandard = strings.TrimSpace(c.Query("reference_standard")); t.ReferenceStandard != "" {
		given++
	}
	if given != 1 {
		return t, badParameter("certificate_id", "required", "or exactly one of instrument_id, laboratory_id and reference_standard must be given")
	}
	return t, nil
}

// affected returns what of a survey the target reaches.
func (s *server) affected(ctx context.Context, t survey.Touched, target calibration.Target) (AffectedSurvey, error) {
	v := calibration.Decide(t.Facts)
	out := AffectedSurvey{
		SurveyID: t.ID, ClientID: t.ClientID, ProjectID: t.ProjectID, ProjectReference: t.Project.Reference, StartedAt: t.StartedAt,
		Relation: string(calibration.Touched), Outcome: string(v.Outcome), Series: []AffectedSeries{},
	}
	for _, a := range calibration.Affects(t.Facts, target) {
		one := AffectedSeries{SeriesID: a.SeriesID, Relation: string(a.Relation), Parts: []AffectedPart{}}
		if a.Relation == calibration.ReliedOn {
			out.Relation = one.Relation
		}
		reached := map[uuid.UUID]bool{}
		for _, via := range a.Via {
			reached[via.InstrumentID] = true
			one.Parts = append(one.Parts, AffectedPart{via.InstrumentID, orNil(via.CertificateID), via.Role})
		}
		for _, f := range v.Findings {
			if f.SeriesID != a.SeriesID {
				continue
			}
			m, ok := calibration.CouldMove(t.Facts, f)
			if !ok || !slices.ContainsFunc(t.Facts.Certificates, func(c calibration.Certificate) bool { return c.ID == f.Subject.ID && reached[c.InstrumentID] }) {
				continue
			}
			turned, err := s.turned(ctx, t, v, a.SeriesID, m)
			if err != nil {
				return out, err
			}
			one.CouldMove = &PossibleMovement{Level(m.Low), Level(m.High), m.Detail, turned}
		}
		out.Series = append(out.Series, one)
	}
	return out, nil
}

// turned returns the comparisons, at the position of a series, with absolute limits
// that could come out otherwise. All windows count: while a decision is owed none is usable.
func (s *server) turned(ctx context.Context, t survey.Touched, v calibration.Verdict, seriesID uuid.UUID, m calibration.Movement) ([]TurnedComparison, error) {
	out := []TurnedComparison{}
	limits, err := s.limitsOf(ctx, t.ProjectID)
	if err != nil || len(limits) == 0 {
		return out, err
	}
	r := usualFigures(t.Project)
	r.Percentiles, r.StepPercentiles = percentilesOf(limits), nil
	q, err := s.questionOf(ctx, t.Survey, t.Project, r)
	if err != nil {
		return out, err
	}
	q.verdict = v
	q.periods, _ = wantedBy(limits)
	a, err := s.answerTo(ctx, q)
	if err != nil {
		return out, err
	}
	for i := range a.places {
		p := &a.places[i]
		if !slices.ContainsFunc(a.facts, func(f series.Facts) bool { return f.Series.ID == seriesID && f.Series.PositionID == p.record.ID }) {
			continue
		}
		for _, l := range limits {
			if l.PositionID != uuid.Nil && l.PositionID != p.record.ID || l.Nth > 0 || l.Relative != "" {
				continue
			}
			f, _, reason := comparison{limit: l, place: p, survey: t.Survey, least: r.MinCoverage}.result(p, l.Symbol)
			if reason != "" || f.Level == nil {
				continue
			}
			reported := acoustic.Level(math.Round(float64(l.Rounding.Apply(*f.Level)) * 100))
			if m.Decides(reported, l.LevelDB, l.Compare == assessment.GreaterOrEqual) {
				low, high := m.Of(reported)
				out = append(out, TurnedComparison{l.ID, p.record.ID, l.Symbol, orNil(l.Period), Level(reported), Level(l.LevelDB), Level(low), Level(high)})
			}
		}
	}
	return out, nil
}

func affectedTable(l List[AffectedSurvey]) table {
	t := table{name: "affected-surveys", header: []string{
		"survey_id", "client_id", "project_id", "project_reference", "started_at", "outcome", "series_id", "relation", "roles", "low_db", "high_db",
	}}
	for _, a := range l.Items {
		for _, s := range a.Series {
			var roles []string
			for _, p := range s.Parts {
				roles = append(roles, p.Role)
			}
			line := []string{
				a.SurveyID.String(), a.ClientID.String(), a.ProjectID.String(), a.ProjectReference, a.StartedAt.Format(time.RFC3339), a.Outcome,
				s.SeriesID.String(), s.Relation, strings.Join(roles, " "), "", "",
			}
			if m := s.CouldMove; m != nil {
				line[9], line[10] = acoustic.Level(m.LowDB).String(), acoustic.Level(m.HighDB).String()
			}
			t.lines = append(t.lines, line)
		}
	}
	return t
}
