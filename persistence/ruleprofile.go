package persistence

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
)

// edition is an edition of a rule profile that the house added.
type edition struct {
	ID            uuid.UUID
	Version       int
	CreatedAt     time.Time
	RecordedAt    time.Time
	Code, Edition string
	Asks          calibration.RuleProfile
}

var ruleProfiles = kindOf[edition]("rule_profile", `id version created_at recorded_at code edition asks`)

// RuleProfiles returns every edition of the rule profiles, of each code the newest last: those
// that come with the service, then the house's as they were added.
func (s *Store) RuleProfiles(ctx context.Context) (all []calibration.RuleProfile, err error) {
	err = s.read(ctx, func(q conn) error {
		all, err = profilesOf(ctx, q)
		return err
	})
	return all, err
}

func profilesOf(ctx context.Context, q conn) ([]calibration.RuleProfile, error) {
	added, err := ruleProfiles.where(ctx, q, `true order by recorded_at, id`)
	all := calibration.BuiltIn()
	for _, e := range added {
		all = append(all, e.profile())
	}
	return all, err
}

func (e edition) profile() calibration.RuleProfile {
	p := e.Asks
	p.Code, p.Edition, p.AddedAt = e.Code, e.Edition, e.RecordedAt
	return p
}

// AddRuleProfile stores a new edition of a rule profile. It is a Conflict with code
// edition_recorded where the profile has an edition of that name.
func (s *Store) AddRuleProfile(ctx context.Context, p calibration.RuleProfile) (calibration.RuleProfile, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		// Another request that adds one of this code is waited for.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 4))`, p.Code); err != nil {
			return err
		}
		all, err := profilesOf(ctx, tx)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(all, func(o calibration.RuleProfile) bool { return o.Code == p.Code && o.Edition == p.Edition }) {
			return &fault.Error{
				Kind: fault.Conflict, Code: "edition_recorded",
				Message: "rule profile " + p.Code + " has an edition " + p.Edition + ", and editions never change",
			}
		}
		e, err := ruleProfiles.insert(ctx, tx, edition{Code: p.Code, Edition: p.Edition, Asks: p}, s.stamp())
		p = e.profile()
		return err
	})
	return p, err
}
