package api

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
	"leveltrail/domain/caution"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// RatingRequest asks the rating level of a position in the manner of ISO 1996-1.
type RatingRequest struct {
	PositionID uuid.UUID    `json:"position_id"`                       // Position
	RatingS    float64      `json:"rating_s" minimum:"1"`              // Rating time; of what it holds beside the parts the source was silent
	Period     *string      `json:"period,omitempty" example:"Lnight"` // Symbol of the period of the day that the level is of: limits of that period are compared with it too
	Parts      []RatingPart `json:"parts" minItems:"1" maxItems:"24"`  // Parts with adjustments of their own
}

// RatingPart is a part of the rating time.
type RatingPart struct {
	From        time.Time       `json:"from"`
	To          time.Time       `json:"to"`
	DurationS   *float64        `json:"duration_s,omitempty"`                                                                                // How long the part lasts in the rating time, if it was not measured in full
	Adjustments []NewAdjustment `json:"adjustments,omitempty"`                                                                               // As entered
	ToneRule    *string         `json:"tone_rule,omitempty" enums:"iso_1996_2,western_australia,western_australia_any_time,portugal,france"` // Find tones in the one-third-octave levels by this rule
	ImpulseRule *string         `json:"impulse_rule,omitempty" enums:"western_australia,portugal"`                                           // Find impulsive sound by this rule
}

// NewAdjustment is an adjustment as entered.
type NewAdjustment struct {
	Kind         string  `json:"kind" enums:"tone,impulse,source,time_of_day,other"` // What it is for
	AdjustmentDB float64 `json:"adjustment_db"`                                      // Added to the level of the part
	Source       string  `json:"source"`                                             // Where it is laid down
}

// Adjustment is one that was added.
type Adjustment struct {
	NewAdjustment
	Found *string `json:"found"` // How it was found; null: entered
}

// RatedPart is a part with what was found in it.
type RatedPart struct {
	From        time.Time    `json:"from"`
	To          time.Time    `json:"to"`
	DurationS   float64      `json:"duration_s"`
	Level       *Figure      `json:"level"`       // Equivalent level; null if there is none
	Adjustments []Adjustment `json:"adjustments"` // Added to it
	Spectrum    *Spectrum    `json:"spectrum"`    // Of the bands of the position; null without any
	Tones       []Tone       `json:"tones"`       // Bands that stand out by the rule asked
	UnjudgedHz  []float64    `json:"unjudged_hz"` // Bands in the range of the rule without the neighbours it takes
	Reason      *string      `json:"reason"`      // Why the part cannot be rated
}

// Spectrum is equivalent levels of bands.
type Spectrum struct {
	Fraction  int         `json:"fraction" enums:"1,3"`    // 1: octaves, 3: one-third octaves
	Weighting string      `json:"weighting" enums:"A,C,Z"` // Of level_db
	Bands     []BandLevel `json:"bands"`                   // By ascending frequency
	OverallA  *float64    `json:"overall_a_db"`            // A-weighted sum of the bands
	OverallC  *float64    `json:"overall_c_db"`            // C-weighted sum of the bands
}

// BandLevel is the level of one band.
type BandLevel struct {
	NominalHz float64 `json:"nominal_hz"`
	ExactHz   float64 `json:"exact_hz"` // Mid-band frequency of the base-ten system, where weightings are taken
	LevelDB   float64 `json:"level_db"`
	AWeighted float64 `json:"a_weighted_db"` // The same, A-weighted
	CWeighted float64 `json:"c_weighted_db"` // The same, C-weighted
}

// Tone is a band that stands out.
type Tone struct {
	NominalHz   float64 `json:"nominal_hz"`
	StandsOutDB float64 `json:"stands_out_db"` // From its neighbours, as the rule compares them
	LeastDB     float64 `json:"least_db"`      // Asked by the rule
}

// RatingLevel is a rating level with its parts.
type RatingLevel struct {
	SurveyID    uuid.UUID    `json:"survey_id"`
	PositionID  uuid.UUID    `json:"position_id"`
	Symbol      string       `json:"symbol" example:"LAr"`          // Of the level
	RatingLevel *float64     `json:"rating_level_db"`               // Null if a part cannot be rated
	Bound       string       `json:"bound,omitempty" enums:"upper"` // That of a part: the true level is this or lower
	RatingS     float64      `json:"rating_s"`
	Parts       []RatedPart  `json:"parts"`
	Verdict     string       `json:"verdict"`                // Of the series of the position together; undetermined or not valid: nothing is rated
	Windows     string       `json:"windows" enums:"usable"` // Which samples the levels cover
	Assessments []Assessment `json:"assessments"`            // Comparison with the project's limits of symbol LAr, for the period asked or none
	Cautions    []Caution    `json:"cautions"`               // To be shown beside the level
}

