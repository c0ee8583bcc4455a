package calibration

import (
	"time"

	"leveltrail/domain/acoustic"
)

// BuiltIn returns the rule profiles that come with the service: environmental,
// workplace and monitoring. Sources are to be read as "see …": nothing here quotes a standard.
func BuiltIn() []RuleProfile {
	return []RuleProfile{environmental(), workplace(), monitoring()}
}

// NewestProfile returns the newest edition of the rule profile of a code. ok is false if there is none.
func NewestProfile(code string) (p RuleProfile, ok bool) {
	for _, b := range BuiltIn() {
		if b.Code == code {
			p, ok = b, true
		}
	}
	return p, ok
}

// ProfileEdition returns an edition of the rule profile of a code. ok is false if there is none.
func ProfileEdition(code, edition string) (RuleProfile, bool) {
	for _, b := range BuiltIn() {
		if b.Code == code && b.Edition == edition {
			return b, true
		}
	}
	return RuleProfile{}, false
}

func environmental() RuleProfile {
	const (
		meter      = "see ISO 1996-2:2017 5.3; Nordtest NT ACOU 068 footnote 1: two years"
		calibrator = "see ISO 1996-2:2017 5.3; Nordtest NT ACOU 068 footnote 1: one year"
		checks     = "see ISO 1996-2:2017 5.2; ISO 16283-2:2015 4.2"
	)
	return RuleProfile{
		Code:    "environmental",
		Edition: "2026-1",
		Intervals: []Interval{
			{SoundLevelMeter, 24, meter},
			{PersonalSoundExposureMeter, 24, meter},
			{FilterSet, 24, "see ISO 16283-2:2015 4.3"},
			{SoundCalibrator, 12, calibrator},
		},
		AcceptedMeters:       from([]Acceptance{{"IEC 61672-1", "1"}}, "see ISO 1996-2:2017 5.1"),
		AcceptedCalibrators:  from(calibratorsOfClass1, "see ISO 1996-2:2017 5.1"),
		DriftLimit:           from[acoustic.Level](50, checks),
		DriftBasis:           from(Both, "see ISO 16283-2:2015 4.2 for consecutive checks; against creeping drift: house value"),
		StartRemark:          from[acoustic.Level](20, "house value"),
		StartLimit:           from[acoustic.Level](50, "house value"),
		SuspiciousDeviation:  from[acoustic.Level](1_00, "house value"),
		ClosingCheckRequired: from(true, checks),
		CheckReach:           from(24*time.Hour, "house value; see ISO 16283-2:2015 4.2: each measurement day"),
		Data:                 dataRules(from(5.0, "common practice, no source"), from(0.0, "house value")),
	}
}

func workplace() RuleProfile {
	const (
		years  = "see ISO 9612; German practice IFA-LSA 01-400 5.6: meter and calibrator every two years"
		checks = "see ISO 9612:2009 12.2; DGUV BGI 5053 6.4"
	)
	return RuleProfile{
		Code:    "workplace",
		Edition: "2026-1",
		Intervals: []Interval{
			{SoundLevelMeter, 24, years},
			{PersonalSoundExposureMeter, 24, years},
			{FilterSet, 24, "house value"},
			{SoundCalibrator, 24, years},
		},
		AcceptedMeters: from([]Acceptance{
			{"IEC 61672-1", "1"},
			{"IEC 61672-1", "2"},
			{"IEC 60651", "1"},
			{"IEC 60651", "2"},
			{"IEC 60804", "1"},
			{"IEC 60804", "2"},
			{"IEC 61252", ""},
		}, "see ISO 9612:2009 5.1"),
		AcceptedCalibrators:  from(calibratorsOfClass1, "see ISO 9612:2009 5.2: class 1 in any case"),
		DriftLimit:           from[acoustic.Level](50, checks),
		DriftBasis:           from(Both, "see ISO 9612:2009 12.2; against creeping drift: house value"),
		StartRemark:          from[acoustic.Level](20, "house value"),
		StartLimit:           from[acoustic.Level](50, "house value; see ISO 9612:2009 12.2 on adjusting at the opening check"),
		SuspiciousDeviation:  from[acoustic.Level](1_00, "house value"),
		ClosingCheckRequired: from(true, checks),
		CheckReach:           from(12*time.Hour, "house value; see ISO 9612:2009 12.2: before and after each series"),
		Data:                 dataRules(Sourced[float64]{}, Sourced[float64]{}),
	}
}

// monitoring is for unattended stations: as environmental, checked monthly.
func monitoring() RuleProfile {
	p := environmental()
	p.Code = "monitoring"
	p.CheckReach = from(744*time.Hour, "house value: 31 days; see ISO 1996-2:2017 5.4 on long-term monitoring")
	return p
}

var calibratorsOfClass1 = []Acceptance{{"IEC 60942", "LS"}, {"IEC 60942", "1"}}

func from[T any](value T, source string) Sourced[T] { return Sourced[T]{value, source} }
