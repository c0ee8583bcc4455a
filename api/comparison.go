package api

import (
	"fmt"
	"slices"
	"strings"

	"leveltrail/domain/assessment"
	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// comparison is one limit and the results of one position.
type comparison struct {
	limit    assessment.Limit
	place    *place // from the usable windows
	unusable *place // from all samples, where the verdict does not stand; nil: it does
	survey   survey.Survey
	facade   *assessment.Facade
	least    float64 // share of the time that must have been measured
	yearly   string
}

func (c comparison) assess() Assessment {
	if c.limit.Nth > 0 {
		return c.count()
	}
	f, res, reason := c.result(c.place, c.limit.Symbol)
	r := c.about(f)
	r.Missing = reason
	if c.limit.Relative != "" {
		if ref, _, why := c.result(c.place, c.limit.Relative); why == "" {
			r.Reference = &ref
		} else if c.unusable != nil {
			if ref, _, why := c.result(c.unusable, c.limit.Relative); why == "" {
				r.Reference = &ref
			}
		}
	}
	if c.unusable != nil {
		if g, of, why := c.result(c.unusable, c.limit.Symbol); why == "" {
			if of != nil && g.Bound == summary.Upper {
				g = of.total // that the source may be quieter is no reason not to warn
			}
			r.Unusable = &g
		}
	}
	if slices.ContainsFunc(c.place.figures.Indices, func(g summary.Figure) bool { return g.Symbol == f.Symbol }) {
		r.Days = c.place.figures.Reference
	}
	b := c.place.budget(f, c.survey.Contributions)
	if res != nil && res.reason == "" {
		b = res.budget
	}
	u := c.uncertainty(&r, b)
	out := c.body(assessment.Assess(c.limit, r))
	if reason == "" {
		level := figureOf(f)
		out.Level, out.Uncertainty = &level, u
	} else if r.Unusable != nil {
		level := figureOf(*r.Unusable)
		out.Level = &level
	}
	if res != nil {
		body := res.body()
		out.Residual = &body
	}
	return c.explain(out, r, b)
}

// outcome returns that of the series that the result is made of.
func (c comparison) outcome() calibration.Outcome {
	if _, band, ok := series.CutBand(c.limit.Symbol); ok {
		return c.place.bands[aside{band, c.limit.Period}].outcome
	}
	return c.place.outcome
}

// about returns what is known of every result of the position.
func (c comparison) about(f summary.Figure) assessment.Result {
	return assessment.Result{
		Figure: f, Setting: assessment.Setting(c.place.record.Setting), Facade: c.facade, Verdict: c.outcome(), YearlyWhy: c.yearly,
	}
}

// uncertainty enters that of a budget in r, and returns the budget. A rule that rests on it
// needs a whole budget: what is missing is not taken as zero.
func (c comparison) uncertainty(r *assessment.Result, b known) *Budget {
	if b.err != nil || b.Standard == 0 || strings.HasSuffix(c.limit.Symbol, "peak") {
		return nil
	}
	if c.limit.Rule == assessment.Simple || len(b.Missing) == 0 {
		r.Uncertainty = &assessment.Uncertainty{Standard: b.Standard, Expanded: b.Expanded}
	}
	body := budgetOf(b.Budget)
	return &body
}

// explain adds to the reason of out what its budget does not name.
func (c comparison) explain(out Assessment, r assessment.Result, b known) Assessment {
	if out.Outcome == string(assessment.NotDecided) && c.limit.Rule != assessment.Simple && r.Uncertainty == nil && len(b.Missing) > 0 && out.Reason != nil {
		out.Reason = new(*out.Reason + ", and its budget does not name: " + strings.Join(b.Missing, ", "))
	}
	return out
}

// result returns the figure of a symbol in the period of the limit, corrected for residual
// sound where that is marked. reason says why there is none.
func (c comparison) result(p *place, symbol string) (f summary.Figure, r *corrected, reason string) {
	if symbol == "LAr" {
		return f, nil, "a rating level is compared where it is made: post its parts to the survey's rating-level"
	}
	coverage, residual, own := p.coverage, p.residual, p.residualOf[c.limit.Period]
	level, band, banded := series.CutBand(symbol)
	switch {
	case banded:
		of := p.bands[aside{band, c.limit.Period}]
		symbol, coverage = level, of.coverage
		residual, own = p.residualIn[aside{band, ""}], p.residualIn[aside{band, c.limit.Period}]
		if reason = of.reason; reason == "" {
			if f, reason = levelOf(of.PositionFigures, level); reason != "" {
				reason += " in the band " + band
			}
		}
	case summary.IsBackground(symbol):
		found := p.grounds[aside{symbol, c.limit.Period}]
		if found.reason != "" {
			return f, nil, found.reason
		}
		return found.figure(), nil, ""
	case c.limit.Period == "":
		f, reason = p.figure(symbol)
	case symbol == "LAeq": // with the coverage that a period's level needs
		if f, reason = p.figure(c.limit.Period); reason == "" {
			return c.corrected(p, f)
		}
		return f, nil, reason
	default:
		of := p.ofPeriods[c.limit.Period]
		coverage = of.coverage
		if reason = of.reason; reason == "" {
			f, reason = levelOf(of.PositionFigures, symbol)
		}
	}
	if reason != "" {
		return f, nil, reason
	}
	if share, ok := coverage[symbol]; ok && share < c.least {
		return f, nil, fmt.Sprintf("coverage %.3f is below %g", share, c.least)
	}
	_, known := residualFor(symbol, residual)
	switch {
	case !known && (banded || c.limit.Period != ""):
		return f, nil, ""
	case !known:
		return c.corrected(p, f) // of an index, if at all
	case c.limit.Period == "":
		own = residual
	}
	made := p.correctIn(f, symbol, own, c.survey.Contributions)
	if made.reason != "" {
		return f, &made, made.reason
	}
	return made.Figure, &made, ""
}

// corrected returns f corrected for residual sound where that is marked.
func (c comparison) corrected(p *place, f summary.Figure) (summary.Figure, *corrected, string) {
	for _, r := range p.correctAll(c.survey.Contributions) {
		if r.total.Symbol != f.Symbol {
			continue
		}
		if r.reason != "" {
			return f, &r, r.reason
		}
		return r.Figure, &r, ""
	}
	return f, nil, ""
}

// levelOf returns the level of that symbol.
func levelOf(p summary.PositionFigures, symbol string) (f summary.Figure, reason string) {
	for _, g := range p.Levels {
		if g.Symbol == symbol {
			return g, ""
		}
	}
	return f, missing(p.Unavailable, symbol)
}

// count compares a count of maxima in each of the periods and answers with the one that
// decides: the first exceeded, else the first undecided, else the first.
func (c comparison) count() Assessment {
	found := c.maxima(c.place)
	if c.unusable != nil {
		if all := c.maxima(c.unusable); all.reason == "" {
			found = all
		}
	}
	if found.reason != "" || len(found.occurrences) == 0 {
		r := c.about(summary.Figure{Symbol: c.limit.Symbol, Bound: summary.Lower})
		if r.Missing = found.reason; r.Missing == "" {
			r.Missing = "the span holds no such period"
		}
		return c.body(assessment.Assess(c.limit, r))
	}
	severity := map[assessment.Outcome]int{assessment.Exceeded: 0, assessment.IndicatesExceedance: 1, assessment.NotValid: 2, assessment.NotDecided: 3, assessment.Below: 4}
	var worst assessment.Assessment
	var of occurrence
	for i, o := range found.occurrences {
		r := c.about(o.figure)
		if c.unusable != nil {
			if l, ok := assessment.NthHighest(o.maxima, c.limit.Nth, c.limit.Separation()); ok {
				f := o.figure
				f.Level = new(l.Decibel())
				r.Unusable = &f
			}
		}
		a := assessment.AssessCount(c.limit, o.maxima, r)
		if i == 0 || severity[a.Outcome] < severity[worst.Outcome] {
			worst, of = a, o
		}
	}
	out := c.body(worst)
	out.From, out.To = &of.From, &of.To
	if l, ok := assessment.NthHighest(of.maxima, c.limit.Nth, c.limit.Separation()); ok {
		f := of.figure
		f.Level = new(l.Decibel())
		level := figureOf(f)
		out.Level = &level
	}
	return out
}

func (c comparison) maxima(p *place) maximaFound {
	for i, w := range p.wanted {
		if w == (maximaWanted{c.limit.Symbol, c.limit.Period}) {
			return p.counts[i]
		}
	}
	return maximaFound{}
}

func (c comparison) body(a assessment.Assessment) Assessment {
	l := a.Limit
	out := Assessment{
		LimitID: l.ID, LimitVersion: l.Version, PositionID: c.place.record.ID, Number: c.place.record.Number, Symbol: l.Symbol, Period: orNil(l.Period),
		Outcome: string(a.Outcome), ComparedDB: decibels(a.Level), LimitDB: decibels(a.Against), Rule: string(l.Rule), Compare: string(l.Compare),
		Rounding: string(l.Rounding), Verdict: string(c.outcome()), Reason: orNil(a.Reason), Source: l.Source,
	}
	if a.Facade != nil {
		out.Facade = &Facade{float64(a.Facade.Correction), float64(a.Facade.Uncertainty), a.Facade.Source}
	}
	if a.Probability != nil {
		out.Probability = new(round(*a.Probability, 4))
	}
	cautions := a.Cautions
	if c.survey.Kind == "workplace" {
		cautions = append(caution.Workplace(), cautions...)
		switch a.Outcome {
		case assessment.NotDecided, assessment.NotValid, assessment.IndicatesExceedance:
			out.TreatAs = new(string(assessment.Exceeded))
		case assessment.Below, assessment.Exceeded:
			out.TreatAs = new(string(a.Outcome))
		}
	}
	var once []caution.Caution
	for _, x := range cautions {
		if !slices.Contains(once, x) {
			once = append(once, x)
		}
	}
	out.Cautions = cautionsOf(once)
	return out
}
