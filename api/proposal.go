package api

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// ExclusionProposal is a span that a person may exclude from a series.
type ExclusionProposal struct {
	SeriesID      uuid.UUID `json:"series_id"` // Series of sound levels to exclude it from
	From          time.Time `json:"from"`
	To            time.Time `json:"to"`
	Reason        string    `json:"reason"`                              // What lay beyond which limit, as an exclusion takes it
	MeasurementID uuid.UUID `json:"measurement_id"`                      // Series of the side measurement that says so
	Quantity      string    `json:"quantity" example:"wind_speed"`       // What it measured
	Unit          string    `json:"unit" example:"m/s"`                  // Unit of highest and limit
	Highest       *float64  `json:"highest"`                             // Highest reading in the span; null where it lay above the measuring range
	Limit         float64   `json:"limit"`                               // Of the rule profile; at it the weather is still within
	LimitSource   string    `json:"limit_source" example:"common rules"` // Where the limit is from
}

// ExclusionProposals are the spans of a survey in which the weather lay beyond limits.
type ExclusionProposals struct {
	SurveyID    uuid.UUID           `json:"survey_id"`    // Survey
	RuleProfile string              `json:"rule_profile"` // Code of the rule profile that sets the limits
	Edition     string              `json:"edition"`      // Its edition
	Proposals   []ExclusionProposal `json:"proposals"`    // By series, then measurement and time; what is excluded already is left out
	Unjudged    []Unjudged          `json:"unjudged"`     // Side measurements that say nothing of spans
}

// Unjudged is a series that could not be compared.
type Unjudged struct {
	SeriesID uuid.UUID `json:"series_id"` // Series
	Reason   string    `json:"reason"`    // Why not
}

type proposalHandlers struct{ *server }

func (h proposalHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/exclusion-proposals", respond(h.server, http.StatusOK, h.get, "from", "to"))
}

// mostWeather bounds the samples of side measurements that one request compares.
const mostWeather = 2_000_000

// get proposes exclusions from the weather.
//
//	@Summary		Propose exclusions for weather beyond the limits
//	@Description	When wind speed or precipitation lay above the limits of the survey's rule profile: of the side measurements at the series' position or, where it has none, of the survey. Nothing is left out of results by this; a person confirms a proposal by posting it as an exclusion of its series.
//	@Tags			series
//	@Param			id		path		string	true	"Survey"					format(uuid)
//	@Param			from	query		string	false	"Beginning of the span"		format(date-time)
//	@Param			to		query		string	false	"End of the span"			format(date-time)
//	@Success		200		{object}	ExclusionProposals
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/exclusion-proposals [get]
func (h proposalHandlers) get(c *gin.Context) (ExclusionProposals, error) {
	id, err := pathID(c)
	if err != nil {
		return ExclusionProposals{}, err
	}
	ctx := c.Request.Context()
	v, err := h.store.Survey(ctx, id)
	if err != nil {
		return ExclusionProposals{}, err
	}
	from, err := queryTime(c, "from")
	if err != nil {
		return ExclusionProposals{}, err
	}
	to, err := queryTime(c, "to")
	if err != nil {
		return ExclusionProposals{}, err
	}
	asked := series.Span{From: time.Unix(0, 0).UTC(), To: time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)}
	if from != nil {
		asked.From = *from
	}
	if to != nil {
		asked.To = *to
	}
	known, err := h.store.RuleProfiles(ctx)
	if err != nil {
		return ExclusionProposals{}, err
	}
	profile, ok := editions(known).find(v.RuleProfile, v.RuleProfileEdition)
	if !ok {
		return ExclusionProposals{}, fmt.Errorf("survey %s: no edition %q of rule profile %q", v.ID, v.RuleProfileEdition, v.RuleProfile)
	}
	out := ExclusionProposals{SurveyID: id, RuleProfile: profile.Code, Edition: profile.Edition, Proposals: []ExclusionProposal{}, Unjudged: []Unjudged{}}
	measured, stations, err := h.weather(ctx, v, asked, profile.Data, &out.Unjudged)
	if err != nil || len(stations) == 0 {
		return out, err
	}
	for _, m := range measured {
		excluded, err := h.excluded(ctx, m.ID)
		if err != nil {
			return out, err
		}
		for _, b := range profile.Data.BadWeather(stations, m.PositionID) {
			// Cut to what was measured.
			inside := series.Subtract([]series.Span{b.Span}, []series.Span{{To: m.extent.From}, {From: m.extent.To, To: asked.To}})
			for _, s := range series.Subtract(inside, excluded) {
				out.Proposals = append(out.Proposals, ExclusionProposal{
					SeriesID: m.ID, From: s.From.UTC(), To: s.To.UTC(), Reason: b.Reason(), MeasurementID: b.SeriesID,
					Quantity: b.Quantity.Symbol, Unit: b.Quantity.Unit, Highest: b.Highest, Limit: b.Limit.Value, LimitSource: b.Limit.Source,
				})
			}
		}
	}
	return out, nil
}

// measuredSeries is a series of sound levels with when it was measured.
type measuredSeries struct {
	series.Series
	extent series.Span
}

// weather returns the series of sound levels of a survey and the side measurements that
// the rules limit, with their samples in a span. Those that say nothing of spans are
// noted in unjudged.
func (s *server) weather(ctx context.Context, v survey.Survey, asked series.Span, rules calibration.DataRules, unjudged *[]Unjudged) (
	levels []measuredSeries, stations []calibration.Station, err error,
) {
	page, samples := request.Page{Limit: 200}, 0
	for {
		headers, contents, err := s.store.SeriesOfSurvey(ctx, v.ID, page)
		if err != nil {
			return nil, nil, err
		}
		for i, h := range headers {
			q, _ := series.ParseQuantity(h.Quantity)
			_, limited := rules.WeatherLimit(q)
			switch {
			case h.Withdrawn || contents[i].Extent.From.IsZero():
			case q.Level():
				levels = append(levels, measuredSeries{h, contents[i].Extent})
			case limited && h.IntervalUS == 0:
				*unjudged = append(*unjudged, Unjudged{h.ID, "readings at instants say nothing of the time between them"})
			case limited:
				st := calibration.Station{SeriesID: h.ID, PositionID: h.PositionID, Quantity: q, Interval: h.Interval()}
				if err := s.store.StreamSamples(ctx, h.ID, asked, func(runs []series.Run) error {
					for _, r := range runs {
						if samples += len(r.Levels); samples > mostWeather {
							return badParameter("from", "out_of_range", fmt.Sprintf("asks for more than %d samples of side measurements: ask for a shorter span", mostWeather))
						}
						st.Runs = append(st.Runs, series.Run{Start: r.Start, Levels: slices.Clone(r.Levels)})
					}
					return nil
				}); err != nil {
					return nil, nil, err
				}
				stations = append(stations, st)
			}
		}
		if len(headers) < page.Limit {
			return levels, stations, nil
		}
		page.After = headers[len(headers)-1].ID
	}
}

// excluded returns the spans that are excluded from a series, in time order.
func (s *server) excluded(ctx context.Context, seriesID uuid.UUID) (spans []series.Span, err error) {
	page := request.Page{Limit: 200}
	for {
		some, err := s.store.ExclusionsOfSeries(ctx, seriesID, page)
		if err != nil {
			return nil, err
		}
		for _, x := range some {
			spans = append(spans, series.Span{From: x.StartsAt, To: x.EndsAt})
		}
		if len(some) < page.Limit {
			slices.SortFunc(spans, func(a, b series.Span) int { return a.From.Compare(b.From) })
			return spans, nil
		}
		page.After = some[len(some)-1].ID
	}
}
