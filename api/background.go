package api

import (
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/assessment"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// aside asks figures that stand beside those of a position: of a band, or a background level.
type aside struct {
	symbol string // band as a series' use writes it, or the background symbol
	period string // empty: the whole span
}

// backgroundFound is a background level with the distribution that it was chosen from.
type backgroundFound struct {
	symbol summary.BackgroundSymbol
	name   string
	summary.Background
	reason string // why there is none
}

// figure returns the level chosen.
func (b backgroundFound) figure() summary.Figure {
	return summary.Figure{Symbol: b.name, Level: new(b.Level(b.symbol.Statistic)), Basis: b.Basis}
}

// asidesOf returns what limits ask of bands and of background levels.
func asidesOf(limits []assessment.Limit) (bands, backgrounds []aside) {
	for _, l := range limits {
		for _, symbol := range []string{l.Symbol, l.Relative} {
			if _, band, ok := series.CutBand(symbol); ok && !slices.Contains(bands, aside{band, l.Period}) {
				bands = append(bands, aside{band, l.Period})
			}
			if a := (aside{symbol, l.Period}); summary.IsBackground(symbol) && !slices.Contains(backgrounds, a) {
				backgrounds = append(backgrounds, a)
			}
		}
	}
	return bands, backgrounds
}

// planAsides asks what stands beside the figures of a position.
func (q question) planAsides(in *inquiry, members []int, span series.Span) (func(*place), error) {
	bands, grounds := map[aside]func() periodFigures{}, map[aside]func() backgroundFound{}
	residual := map[aside]func() []summary.Figure{}
	for _, a := range q.bands {
		var of []int // series of the band
		for _, n := range members {
			h := in.facts[n].Series
			if _, band, ok := series.CutBand(h.Use()); ok && band == a.symbol && !h.Residual {
				of = append(of, n)
			}
		}
		figures, err := q.planPeriod(in, of, a.period, span)
		if err != nil {
			return nil, err
		}
		bands[a] = func() periodFigures {
			f := figures()
			f.outcome = q.outcomeOf(in, of)
			return f
		}
		headers, telling, extent := q.residualsOf(in, members, a.symbol)
		if len(telling) == 0 {
			continue
		}
		for _, period := range []string{"", a.period} {
			var outside []series.Span
			if period != "" {
				inside, _ := q.occurrences(period, extent)
				outside = series.Subtract([]series.Span{extent}, inside)
			}
			if residual[aside{a.symbol, period}], err = q.residualLevels(in, headers, telling, false, outside); err != nil {
				return nil, err
			}
		}
	}
	for _, a := range q.backgrounds {
		var err error
		if grounds[a], err = q.planBackground(in, broadband(in.facts, members), a, span); err != nil {
			return nil, err
		}
	}
	return func(p *place) {
		p.bands, p.grounds, p.residualIn = map[aside]periodFigures{}, map[aside]backgroundFound{}, map[aside][]summary.Figure{}
		for a, of := range residual {
			p.residualIn[a] = of()
		}
		for a, of := range bands {
			p.bands[a] = of()
		}
		for a, of := range grounds {
			p.grounds[a] = of()
		}
	}, nil
}

// outcomeOf returns the outcome of series that make one result.
func (q question) outcomeOf(in *inquiry, of []int) calibration.Outcome {
	var outcomes []calibration.Outcome
	for _, n := range of {
		for _, v := range q.verdict.Series {
			if v.SeriesID == in.facts[n].Series.ID {
				outcomes = append(outcomes, v.Outcome)
			}
		}
	}
	return together(outcomes)
}

// planBackground asks the exceedance levels of stretches of a position.
func (q question) planBackground(in *inquiry, counts []int, a aside, span series.Span) (func() backgroundFound, error) {
	found := backgroundFound{name: a.symbol}
	found.symbol, _ = summary.ParseBackground(a.symbol)
	inside, reason := q.occurrences(a.period, span)
	var parts []func() summary.Part
	primary := false // of two meters the primary one counts
	for _, n := range counts {
		h := plannedOf(in.facts[n], q.verdict)
		if !found.symbol.Carries(h) || h.Interval == 0 || primary && !h.Primary {
			continue
		}
		if h.Primary && !primary {
			parts, primary = nil, true
		}
		p, err := summary.PlanBackground(q.request, h, found.symbol)
		if err != nil {
			return nil, err
		}
		part, _ := in.figures(n, p, false)
		parts = append(parts, part)
	}
	if len(parts) == 0 && reason == "" {
		reason = "no series of the position carries it"
	}
	return func() backgroundFound {
		if found.reason = reason; reason == "" {
			found.Background, found.reason = summary.BackgroundOf(found.symbol, made(parts), inside, q.request.MinCoverage)
		}
		return found
	}, nil
}

// BackgroundLevel is a chosen statistic of exceedance levels of consecutive stretches.
type BackgroundLevel struct {
	PositionID   uuid.UUID           `json:"position_id"`        // Position
	Number       int                 `json:"number"`             // Its number
	Symbol       string              `json:"symbol"`             // Of the background level
	Period       *string             `json:"period"`             // Symbol of the period that its stretches lie in; null: the whole time
	Level        *PlainFigure        `json:"level"`              // Of the statistic chosen; null if there is none
	Stretches    int                 `json:"stretches"`          // That count
	LeftOut      int                 `json:"left_out"`           // Of which too little was measured, or whose level is not known
	LowestDB     *float64            `json:"lowest_stretch_db"`  // Lowest of their levels
	MedianDB     *float64            `json:"median_stretch_db"`  // Median of their levels
	MeanDB       *float64            `json:"mean_stretch_db"`    // Arithmetic mean of their levels
	ModeDB       *float64            `json:"mode_stretch_db"`    // Most frequent whole decibel
	HighestDB    *float64            `json:"highest_stretch_db"` // Highest of their levels
	Distribution []BackgroundStretch `json:"distribution"`       // By whole decibels, ascending
	Reason       *string             `json:"reason"`             // Why there is none
}

// BackgroundStretch is how many stretches have a level that rounds to a whole decibel, halves up.
type BackgroundStretch struct {
	LevelDB   int `json:"level_db"`
	Stretches int `json:"stretches"` // How many
}

// SurveyBackground is the background levels of a survey's positions.
type SurveyBackground struct {
	SurveyID  uuid.UUID         `json:"survey_id"`                  // Survey
	Windows   string            `json:"windows" enums:"all,usable"` // Which samples the levels cover
	Outcome   string            `json:"outcome"`                    // Of the verdict on the survey
	Positions []BackgroundLevel `json:"positions"`                  // Where something was measured
	Cautions  []Caution         `json:"cautions"`                   // To be shown beside the levels
	Evidence  Evidence          `json:"evidence"`
}

type backgroundHandlers struct{ *server }

func (h backgroundHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/background", respond(h.server, http.StatusOK, h.get, "symbol", "period", "from", "to", "min_coverage", "windows", "exclusions", "time_zone", "periods"))
}

// get returns background levels.
//
//	@Summary		Background levels of a survey
//	@Description	A chosen statistic of the exceedance levels of consecutive stretches on the site's clock, with the distribution it was chosen from. A limit may rest on it. It is no residual level: that is an equivalent level with the sound in question off.
//	@Tags			figures
//	@Param			id				path		string	true	"Survey"	format(uuid)
//	@Param			symbol			query		string	false	"Exceedance level, length of the stretches and statistic (lowest, median, mean or mode): LAF90,15min median unless given"
//	@Param			period			query		string	false	"Symbol of the period of the day that the stretches lie in: the whole time unless given"
//	@Param			from			query		string	false	"Beginning of the span"	format(date-time)
//	@Param			to				query		string	false	"End of the span"	format(date-time)
//	@Param			min_coverage	query		number	false	"Share of a stretch that must have been measured: 0.75 unless given"
//	@Param			windows			query		string	false	"Which samples the levels cover"	Enums(all, usable)	default(all)
//	@Param			exclusions		query		string	false	"Whether marked spans are left out"	Enums(applied, ignored)	default(applied)
//	@Param			time_zone		query		string	false	"IANA time zone of stretches and periods: the project's unless given"
//	@Param			periods			query		string	false	"Name of a division of the day: the project's unless given"
//	@Success		200				{object}	SurveyBackground
//	@Failure		default			{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/background [get]
func (h backgroundHandlers) get(c *gin.Context) (SurveyBackground, error) {
	id, err := pathID(c)
	if err != nil {
		return SurveyBackground{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyAndProject(ctx, id)
	if err != nil {
		return SurveyBackground{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return SurveyBackground{}, err
	}
	r.Percentiles, r.StepPercentiles = nil, nil
	period, err := queryText(c, "period")
	if err != nil {
		return SurveyBackground{}, err
	}
	wanted := aside{"LAF90,15min median", period}
	if text, ok := c.GetQuery("symbol"); ok {
		wanted.symbol = text
	}
	if !summary.IsBackground(wanted.symbol) {
		return SurveyBackground{}, badParameter("symbol", "not_allowed", "must be an exceedance level, stretches of whole minutes that divide a day, and a statistic, such as LAF90,15min median")
	}
	q, err := h.questionOf(ctx, v, project, r)
	if err != nil {
		return SurveyBackground{}, err
	}
	q.backgrounds = []aside{wanted}
	a, err := h.answerTo(ctx, q)
	if err != nil {
		return SurveyBackground{}, err
	}
	out := SurveyBackground{SurveyID: id, Windows: "all", Outcome: string(q.verdict.Outcome), Positions: []BackgroundLevel{}, Evidence: a.evidence}
	if r.UsableOnly {
		out.Windows = "usable"
	}
	var levels []summary.Figure
	for _, p := range a.places {
		found := p.grounds[wanted]
		one := BackgroundLevel{
			PositionID: p.record.ID, Number: p.record.Number, Symbol: wanted.symbol, Period: orNil(wanted.period),
			Distribution: []BackgroundStretch{}, Reason: orNil(found.reason),
		}
		if found.reason == "" {
			f := found.figure()
			levels = append(levels, f)
			plain := plainOf(f)
			one.Level, one.Stretches, one.LeftOut = &plain, found.Counted, found.LeftOut
			one.LowestDB, one.MedianDB, one.MeanDB = decibels(&found.Lowest), decibels(&found.Median), decibels(&found.Mean)
			one.ModeDB, one.HighestDB = decibels(&found.Mode), decibels(&found.Highest)
			for _, d := range found.Distribution {
				one.Distribution = append(one.Distribution, BackgroundStretch{d.Level, d.Stretches})
			}
		}
		out.Positions = append(out.Positions, one)
	}
	out.Cautions = cautionsOf(cautionsFor(levels, nil, summary.Reference{}))
	return out, nil
}
