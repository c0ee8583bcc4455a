package api

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
)

// Members of a rule profile, each with where it comes from.
type (
	// AskedNumber is a number that a rule profile asks for.
	AskedNumber struct {
		Value  float64 `json:"value"`  // What the profile asks for
		Source string  `json:"source"` // Clause, or "house value"
	}
	// AskedWord is a choice that a rule profile makes.
	AskedWord struct {
		Value  string `json:"value"`  // What the profile asks for
		Source string `json:"source"` // Clause, or "house value"
	}
	// AskedFlag is a condition that a rule profile makes or not.
	AskedFlag struct {
		Value  bool   `json:"value"`  // What the profile asks for
		Source string `json:"source"` // Clause, or "house value"
	}
	// AskedClasses are the classes that a rule profile accepts.
	AskedClasses struct {
		Value  []Acceptance `json:"value"`  // Any of these
		Source string       `json:"source"` // Clause, or "house value"
	}
)

// CalibrationInterval is the longest time between calibrations of a kind of instrument.
type CalibrationInterval struct {
	Kind   string `json:"kind"`
	Months int    `json:"months"` // Months from the last day of calibration, that day of the month included
	Source string `json:"source"` // Clause, or "house value"
}

// Acceptance is a class of a standard that a method accepts.
type Acceptance struct {
	Specification string `json:"specification"` // Standard, any edition
	Class         string `json:"class"`         // Class within it; empty: any
}

// AskedOfData is what a rule profile lets samples show about themselves without a remark.
type AskedOfData struct {
	MinCoverage         AskedNumber  `json:"min_coverage"`                                             // Share of the asked time that must be measured
	FlaggedShare        AskedNumber  `json:"flagged_share"`                                            // Share of samples above, of samples below the measuring range
	AtLimitShare        AskedNumber  `json:"at_limit_share"`                                           // Share of samples at an end of the measuring range
	ConstantSamples     AskedNumber  `json:"constant_samples"`                                         // As many equal numbers in a row are remarked
	FloorMarginDB       AskedNumber  `json:"floor_margin_db"`                                          // So little above the lower end of the range a level is near it
	NearFloorShare      AskedNumber  `json:"near_floor_share"`                                         // Share of samples near the lower end of the range
	MaxWindSpeedMS      *AskedNumber `json:"max_wind_speed_m_s,omitempty" extensions:"x-nullable"`     // Absent: no limit
	MaxPrecipitationMMH *AskedNumber `json:"max_precipitation_mm_h,omitempty" extensions:"x-nullable"` // Absent: no limit
}

// NewRuleProfile is an edition of what a method asks of calibration, as sent.
type NewRuleProfile struct {
	Code                  string                `json:"code"`                    // Code of the rule profile
	Edition               string                `json:"edition"`                 // Its edition; editions never change
	Intervals             []CalibrationInterval `json:"intervals"`               // Between calibrations; further kinds have none
	AcceptedMeters        AskedClasses          `json:"accepted_meters"`         // Any of these
	AcceptedCalibrators   AskedClasses          `json:"accepted_calibrators"`    // Any of these
	DriftLimitDB          AskedNumber           `json:"drift_limit_db"`          // Between field checks, inclusive
	DriftBasis            AskedWord             `json:"drift_basis"`             // consecutive, start_end or both
	StartRemarkDB         AskedNumber           `json:"start_remark_db"`         // A meter left further off than this is remarked, inclusive
	StartLimitDB          AskedNumber           `json:"start_limit_db"`          // A meter left further off than this fails, inclusive
	SuspiciousDeviationDB AskedNumber           `json:"suspicious_deviation_db"` // Found further off than this, something may be broken
	ClosingCheckRequired  AskedFlag             `json:"closing_check_required"`  // Whether a check after measuring is asked for
	CheckReachH           AskedNumber           `json:"check_reach_h"`           // Hours that a check may lie from the start or end of what it checks
	Data                  AskedOfData           `json:"data"`                    // What samples may show about themselves without a remark
}

// RuleProfile is one edition of what a method asks of calibration.
type RuleProfile struct {
	NewRuleProfile
	AddedAt *time.Time `json:"added_at"` // Null for an edition that comes with the service
}

func (p RuleProfile) path() string {
	return "/v1/rule-profiles/" + p.Code + "?edition=" + url.QueryEscape(p.Edition)
}

