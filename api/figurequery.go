package api

import (
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

var figureParameters = []string{
	"from", "to", "percentiles", "step", "step_percentiles", "periods", "time_zone", "min_coverage", "windows", "exclusions", "uncertainty",
	"highest", "moving_by", "typical_day", "step_uncertainty",
}

// shortSpan is the longest span whose figures come with uncertainties unasked. Those of
// a year take five times as long as its figures.
const shortSpan = 62 * 24 * time.Hour

// queryUncertainty reports whether the uncertainties of figures over a span are wanted.
func queryUncertainty(c *gin.Context) (wanted func(time.Duration) bool, err error) {
	word, err := queryWord(c, "uncertainty", "", "included", "omitted")
	return func(span time.Duration) bool { return word == "included" || word == "" && span <= shortSpan }, err
}

// queryStepUncertainty reports whether the uncertainties of steps are wanted.
func queryStepUncertainty(c *gin.Context) (bool, error) {
	word, err := queryWord(c, "step_uncertainty", "omitted", "included")
	return word == "included", err
}

// usualFigures are what is asked of figures of a project unless a query asks otherwise.
func usualFigures(p survey.Project) summary.Request {
	usual := []series.Percent{10_000, 50_000, 90_000}
	return summary.Request{
		Zone: p.Zone(), Periods: p.DayPeriods(), MinCoverage: summary.DefaultMinCoverage, Percentiles: usual, StepPercentiles: usual,
	}
}

// figureRequest reads what the query asks of figures.
func figureRequest(c *gin.Context, p survey.Project) (r summary.Request, err error) {
	r = usualFigures(p)
	if r.From, err = queryTime(c, "from"); err != nil {
		return r, err
	}
	if r.To, err = queryTime(c, "to"); err != nil {
		return r, err
	}
	if r.Step, err = queryStep(c); err != nil {
		return r, err
	}
	if r.Percentiles, err = queryPercentiles(c, "percentiles", r.Percentiles); err != nil {
		return r, err
	}
	if r.StepPercentiles, err = queryPercentiles(c, "step_percentiles", r.Percentiles); err != nil {
		return r, err
	}
	if name, ok := c.GetQuery("periods"); ok && name != r.Periods.Name {
		if r.Periods, ok = acoustic.PeriodSetNamed(name); !ok {
			return r, badParameter("periods", "not_allowed", "must be one of "+strings.Join(acoustic.PeriodSetNames(), ", "))
		}
	}
	if r.Zone, err = queryZone(c, r.Zone); err != nil {
		return r, err
	}
	if text, ok := c.GetQuery("min_coverage"); ok {
		if r.MinCoverage, err = strconv.ParseFloat(text, 64); err != nil || !(r.MinCoverage >= 0 && r.MinCoverage <= 1) {
			return r, badParameter("min_coverage", "out_of_range", "must lie between 0 and 1")
		}
	}
	windows, err := queryWord(c, "windows", "all", "usable")
	if err != nil {
		return r, err
	}
	r.UsableOnly = windows == "usable"
	exclusions, err := queryWord(c, "exclusions", "applied", "ignored")
	r.IgnoreExclusions = exclusions == "ignored"
	return r, err
}

// maxPercentiles bounds how many exceedance levels one request may ask.
const maxPercentiles = 100

// queryPercentiles reads a list of percentages, otherwise where it is absent.
func queryPercentiles(c *gin.Context, name string, otherwise []series.Percent) ([]series.Percent, error) {
	text, ok := c.GetQuery(name)
	if !ok {
		return otherwise, nil
	}
	if text == "none" {
		return nil, nil
	}
	words := strings.Split(text, ",")
	var ps []series.Percent
	for _, w := range words {
		x, err := strconv.ParseFloat(w, 64)
		n := math.Round(x * 1000)
		if err != nil || !(x > 0 && x < 100) || math.Abs(x*1000-n) > 1e-6 || len(words) > maxPercentiles {
			return nil, badParameter(name, "out_of_range", "must be none or at most 100 numbers between 0 and 100 with at most three decimals, separated by commas")
		}
		ps = append(ps, series.Percent(n))
	}
	return ps, nil
}