type ratingHandlers struct{ *server }

func (h ratingHandlers) routes(v1 *gin.RouterGroup) {
	v1.POST("/surveys/:id/rating-level", respond(h.server, http.StatusOK, h.rate))
}

// parts returns the parts of in with the levels given. Those missing are zero.
func (in RatingRequest) parts(levels []acoustic.Decibel) []assessment.RatedPart {
	ps := make([]assessment.RatedPart, len(in.Parts))
	for i, p := range in.Parts {
		ps[i].Duration = p.To.Sub(p.From)
		if p.DurationS != nil {
			ps[i].Duration = time.Duration(min(max(*p.DurationS, 0), 1e9) * float64(time.Second))
		}
		if levels != nil {
			ps[i].Level = levels[i]
		}
		for _, a := range p.Adjustments {
			ps[i].Adjustments = append(ps[i].Adjustments, assessment.Adjustment{
				Kind: assessment.AdjustmentKind(a.Kind), DB: acoustic.Decibel(a.AdjustmentDB), Source: a.Source,
			})
		}
	}
	return ps
}

func (in RatingRequest) rating() time.Duration {
	return time.Duration(min(max(in.RatingS, 0), 1e9) * float64(time.Second))
}

func (in RatingRequest) validate() error {
	var bad fault.Fields
	bad.Check(in.PositionID != uuid.Nil, "position_id", "required", "is required")
	for i, p := range in.Parts {
		path := fmt.Sprintf("parts/%d/", i)
		bad.Check(p.From.Before(p.To), path+"to", "out_of_order", "must be later than from")
		for j, q := range in.Parts[:i] {
			twice := p.DurationS == nil && q.DurationS == nil && p.From.Before(q.To) && q.From.Before(p.To)
			bad.Check(!twice, path+"from", "duplicate", fmt.Sprintf("must lie outside parts/%d, as no time counts twice in the rating time; or say how long each lasts", j))
		}
		if p.ToneRule != nil {
			_, ok := assessment.ToneRuleOf(*p.ToneRule)
			bad.Check(ok, path+"tone_rule", "not_allowed", "names no rule known here")
		}
		if p.ImpulseRule != nil {
			_, ok := impulseRule(*p.ImpulseRule)
			bad.Check(ok, path+"impulse_rule", "not_allowed", "names no rule known here")
		}
	}
	_, err := assessment.RatingLevel(in.parts(nil), in.rating())
	collect(&bad, err)
	return bad.Err("rating level")
}

func impulseRule(code string) (r assessment.ImpulseRule, ok bool) {
	i := slices.IndexFunc(assessment.ImpulseRules, func(r assessment.ImpulseRule) bool { return r.Code == code })
	if i < 0 {
		return r, false
	}
	return assessment.ImpulseRules[i], true
}