func ruleProfileOf(p calibration.RuleProfile) RuleProfile {
	d := p.Data
	out := RuleProfile{AddedAt: orNil(p.AddedAt), NewRuleProfile: NewRuleProfile{
		Code: p.Code, Edition: p.Edition, Intervals: []CalibrationInterval{},
		AcceptedMeters: acceptancesOf(p.AcceptedMeters), AcceptedCalibrators: acceptancesOf(p.AcceptedCalibrators),
		DriftLimitDB: decibelsOf(p.DriftLimit), DriftBasis: AskedWord{string(p.DriftBasis.Value), p.DriftBasis.Source},
		StartRemarkDB: decibelsOf(p.StartRemark), StartLimitDB: decibelsOf(p.StartLimit),
		SuspiciousDeviationDB: decibelsOf(p.SuspiciousDeviation), ClosingCheckRequired: AskedFlag(p.ClosingCheckRequired),
		CheckReachH: AskedNumber{p.CheckReach.Value.Hours(), p.CheckReach.Source},
		Data: AskedOfData{
			MinCoverage: AskedNumber(d.MinCoverage), FlaggedShare: AskedNumber(d.FlaggedShare), AtLimitShare: AskedNumber(d.AtLimitShare),
			ConstantSamples: AskedNumber{float64(d.ConstantSamples.Value), d.ConstantSamples.Source},
			FloorMarginDB:   decibelsOf(d.FloorMargin), NearFloorShare: AskedNumber(d.NearFloorShare),
			MaxWindSpeedMS: limitOrNil(d.MaxWindSpeed), MaxPrecipitationMMH: limitOrNil(d.MaxPrecipitation),
		},
	}}
	for _, i := range p.Intervals {
		out.Intervals = append(out.Intervals, CalibrationInterval{string(i.Kind), i.Months, i.Source})
	}
	return out
}

// profile returns the edition that in says. Numbers that cannot be are such that Validate refuses them.
func (in NewRuleProfile) profile() calibration.RuleProfile {
	d := in.Data
	p := calibration.RuleProfile{
		Code: in.Code, Edition: in.Edition,
		AcceptedMeters: in.AcceptedMeters.acceptances(), AcceptedCalibrators: in.AcceptedCalibrators.acceptances(),
		DriftLimit:  in.DriftLimitDB.level(),
		DriftBasis:  calibration.Sourced[calibration.DriftBasis]{Value: calibration.DriftBasis(in.DriftBasis.Value), Source: in.DriftBasis.Source},
		StartRemark: in.StartRemarkDB.level(), StartLimit: in.StartLimitDB.level(), SuspiciousDeviation: in.SuspiciousDeviationDB.level(),
		ClosingCheckRequired: calibration.Sourced[bool](in.ClosingCheckRequired),
		CheckReach:           calibration.Sourced[time.Duration]{Value: time.Duration(min(max(in.CheckReachH.Value, 0), 10_000) * float64(time.Hour)), Source: in.CheckReachH.Source},
		Data: calibration.DataRules{
			MinCoverage: calibration.Sourced[float64](d.MinCoverage), FlaggedShare: calibration.Sourced[float64](d.FlaggedShare),
			AtLimitShare: calibration.Sourced[float64](d.AtLimitShare), NearFloorShare: calibration.Sourced[float64](d.NearFloorShare),
			ConstantSamples: calibration.Sourced[int]{Source: d.ConstantSamples.Source}, FloorMargin: d.FloorMarginDB.level(),
			MaxWindSpeed:     calibration.Sourced[float64](orZero(d.MaxWindSpeedMS)),
			MaxPrecipitation: calibration.Sourced[float64](orZero(d.MaxPrecipitationMMH)),
		},
	}
	if n := d.ConstantSamples.Value; n == math.Trunc(n) && n >= 0 && n <= 1e9 {
		p.Data.ConstantSamples.Value = int(n)
	}
	for _, i := range in.Intervals {
		p.Intervals = append(p.Intervals, calibration.Interval{Kind: calibration.Kind(i.Kind), Months: i.Months, Source: i.Source})
	}
	return p
}

func acceptancesOf(s calibration.Sourced[[]calibration.Acceptance]) AskedClasses {
	out := AskedClasses{Value: []Acceptance{}, Source: s.Source}
	for _, a := range s.Value {
		out.Value = append(out.Value, Acceptance(a))
	}
	return out
}

func (a AskedClasses) acceptances() calibration.Sourced[[]calibration.Acceptance] {
	s := calibration.Sourced[[]calibration.Acceptance]{Source: a.Source}
	for _, c := range a.Value {
		s.Value = append(s.Value, calibration.Acceptance(c))
	}
	return s
}

func decibelsOf(s calibration.Sourced[acoustic.Level]) AskedNumber {
	return AskedNumber{float64(s.Value.Decibel()), s.Source}
}

// level returns a in hundredths; -1 where it has more than two decimals or is no level.
func (a AskedNumber) level() calibration.Sourced[acoustic.Level] {
	l, ok := acoustic.LevelOf(acoustic.Decibel(a.Value))
	if !ok {
		l = -1
	}
	return calibration.Sourced[acoustic.Level]{Value: l, Source: a.Source}
}

