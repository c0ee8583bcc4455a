package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

type verdictStore interface {
	VerdictFacts(ctx context.Context, surveyID uuid.UUID, asKnownAt *time.Time) (calibration.Facts, error)
	SurveysOfSeries(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]uuid.UUID, error)
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
	Type    string    `json:"type"`    // Kind of record, such as series, instrument, certificate, field_check or event; further ones may appear
	ID      uuid.UUID `json:"id"`      // Zero where the key may not see the record
	Version int       `json:"version"` // Version of the record
}

// Finding is one reason of a verdict.
type Finding struct {
	Key           string       `json:"key"`                                            // Changes with the subject's version, so that a changed fact asks again
	Rule          string       `json:"rule"`                                           // What is found; further rules may appear
	Severity      string       `json:"severity" enums:"fail,undetermined,remark,info"` // What it does to its window
	Subject       Subject      `json:"subject"`                                        // What it is about
	SeriesID      uuid.UUID    `json:"series_id"`                                      // Series that it touches
	From          *time.Time   `json:"from"`                                           // Window that it touches; null if it has none
	To            *time.Time   `json:"to"`                                             // End of the window
	Detail        string       `json:"detail"`                                         // For people, with the values; times are those of the site
	Reference     string       `json:"reference"`                                      // Clause, or "house value"
	Disposition   *Disposition `json:"disposition"`                                    // Decision on it; null while there is none
	Disposable    bool         `json:"disposable"`                                     // It may be accepted: it is undetermined, or a fail that a person may judge
	OtherSurveyID *uuid.UUID   `json:"other_survey_id,omitempty"`                      // Of use elsewhere at the same time: the survey, if the key may see it
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

// verdictOf makes the body of a verdict; visible are the surveys of those series of others that the caller may see.
func verdictOf(v calibration.Verdict, visible map[uuid.UUID]uuid.UUID) Verdict {
	out := Verdict{
		SurveyID: v.SurveyID, Outcome: string(v.Outcome), Why: v.Why(), RuleProfile: RuleProfileEdition{v.Profile, v.Edition},
		AsKnownAt: v.AsKnownAt, InputsSHA256: v.InputsSHA256, Series: []SeriesVerdict{}, Findings: []Finding{},
	}
	for _, s := range v.Series {
		out.Series = append(out.Series, SeriesVerdict{s.SeriesID, string(s.Outcome), windowsOf(s.Usable), windowsOf(s.Pending)})
	}
	for _, f := range v.Findings {
		b := Finding{
			Key: f.Key, Rule: string(f.Rule), Severity: string(f.Severity), Subject: Subject(f.Subject), SeriesID: f.SeriesID,
			From: f.From, To: f.To, Detail: f.Detail, Reference: f.Reference, Disposable: f.Accepts(calibration.Accept),
		}
		if f.Disposition != nil {
			d := dispositionOf(*f.Disposition)
			b.Disposition = &d
		}
		if f.Rule == calibration.InstrumentUseOverlaps {
			if other, ok := visible[f.Subject.ID]; ok {
				b.OtherSurveyID = &other
			} else {
				b.Subject.ID = uuid.Nil
			}
		}
		out.Findings = append(out.Findings, b)
	}
	return out
}

// verdict judges a survey by what was known at an instant (nil: now).
func (s *server) verdict(ctx context.Context, surveyID uuid.UUID, asKnownAt *time.Time) (calibration.Verdict, error) {
	facts, err := s.store.VerdictFacts(ctx, surveyID, asKnownAt)
	if err != nil {
		return calibration.Verdict{}, err
	}
	return calibration.Decide(facts), nil
}

type verdictHandlers struct{ *server }

func (h verdictHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/verdict", respond(h.server, http.StatusOK, h.get, "as_known_at"))
	v1.GET("/surveys/:id/trace", respondTable(h.server, h.trace, traceTable, "as_known_at"))
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
	at, err := h.knownAt(c)
	if err != nil {
		return Verdict{}, err
	}
	v, err := h.verdict(c.Request.Context(), id, at)
	if err != nil {
		return Verdict{}, err
	}
	var others []uuid.UUID
	for _, f := range v.Findings {
		if f.Rule == calibration.InstrumentUseOverlaps {
			others = append(others, f.Subject.ID)
		}
	}
	var visible map[uuid.UUID]uuid.UUID
	if others != nil {
		if visible, err = h.store.SurveysOfSeries(c.Request.Context(), others); err != nil {
			return Verdict{}, err
		}
	}
	return verdictOf(v, visible), nil
}
