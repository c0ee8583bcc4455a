// Package caution holds the sentences that stand beside every answer, sheet, chart and
// file that decides something about people's hearing, sleep or legal position.
package caution

import (
	"strconv"
	"time"
)

// Caution is a sentence with the word by which programs know it.
type Caution struct{ Code, Text string }

// The cautions.
var (
	NotSafeForEveryone = Caution{"not_safe_for_everyone", "Below an action value is not safe for everyone: susceptible people, pregnancy, ototoxic substances, vibration and impulse noise raise the risk."}
	Unprotected        = Caution{"unprotected", "Levels are at the unprotected ear; protectors are the last measure and fit less well in practice."}
	NotDescribed       = Caution{"not_described", "A-weighted levels do not describe infrasound, ultrasound or whether an alarm is heard."}
	NominalDay         = Caution{"nominal_day", "LEX describes the stated nominal day only."}
	NotForCompliance   = Caution{"not_for_compliance", "Sampled, bound or estimate: not for a statement of compliance."}
	LawDecides         = Caution{"law_decides", "Limits belong to the law in force at the place; its competent persons decide."}
	HealthData         = Caution{"health_data", "A named worker's exposure is health-related data: use a pseudonym and keep it no longer than needed."}
	NotHeard           = Caution{"not_heard", "Uncertainties from samples say nothing of sounds that did not come while measuring."}
	ProtectNow         = Caution{"protect_now", "This result is not usable, yet it lies at or above the limit: protect now, measure again."}
	NotYearly          = Caution{"not_yearly", "Result of the days and nights measured, not a yearly index."}
)

// Days returns the caution about a result of so many days and nights.
func Days(days, nights int) Caution {
	return Caution{NotYearly.Code, "Result of " + count(days, "day") + " and " + count(nights, "night") + ", not a yearly index."}
}

// Checked returns the caution about rule texts that were last checked on a day.
func Checked(on time.Time) Caution {
	return Caution{"rules_checked", "Rule texts checked on " + on.Format(time.DateOnly) + "; the law in force at the place and its competent persons decide."}
}

// Environmental returns the cautions on every answer that compares a level outdoors or
// indoors with a limit.
func Environmental() []Caution { return []Caution{NotDescribed, LawDecides} }

// Workplace returns the cautions on every answer that compares an exposure with a value.
func Workplace() []Caution {
	return []Caution{NotSafeForEveryone, Unprotected, NotDescribed, NominalDay}
}

// count writes a number of things: "1 day", "2 days".
func count(n int, of string) string {
	if n != 1 {
		of += "s"
	}
	return strconv.Itoa(n) + " " + of
}
