package api

import (
	"net/http"

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

// RuleProfile is one edition of what a method asks of calibration.
type RuleProfile struct {
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
}

func ruleProfileOf(p calibration.RuleProfile) RuleProfile {
	out := RuleProfile{
		Code: p.Code, Edition: p.Edition, Intervals: []CalibrationInterval{},
		AcceptedMeters: acceptancesOf(p.AcceptedMeters), AcceptedCalibrators: acceptancesOf(p.AcceptedCalibrators),
		DriftLimitDB: decibelsOf(p.DriftLimit), DriftBasis: AskedWord{string(p.DriftBasis.Value), p.DriftBasis.Source},
		StartRemarkDB: decibelsOf(p.StartRemark), StartLimitDB: decibelsOf(p.StartLimit),
		SuspiciousDeviationDB: decibelsOf(p.SuspiciousDeviation), ClosingCheckRequired: AskedFlag(p.ClosingCheckRequired),
		CheckReachH: AskedNumber{p.CheckReach.Value.Hours(), p.CheckReach.Source},
	}
	for _, i := range p.Intervals {
		out.Intervals = append(out.Intervals, CalibrationInterval{string(i.Kind), i.Months, i.Source})
	}
	return out
}

func acceptancesOf(s calibration.Sourced[[]calibration.Acceptance]) AskedClasses {
	out := AskedClasses{Value: []Acceptance{}, Source: s.Source}
	for _, a := range s.Value {
		out.Value = append(out.Value, Acceptance(a))
	}
	return out
}

func decibelsOf(s calibration.Sourced[acoustic.Level]) AskedNumber {
	return AskedNumber{float64(s.Value.Decibel()), s.Source}
}

type ruleProfileHandlers struct{ *server }

func (h ruleProfileHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/rule-profiles", respond(h.server, http.StatusOK, h.list))
	v1.GET("/rule-profiles/:code", respond(h.server, http.StatusOK, h.get))
}

// list lists the rule profiles.
//
//	@Summary	List the rule profiles, the newest edition of each
//	@Tags		rule-profiles
//	@Success	200		{object}	List[RuleProfile]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/rule-profiles [get]
func (h ruleProfileHandlers) list(*gin.Context) (List[RuleProfile], error) {
	l := List[RuleProfile]{Items: []RuleProfile{}}
	for _, p := range calibration.BuiltIn() {
		l.Items = append(l.Items, ruleProfileOf(p))
	}
	return l, nil
}

// get returns the newest edition of a rule profile.
//
//	@Summary	Read the newest edition of a rule profile
//	@Tags		rule-profiles
//	@Param		code	path		string	true	"Code of the rule profile"
//	@Success	200		{object}	RuleProfile
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/rule-profiles/{code} [get]
func (h ruleProfileHandlers) get(c *gin.Context) (RuleProfile, error) {
	p, ok := calibration.NewestProfile(c.Param("code"))
	if !ok {
		return RuleProfile{}, &refusal{status: http.StatusNotFound, code: "not_found", detail: "no rule profile has this code"}
	}
	return ruleProfileOf(p), nil
}
