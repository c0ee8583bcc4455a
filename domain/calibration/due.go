package calibration

import (
	"cmp"
	"slices"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
)

// States of a due row, in the order in which the gravest is taken.
const (
	Overdue       = "overdue"        // the effective end has passed
	PlannedBeyond = "planned_beyond" // a survey is planned on a day that is not covered
	Due           = "due"            // it comes within the days asked for
)

// Kept is an instrument with all that its due row is reckoned from.
type Kept struct {
	Instrument Instrument
	Past       Past
	Planned    []Planned
}

// Planned is the planned use of an instrument by a survey that has not ended.
type Planned struct {
	SurveyID uuid.UUID
	First    civil.Date // local days of the site
	Last     civil.Date
	Profile  RuleProfile // the survey's own
}

// DueRow says until when an instrument may be used within a scope.
type DueRow struct {
	Instrument     Instrument
	Scope          Scope
	CertificateID  uuid.UUID
	Profile        string // code and edition of what it is reckoned by
	Edition        string
	CalibratedOn   civil.Date
	DueOn          civil.Date // by the interval, or the house's override
	EffectiveEndOn civil.Date // last day covered, if an event or a withdrawal does not let it end before it began
	EndedBy        string     // one of the EndedBy constants
	State          string
	Surveys        []uuid.UUID // planned on a day beyond its cover, by ascending ID
}

// DueList returns the instruments whose cover ends on a day up to withinDays after
// today, has ended, or does not reach to the end of a survey planned with it, by
// effective end. Of several rule profiles the strictest for the kind of instrument
// counts: the one with the shortest interval, the first of equals. A planned survey
// is held against its own. Instruments that were never calibrated are left out:
// see [GapsOfRecords]; so are scopes for which no profile sets an interval.
func DueList(all []Kept, profiles []RuleProfile, today civil.Date, withinDays int) []DueRow {
	horizon := today.AddDays(withinDays)
	var rows []DueRow
	for _, k := range all {
		for _, scope := range scopesOf(k.Past.Certificates) {
			p, ok := strictest(profiles, scope.kind())
			if !ok {
				continue
			}
			end, ok := k.Past.EffectiveEnd(scope, p)
			if !ok {
				continue
			}
			r := DueRow{
				Instrument: k.Instrument, Scope: scope, CertificateID: end.Certificate.ID, Profile: p.Code, Edition: p.Edition,
				CalibratedOn: end.From, DueOn: end.Due, EffectiveEndOn: end.Last, EndedBy: end.EndedBy,
			}
			for _, s := range k.Planned {
				if own, _ := k.Past.EffectiveEnd(scope, s.Profile); s.Last.After(own.Last) && !slices.Contains(r.Surveys, s.SurveyID) {
					r.Surveys = append(r.Surveys, s.SurveyID)
				}
			}
			slices.SortFunc(r.Surveys, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
			switch {
			case r.EffectiveEndOn.Before(today):
				r.State = Overdue
			case len(r.Surveys) > 0:
				r.State = PlannedBeyond
			case !r.EffectiveEndOn.After(horizon):
				r.State = Due
			default:
				continue
			}
			rows = append(rows, r)
		}
	}
	slices.SortFunc(rows, func(a, b DueRow) int {
		return cmp.Or(a.EffectiveEndOn.Compare(b.EffectiveEndOn), slices.Compare(a.Instrument.ID[:], b.Instrument.ID[:]), cmp.Compare(a.Scope, b.Scope))
	})
	return rows
}

// ShortestIntervals returns, of each scope for which a profile sets an interval, the shortest, in months.
func ShortestIntervals(profiles []RuleProfile) map[Scope]int {
	months := map[Scope]int{}
	for kind, k := range kinds {
		if p, ok := strictest(profiles, kind); ok && k.scope != "" {
			months[k.scope], _, _ = p.Months(kind)
		}
	}
	return months
}

// scopesOf returns the scopes of confirmed certificates, in alphabetical order.
func scopesOf(certificates []Certificate) (scopes []Scope) {
	for _, c := range certificates {
		if c.State != Draft {
			scopes = append(scopes, c.Scope...)
		}
	}
	slices.Sort(scopes)
	return slices.Compact(scopes)
}

// strictest returns the profile with the shortest interval for a kind of instrument. ok is false if none sets one.
func strictest(profiles []RuleProfile, k Kind) (best RuleProfile, ok bool) {
	least := 0
	for _, p := range profiles {
		if months, _, sets := p.Months(k); sets && (!ok || months < least) {
			best, least, ok = p, months, true
		}
	}
	return best, ok
}