// rate computes a rating level.
//
//	@Summary		Rating level of a position
//	@Description	10 lg(Σ tᵢ·10^((Lᵢ + Σ Kᵢ)/10) / T) in the manner of ISO 1996-1, from the equivalent levels of parts with their adjustments, as entered or found. Nothing is stored. Where a rule that was asked for cannot be applied there is no rating level, since it might be too low.
//	@Tags			figures
//	@Accept			json
//	@Param			id		path		string			true	"Survey"	format(uuid)
//	@Param			rating	body		RatingRequest	true	"What to rate"
//	@Success		200		{object}	RatingLevel
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/rating-level [post]
func (h ratingHandlers) rate(c *gin.Context) (RatingLevel, error) {
	id, err := pathID(c)
	if err != nil {
		return RatingLevel{}, err
	}
	var in RatingRequest
	if err := decode(c, &in, func() error { return in.validate() }); err != nil {
		return RatingLevel{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyAndProject(ctx, id)
	if err != nil {
		return RatingLevel{}, err
	}
	out := RatingLevel{
		SurveyID: id, PositionID: in.PositionID, Symbol: "LAr", RatingS: in.RatingS, Windows: "usable",
		Assessments: []Assessment{}, Cautions: cautionsOf(append(caution.Environmental(), caution.NotForCompliance)),
	}
	rated := in.parts(nil)
	whole := true
	compared := comparison{survey: v, least: summary.DefaultMinCoverage}
	f := summary.Figure{Symbol: "LAr"}
	for i, asked := range in.Parts {
		r := summary.Request{
			From: new(utc(asked.From)), To: new(utc(asked.To)), Zone: project.Zone(), MinCoverage: summary.DefaultMinCoverage, UsableOnly: true,
		}
		q, err := h.questionOf(ctx, v, project, r)
		if err != nil {
			return RatingLevel{}, err
		}
		a, err := h.answerTo(ctx, q)
		if err != nil {
			return RatingLevel{}, err
		}
		n := slices.IndexFunc(a.places, func(p place) bool { return p.record.ID == in.PositionID })
		if n < 0 {
			return RatingLevel{}, (&fault.Error{Kind: fault.Invalid, Message: "invalid rating level", Fields: fault.Fields{
				{Path: "position_id", Code: "unknown_reference", Reason: "names no position with series in the survey"},
			}})
		}
		out.Verdict = string(a.places[n].outcome)
		part := partOf(asked, &rated[i], &a.places[n], a)
		if whole = whole && part.Reason == nil; whole {
			compared.place = &a.places[n]
			f = withPart(f, part)
		}
		out.Parts = append(out.Parts, part)
	}
	if !whole {
		return out, nil
	}
	l, err := assessment.RatingLevel(rated, in.rating())
	if err != nil { // one found beside one entered
		return RatingLevel{}, err
	}
	out.RatingLevel, out.Bound, f.Level = decibels(&l), string(f.Bound), &l
	limits, err := h.limitsOf(ctx, project.ID)
	if err != nil {
		return RatingLevel{}, err
	}
	for _, compared.limit = range limits {
		at := compared.limit.PositionID == uuid.Nil || compared.limit.PositionID == in.PositionID
		if at && compared.limit.Symbol == "LAr" && (compared.limit.Period == "" || compared.limit.Period == orZero(in.Period)) {
			out.Assessments = append(out.Assessments, compared.rated(f))
		}
	}
	return out, nil
}

// withPart returns the figure of a rating level that rests on a part more.
func withPart(f summary.Figure, p RatedPart) summary.Figure {
	basis := summary.Basis(p.Level.Basis)
	if f.Basis != "" && f.Basis != basis {
		basis = summary.Mixed
	}
	f.Basis = basis
	if p.Level.Bound != "" {
		f.Bound = summary.Bound(p.Level.Bound)
	}
	return f
}

// rated compares a rating level with the limit.
func (c comparison) rated(f summary.Figure) Assessment {
	r := c.about(f)
	b := c.place.budget(f, c.survey.Contributions)
	u := c.uncertainty(&r, b)
	out := c.body(assessment.Assess(c.limit, r))
	level := figureOf(f)
	out.Level, out.Uncertainty = &level, u
	return c.explain(out, r, b)
}

// partOf rates one part: its level and the adjustments found are entered in rated.
func partOf(asked RatingPart, rated *assessment.RatedPart, p *place, a reply) RatedPart {
	out := RatedPart{From: asked.From, To: asked.To, DurationS: rated.Duration.Seconds(), Adjustments: []Adjustment{}, Tones: []Tone{}, UnjudgedHz: []float64{}}
	cannot := func(why string) {
		if out.Reason == nil {
			out.Reason = &why
		}
	}
	if !stands(p.outcome) {
		cannot("the calibration verdict is " + string(p.outcome))
	}
	f, why := p.figure("LAeq")
	switch {
	case why != "":
		cannot("LAeq: " + why)
	case p.coverage["LAeq"] < summary.DefaultMinCoverage:
		cannot(fmt.Sprintf("LAeq: coverage %.3f is below %g", p.coverage["LAeq"], summary.DefaultMinCoverage))
	case f.Level == nil || f.Bound == summary.Lower:
		cannot("LAeq is a lower bound")
	default:
		level := figureOf(f)
		out.Level, rated.Level = &level, *f.Level
	}
	bands, weighting := bandsOf(p.record.ID, a)
	if len(bands) > 0 {
		out.Spectrum = spectrumOf(bands, weighting)
	}
	if asked.ToneRule != nil {
		rule, _ := assessment.ToneRuleOf(*asked.ToneRule)
		tones, unjudged, err := rule.Tones(bands, weighting)
		switch {
		case len(bands) == 0:
			cannot("tones: no usable band series of the position were measured in the part")
		case err != nil:
			cannot("tones: " + err.Error())
		}
		for _, t := range tones {
			out.Tones = append(out.Tones, Tone{float64(t.Band.Nominal()), float64(t.StandOut) / 100, float64(t.Least) / 100})
		}
		for _, b := range unjudged {
			out.UnjudgedHz = append(out.UnjudgedHz, float64(b.Nominal()))
		}
		if len(tones) > 0 {
			rated.Adjustments = append(rated.Adjustments, assessment.Adjustment{
				Kind: assessment.ToneAdjustment, DB: rule.Adjustment, Source: rule.Source,
				Found: fmt.Sprintf("%s: tone at %g Hz", rule.Code, float64(tones[0].Band.Nominal())),
			})
		}
	}
	if asked.ImpulseRule != nil {
		rule, _ := impulseRule(*asked.ImpulseRule)
		high, whyHigh := p.figure(rule.High)
		low, whyLow := p.figure(rule.Low)
		switch {
		case whyHigh != "":
			cannot("impulses: " + rule.High + ": " + whyHigh)
		case whyLow != "":
			cannot("impulses: " + rule.Low + ": " + whyLow)
		case high.Level == nil || low.Level == nil || high.Bound != "" || low.Bound != "":
			cannot("impulses: " + rule.High + " or " + rule.Low + " is a bound")
		case rule.Impulsive(*high.Level, *low.Level):
			rated.Adjustments = append(rated.Adjustments, assessment.Adjustment{
				Kind: assessment.ImpulseAdjustment, DB: rule.Adjustment, Source: rule.Source,
				Found: fmt.Sprintf("%s: %s lies %.2f dB above %s", rule.Code, rule.High, *high.Level-*low.Level, rule.Low),
			})
		}
	}
	for _, k := range rated.Adjustments {
		out.Adjustments = append(out.Adjustments, Adjustment{NewAdjustment{string(k.Kind), float64(k.DB), k.Source}, orNil(k.Found)})
	}
	return out
}

// bandsOf returns the equivalent levels of the bands of a position, of thirds rather than
// octaves and of the weighting that most of them have, by ascending frequency.
func bandsOf(position uuid.UUID, a reply) (bands []acoustic.BandLevel, weighting byte) {
	type kind struct {
		fraction  int
		weighting byte
	}
	found := map[kind][]acoustic.BandLevel{}
	var best kind
	for n, f := range a.facts {
		h := f.Series
		q, _ := series.ParseQuantity(h.Quantity)
		s := a.series[n]
		if h.PositionID != position || h.BandFraction == nil || h.Residual || s.Coverage == nil || *s.Coverage < summary.DefaultMinCoverage {
			continue
		}
		b, ok := acoustic.BandAt(*h.BandFraction, acoustic.Hertz(*h.BandNominalHz))
		i := slices.IndexFunc(s.Levels, func(f summary.Figure) bool { return summary.EquivalentSymbol(f.Symbol) })
		if !ok || i < 0 || s.Levels[i].Level == nil {
			continue
		}
		k := kind{b.Fraction, q.Weighting}
		if slices.ContainsFunc(found[k], func(l acoustic.BandLevel) bool { return l.Band == b }) {
			continue
		}
		found[k] = append(found[k], acoustic.BandLevel{Band: b, Level: *s.Levels[i].Level})
		if k.fraction > best.fraction || k.fraction == best.fraction && len(found[k]) > len(found[best]) {
			best = k
		}
	}
	bands = found[best]
	slices.SortFunc(bands, func(a, b acoustic.BandLevel) int { return a.Band.Index - b.Band.Index })
	return bands, best.weighting
}

func spectrumOf(bands []acoustic.BandLevel, weighting byte) *Spectrum {
	out := &Spectrum{Fraction: bands[0].Band.Fraction, Weighting: string(rune(weighting))}
	for _, b := range bands {
		a, _ := b.Band.Reweight(weighting, 'A')
		c, _ := b.Band.Reweight(weighting, 'C')
		out.Bands = append(out.Bands, BandLevel{
			NominalHz: float64(b.Band.Nominal()), ExactHz: round(float64(b.Band.Mid()), 3), LevelDB: *decibels(&b.Level),
			AWeighted: round(float64(b.Level+a), 2), CWeighted: round(float64(b.Level+c), 2),
		})
	}
	if l, ok := acoustic.Overall(bands, weighting, 'A'); ok {
		out.OverallA = decibels(&l)
	}
	if l, ok := acoustic.Overall(bands, weighting, 'C'); ok {
		out.OverallC = decibels(&l)
	}
	return out
}
