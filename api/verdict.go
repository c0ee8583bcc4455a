package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

type verdictStore interface {
	VerdictFacts(ctx context.Context, surveyID uuid.UUID, asKnownAt *time.Time) (calibration.Facts, error)
}

// Window is the half-open stretch of time from, to.
type Window struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// SeriesVerdict says which parts of one series stand.
type SeriesVerdict struct {
	SeriesID uuid.UUID `json:"series_id"`
	Outcome  string    `json:"outcome" enums:"valid,valid_with_remarks,valid_in_part,undetermined,not_valid"` // Whether the series stands
	Usable   []Window  `json:"usable"`                                                                        // What stands
	Pending  []Window  `json:"pending"`                                                                       // What awaits a decision
}

// Subject is the record that a finding is about.
type Subject struct {
	Type    string    `json:"type"` // Kind of record: series, instrument, certificate or field_check; further ones may appear
	ID      uuid.UUID `json:"id"`
	Version int       `json:"version"` // Version of the record
}

// Disposition is a decision on a finding.
type Disposition struct {
	Decision string `json:"decision" enums:"accept,reject"` // What was decided
	Reason   string `json:"reason"`                         // Why
}

// Finding is one reason of a verdict.
type Finding struct {
	Key         string       `json:"key"`                                            // Changes with the subject's version, so that a changed fact asks again
	Rule        string       `json:"rule"`                                           // What is found; further rules may appear
	Severity    string       `json:"severity" enums:"fail,undetermined,remark,info"` // What it does to its window
	Subject     Subject      `json:"subject"`                                        // What it is about
	SeriesID    uuid.UUID    `json:"series_id"`                                      // Series that it touches
	From        *time.Time   `json:"from"`                                           // Window that it touches; null if it has none
	To          *time.Time   `json:"to"`                                             // End of the window
	Detail      string       `json:"detail"`                                         // For people, with the values; times are those of the site
	Reference   string       `json:"reference"`                                      // Clause, or "house value"
	Disposition *Disposition `json:"disposition"`                                    // Decision on it; null while there is none
}

// Verdict says whether a survey's measurements stand on valid calibration.
type Verdict struct {
	SurveyID     uuid.UUID          `json:"survey_id"`
	Outcome      string             `json:"outcome" enums:"valid,valid_with_remarks,valid_in_part,undetermined,not_valid"` // Whether the survey stands
	Why          string             `json:"why"`                                                                           // Detail of the finding that decided; empty for a valid survey
	RuleProfile  RuleProfileEdition `json:"rule_profile"`                                                                  // What the survey is judged by
	AsKnownAt    time.Time          `json:"as_known_at"`                                                                   // Instant whose knowledge counts
	InputsSHA256 string             `json:"inputs_sha256"`                                                                 // Digest of all that was taken into account: equal digests, nothing relevant was learned between
	Series       []SeriesVerdict    `json:"series"`                                                                        // Of each series of sound levels
	Findings     []Finding          `json:"findings"`                                                                      // Reasons, by series and time
}

func windowsOf(spans []series.Span) []Window {
	w := make([]Window, len(spans))
	for i, s := range spans {
		w[i] = Window{s.From, s.To}
	}
	return w
}

func verdictOf(v calibration.Verdict) Verdict {
	out := Verdict{
		SurveyID: v.SurveyID, Outcome: string(v.Outcome), Why: v.Why(), RuleProfile: RuleProfileEdition{v.Profile, v.Edition},
		AsKnownAt: v.AsKnownAt, InputsSHA256: v.InputsSHA256, Series: []SeriesVerdict{}, Findings: []Finding{},
	}
	for _, s := range v.Series {
		out.Series = append(out.Series, SeriesVerdict{s.SeriesID, string(s.Outcome), windowsOf(s.Usable), windowsOf(s.Pending)})
	}
	for _, f := range v.Findings {
		out.Findings = append(out.Findings, Finding{
			Key: f.Key, Rule: string(f.Rule), Severity: string(f.Severity), Subject: Subject(f.Subject), SeriesID: f.SeriesID,
			From: f.From, To: f.To, Detail: f.Detail, Reference: f.Reference,
		})
	}
	return out
}

// verdict judges a survey by what was known at an instant (nil: now).
func (s *server) verdict(ctx context.Context, surveyID uuid.UUID, asKnownAt *time.Time) (calibration.Verdict, error) {
	if asKnownAt != nil && asKnownAt.After(s.now()) {
		var bad fault.Fields
		bad.Add("as_known_at", "in_the_future", "must not lie in the future: what will be known then is not known yet")
		return calibration.Verdict{}, ofQuery(bad.Err("query"))
	}
	facts, err := s.store.VerdictFacts(ctx, surveyID, asKnownAt)
	if err != nil {
		return calibration.Verdict{}, err
	}
	return calibration.Decide(facts), nil
}

type verdictHandlers struct{ *server }

func (h verdictHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/verdict", respond(h.server, http.StatusOK, h.get, "as_known_at"))
}

// get returns the verdict of a survey.
//
//	@Summary		Judge a survey
//	@Description	Whether its measurements stand on valid calibration, by its rule profile and what was known at an instant.
//	@Tags			verdicts
//	@Param			id			path		string	true	"Survey"	format(uuid)
//	@Param			as_known_at	query		string	false	"Instant whose knowledge counts; absent: now"	format(date-time)
//	@Success		200			{object}	Verdict
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/verdict [get]
func (h verdictHandlers) get(c *gin.Context) (Verdict, error) {
	id, err := pathID(c)
	if err != nil {
		return Verdict{}, err
	}
	at, err := queryTime(c, "as_known_at")
	if err != nil {
		return Verdict{}, err
	}
	v, err := h.verdict(c.Request.Context(), id, at)
	if err != nil {
		return Verdict{}, err
	}
	return verdictOf(v), nil
}
