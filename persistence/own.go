package persistence

import (
	"context"

	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/survey"
)

// surveyToChange returns a survey that is to change, or that gets something more. Keys of
// role field may change their own: those that a key of their name entered, so that a new key for the
// same phone or person changes nothing, and those whose operator bears their name. Everything
// that is measured comes by here.
func surveyToChange(ctx context.Context, q conn, id uuid.UUID) (survey.Survey, error) {
	v, err := surveys.get(ctx, q, id)
	by := access.From(ctx)
	if err != nil || by.Role != "field" || v.Operator == by.Name {
		return v, err
	}
	var own bool
	err = q.QueryRow(ctx, `select exists (select from journal where record_id = $1 and record_type = 'survey' and type = 'survey.created' and actor = $2)`,
		v.ID, by.Name).Scan(&own)
	if err == nil && !own {
		err = &fault.Error{Kind: fault.Forbidden, Code: "survey_of_another", Message: "this key may change the surveys alone that it entered, or whose operator is " + by.Name}
	}
	return v, err
}
