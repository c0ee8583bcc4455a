package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var soundEvents = kindOf[survey.SoundEvent]("sound_event",
	`client_id id version created_at recorded_at survey_id position_id kind note starts_at ends_at author removed`)

// CreateSoundEvent stores a new sound event of the survey e.SurveyID.
func (s *Store) CreateSoundEvent(ctx context.Context, e survey.SoundEvent) (survey.SoundEvent, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, e.SurveyID)
		if err != nil {
			return err
		}
		e.ClientID = v.ClientID
		p, err := positions.get(ctx, tx, e.PositionID)
		if fault.KindOf(err) == fault.NotFound || err == nil && p.ProjectID != v.ProjectID {
			return unknown("sound event", "position_id", "names no position of the survey's project")
		}
		if err != nil {
			return err
		}
		e, err = soundEvents.insert(ctx, tx, e, s.stamp())
		return err
	})
	return e, err
}

// SoundEvent returns the sound event of the given id, a removed one too.
func (s *Store) SoundEvent(ctx context.Context, id uuid.UUID) (survey.SoundEvent, error) {
	return get(ctx, s, soundEvents, id)
}

// SoundEventVersions returns every version of the sound event of the given id, oldest first.
func (s *Store) SoundEventVersions(ctx context.Context, id uuid.UUID) ([]survey.SoundEvent, error) {
	return versions(ctx, s, soundEvents, id)
}

// SoundEvents returns a page of the sound events of a survey that are not removed.
func (s *Store) SoundEvents(ctx context.Context, surveyID uuid.UUID, p request.Page) (es []survey.SoundEvent, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		es, err = soundEvents.where(ctx, q, `client_id = $1 and survey_id = $2 and not removed and id > $3 order by id limit $4`,
			v.ClientID, surveyID, p.After, p.Limit)
		return err
	})
	return es, err
}

// SoundEventsWithin returns up to limit of the sound events of a survey that lie wholly
// in [from, to), nil for open ends, in time order.
func (s *Store) SoundEventsWithin(ctx context.Context, surveyID uuid.UUID, from, to *time.Time, limit int) (es []survey.SoundEvent, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		es, err = soundEvents.where(ctx, q, `client_id = $1 and survey_id = $2 and not removed
			and ($3::timestamptz is null or starts_at >= $3) and ($4::timestamptz is null or ends_at <= $4) order by starts_at, id limit $5`,
			v.ClientID, surveyID, from, to, limit)
		return err
	})
	return es, err
}

// RemoveSoundEvent stores the version that follows e.Version, which counts no more.
func (s *Store) RemoveSoundEvent(ctx context.Context, e survey.SoundEvent) (survey.SoundEvent, error) {
	if e.Removed {
		return e, &fault.Error{Kind: fault.Conflict, Code: "sound_event_removed", Message: "the sound event is removed already"}
	}
	e.Removed = true
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		e, err = soundEvents.change(ctx, tx, e, s.stamp(), "removed", "")
		return err
	})
	return e, err
}