func limitOrNil(s calibration.Sourced[float64]) *AskedNumber {
	if s.Source == "" {
		return nil
	}
	return &AskedNumber{s.Value, s.Source}
}

// editions are those of all rule profiles, of each the newest last.
type editions []calibration.RuleProfile

// find returns an edition of the rule profile of a code, the newest where edition is empty. ok is false if there is none.
func (es editions) find(code, edition string) (p calibration.RuleProfile, ok bool) {
	for _, e := range slices.Backward(es) {
		if e.Code == code && (edition == "" || e.Edition == edition) {
			return e, true
		}
	}
	return p, false
}

// newest returns the newest edition of each.
func (es editions) newest() (newest []calibration.RuleProfile) {
	for i, p := range es {
		if !slices.ContainsFunc(es[i+1:], func(o calibration.RuleProfile) bool { return o.Code == p.Code }) {
			newest = append(newest, p)
		}
	}
	return newest
}

type ruleProfileStore interface {
	RuleProfiles(ctx context.Context) ([]calibration.RuleProfile, error)
	AddRuleProfile(ctx context.Context, p calibration.RuleProfile) (calibration.RuleProfile, error)
}

type ruleProfileHandlers struct{ *server }

func (h ruleProfileHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/rule-profiles", respond(h.server, http.StatusOK, h.list))
	v1.POST("/rule-profiles", respond(h.server, http.StatusCreated, h.add))
	v1.GET("/rule-profiles/:code", respond(h.server, http.StatusOK, h.get, "edition"))
	v1.GET("/rule-profiles/:code/editions", respond(h.server, http.StatusOK, h.editions))
}

// list lists the rule profiles.
//
//	@Summary	List the rule profiles, the newest edition of each
//	@Tags		rule-profiles
//	@Success	200		{object}	List[RuleProfile]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/rule-profiles [get]
func (h ruleProfileHandlers) list(c *gin.Context) (List[RuleProfile], error) {
	all, err := h.store.RuleProfiles(c.Request.Context())
	l := List[RuleProfile]{Items: []RuleProfile{}}
	for _, p := range editions(all).newest() {
		l.Items = append(l.Items, ruleProfileOf(p))
	}
	return l, err
}

// add adds an edition of a rule profile.
//
//	@Summary		Add an edition of a rule profile
//	@Description	Of a profile that comes with the service, or of the house's own. It is the newest from then on, and taken by surveys that are created or choose their profile later; the others keep theirs. Editions never change.
//	@Tags			rule-profiles
//	@Accept			json
//	@Param			edition	body		NewRuleProfile	true	"Edition to add"
//	@Success		201		{object}	RuleProfile
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/rule-profiles [post]
func (h ruleProfileHandlers) add(c *gin.Context) (RuleProfile, error) {
	var in NewRuleProfile
	if err := decode(c, &in, func() error { return in.profile().Validate() }); err != nil {
		return RuleProfile{}, err
	}
	p, err := h.store.AddRuleProfile(c.Request.Context(), in.profile())
	return ruleProfileOf(p), err
}

// get returns an edition of a rule profile.
//
//	@Summary	Read an edition of a rule profile
//	@Tags		rule-profiles
//	@Param		code	path		string	true	"Code of the rule profile"
//	@Param		edition	query		string	false	"Edition; absent: the newest"
//	@Success	200		{object}	RuleProfile
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/rule-profiles/{code} [get]
func (h ruleProfileHandlers) get(c *gin.Context) (RuleProfile, error) {
	edition, err := queryText(c, "edition")
	if err != nil {
		return RuleProfile{}, err
	}
	all, err := h.store.RuleProfiles(c.Request.Context())
	if err != nil {
		return RuleProfile{}, err
	}
	p, ok := editions(all).find(c.Param("code"), edition)
	if !ok {
		return RuleProfile{}, noProfile
	}
	return ruleProfileOf(p), nil
}

var noProfile = &refusal{status: http.StatusNotFound, code: "not_found", detail: "no rule profile has this code, or none of its editions this name"}

// editions lists the editions of a rule profile.
//
//	@Summary	List the editions of a rule profile, the newest last
//	@Tags		rule-profiles
//	@Param		code	path		string	true	"Code of the rule profile"
//	@Success	200		{object}	List[RuleProfile]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/rule-profiles/{code}/editions [get]
func (h ruleProfileHandlers) editions(c *gin.Context) (List[RuleProfile], error) {
	all, err := h.store.RuleProfiles(c.Request.Context())
	l := List[RuleProfile]{Items: []RuleProfile{}}
	for _, p := range all {
		if p.Code == c.Param("code") {
			l.Items = append(l.Items, ruleProfileOf(p))
		}
	}
	if err == nil && len(l.Items) == 0 {
		err = noProfile
	}
	return l, err
}
