package persistence

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var (
	clients = kindOf[survey.Client]("client", `id version created_at recorded_at name reference`)

	projects = kindOf[survey.Project]("project",
		`client_id id version created_at recorded_at reference title time_zone site periods residual_limits`)

	positions = kindOf[survey.Position]("position",
		`client_id id version created_at recorded_at project_id number label latitude_deg longitude_deg height_m setting primary_instrument_id`)

	surveys = kindOf[survey.Survey]("survey",
		`client_id id version created_at recorded_at project_id kind operator started_at ended_at
		rule_profile rule_profile_edition void_reason contributions planned`)
)

// CreateClient stores a new client.
func (s *Store) CreateClient(ctx context.Context, c survey.Client) (survey.Client, error) {
	return create(ctx, s, clients, c)
}

// Client returns the client of the given id.
func (s *Store) Client(ctx context.Context, id uuid.UUID) (survey.Client, error) {
	return get(ctx, s, clients, id)
}

// Clients returns a page of the clients.
func (s *Store) Clients(ctx context.Context, p request.Page) ([]survey.Client, error) {
	return list(ctx, s, clients, `id > $1 order by id limit $2`, p.After, p.Limit)
}

// UpdateClient stores the version of c that follows c.Version.
func (s *Store) UpdateClient(ctx context.Context, c survey.Client) (survey.Client, error) {
	return update(ctx, s, clients, c)
}

// CreateProject stores a new project. It is a Conflict with code
// reference_taken if any client's project has its reference.
func (s *Store) CreateProject(ctx context.Context, p survey.Project) (survey.Project, error) {
	if p.ID == uuid.Nil {
		p.ID = uuid.Must(uuid.NewV7())
	}
	err := s.write(ctx, func(tx pgx.Tx) error {
		if _, err := clients.get(ctx, tx, p.ClientID); fault.KindOf(err) == fault.NotFound {
			return unknown("project", "client_id", "names no client")
		}
		_, err := tx.Exec(ctx, `insert into job_number (reference, client_id, project_id) values ($1, $2, $3)`,
			p.Reference, p.ClientID, p.ID)
		if err != nil {
			return classify(err, "project")
		}
		p, err = projects.insert(ctx, tx, p, s.stamp())
		return err
	})
	return p, err
}

// Project returns the project of the given id.
func (s *Store) Project(ctx context.Context, id uuid.UUID) (survey.Project, error) {
	return get(ctx, s, projects, id)
}

// Projects returns a page of the projects of a client (zero: of all) with a reference (empty: any).
func (s *Store) Projects(ctx context.Context, clientID uuid.UUID, reference string, p request.Page) ([]survey.Project, error) {
	return list(ctx, s, projects, `
		($1::uuid = '00000000-0000-0000-0000-000000000000' or client_id = $1) and ($2::text = '' or reference = $2) and id > $3
		order by id limit $4`, clientID, reference, p.After, p.Limit)
}

// UpdateProject stores the version of p that follows p.Version.
func (s *Store) UpdateProject(ctx context.Context, p survey.Project) (survey.Project, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into job_number (reference, client_id, project_id) values ($1, $2, $3)
			on conflict (project_id) do update set reference = excluded.reference where job_number.reference <> excluded.reference`,
			p.Reference, p.ClientID, p.ID)
		if err != nil {
			return classify(err, "project")
		}
		p, err = projects.update(ctx, tx, p, s.stamp())
		return err
	})
	return p, err
}

// CreatePosition stores a new position of p.ProjectID.
func (s *Store) CreatePosition(ctx context.Context, p survey.Position) (survey.Position, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		project, err := projects.get(ctx, tx, p.ProjectID)
		if err != nil {
			return err
		}
		p.ClientID = project.ClientID
		if err := primaryKnown(ctx, tx, p); err != nil {
			return err
		}
		p, err = positions.insert(ctx, tx, p, s.stamp())
		return err
	})
	return p, err
}

// primaryKnown refuses a primary meter that is none.
func primaryKnown(ctx context.Context, q conn, p survey.Position) error {
	if p.PrimaryInstrumentID == uuid.Nil {
		return nil
	}
	_, err := instruments.get(ctx, q, p.PrimaryInstrumentID)
	if fault.KindOf(err) == fault.NotFound {
		return unknown("position", "primary_instrument_id", "names no instrument")
	}
	return err
}

// Position returns the position of the given id.
func (s *Store) Position(ctx context.Context, id uuid.UUID) (survey.Position, error) {
	return get(ctx, s, positions, id)
}

// FirstPosition returns the first version of the position of the given id.
func (s *Store) FirstPosition(ctx context.Context, id uuid.UUID) (survey.Position, error) {
	return first(ctx, s, positions, id)
}

// Positions returns a page of the positions of a project.
func (s *Store) Positions(ctx context.Context, projectID uuid.UUID, p request.Page) ([]survey.Position, error) {
	return list(ctx, s, positions, `project_id = $1 and id > $2 order by id limit $3`, projectID, p.After, p.Limit)
}

// UpdatePosition stores the version of p that follows p.Version.
func (s *Store) UpdatePosition(ctx context.Context, p survey.Position) (survey.Position, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if err := primaryKnown(ctx, tx, p); err != nil {
			return err
		}
		p, err = positions.update(ctx, tx, p, s.stamp())
		return err
	})
	return p, err
}

// CreateSurvey stores a new survey of v.ProjectID.
func (s *Store) CreateSurvey(ctx context.Context, v survey.Survey) (survey.Survey, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		project, err := projects.get(ctx, tx, v.ProjectID)
		if err != nil {
			return err
		}
		v.ClientID = project.ClientID
		if err := plannedFor(ctx, tx, v); err != nil {
			return err
		}
		v, err = surveys.insert(ctx, tx, v, s.stamp())
		return err
	})
	return v, err
}

// plannedFor refuses a plan of v that names an instrument that is not there, or a position of another project.
func plannedFor(ctx context.Context, tx pgx.Tx, v survey.Survey) error {
	if v.Planned == nil {
		return nil
	}
	ids := make([]uuid.UUID, len(v.Planned.Positions))
	for i, p := range v.Planned.Positions {
		ids[i] = p.PositionID
	}
	var bad fault.Fields
	for _, c := range []struct {
		statement, path, reason string
		args                    []any
	}{
		{
			`select n::int - 1 from unnest($1::uuid[]) with ordinality as a (id, n) where not exists (select from instrument where instrument.id = a.id) order by n`,
			"planned/instrument_ids/%d",
			"names no instrument",
			[]any{v.Planned.Instruments},
		},
		{
			`select n::int - 1 from unnest($1::uuid[]) with ordinality as a (id, n)
			where not exists (select from position where client_id = $2 and position.id = a.id and project_id = $3) order by n`,
			"planned/positions/%d/position_id",
			"names no position of the project",
			[]any{ids, v.ClientID, v.ProjectID},
		},
	} {
		rows, _ := tx.Query(ctx, c.statement, c.args...)
		missing, err := pgx.CollectRows(rows, pgx.RowTo[int])
		if err != nil {
			return err
		}
		for _, i := range missing {
			bad.Add(fmt.Sprintf(c.path, i), "unknown_reference", c.reason)
		}
	}
	return bad.Err("survey")
}

// Survey returns the survey of the given id.
func (s *Store) Survey(ctx context.Context, id uuid.UUID) (survey.Survey, error) {
	return get(ctx, s, surveys, id)
}

// SurveyAndProject returns the survey of the given id and its project.
func (s *Store) SurveyAndProject(ctx context.Context, id uuid.UUID) (survey.Survey, survey.Project, error) {
	return s.surveyAndProject(ctx, `id = $1`, id, "survey")
}

// SurveyOfSeries returns the survey of a series and its project.
func (s *Store) SurveyOfSeries(ctx context.Context, seriesID uuid.UUID) (survey.Survey, survey.Project, error) {
	return s.surveyAndProject(ctx, `(client_id, id) in (select client_id, survey_id from series where id = $1)`, seriesID, "series")
}

// surveyAndProject returns the survey that where holds for with $1 an id, in one round trip; what names whose id it is.
func (s *Store) surveyAndProject(ctx context.Context, where string, id uuid.UUID, what string) (v survey.Survey, p survey.Project, err error) {
	var found []survey.Survey
	var of []survey.Project
	b := &pgx.Batch{}
	surveys.queueWhere(b, &found, where, id)
	projects.queueWhere(b, &of, `(client_id, id) in (select client_id, project_id from survey where `+where+`)`, id)
	if err := s.askAll(ctx, b); err != nil {
		return v, p, err
	}
	if len(found) == 0 || len(of) == 0 {
		return v, p, notFound(what)
	}
	return found[0], of[0], nil
}

// Surveys returns a page of the surveys that f selects.
func (s *Store) Surveys(ctx context.Context, f survey.Filter, p request.Page) ([]survey.Survey, error) {
	return list(ctx, s, surveys, `
		(@client::uuid = '00000000-0000-0000-0000-000000000000' or client_id = @client)
		and (@project::uuid = '00000000-0000-0000-0000-000000000000' or project_id = @project)
		and (@instrument::uuid = '00000000-0000-0000-0000-000000000000' or exists (select from series
			where series.client_id = survey.client_id and series.survey_id = survey.id and series.instrument_id = @instrument))
		and (@kind::text = '' or kind = @kind) and (@operator::text = '' or operator = @operator)
		and (@from::timestamptz is null or ended_at is null or ended_at > @from) and (@to::timestamptz is null or started_at < @to)
		and (@void or void_reason is null) and id > @after
		and (@state::text = '' or @state = case when void_reason is not null then 'void'
			when exists (select from sign_off where sign_off.client_id = survey.client_id and sign_off.survey_id = survey.id) then 'signed_off'
			when exists (select from series where series.client_id = survey.client_id and series.survey_id = survey.id and not withdrawn)
			then 'measured' else 'planned' end)
		order by id limit @limit`,
		pgx.StrictNamedArgs{
			"client": f.ClientID, "project": f.ProjectID, "instrument": f.InstrumentID, "kind": f.Kind, "operator": f.Operator, "state": f.State,
			"from": f.From, "to": f.To, "void": f.IncludeVoid, "after": p.After, "limit": p.Limit,
		})
}

// Measured says which of the surveys have series that count.
func (s *Store) Measured(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]bool, error) {
	measured := map[uuid.UUID]bool{}
	err := s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `select distinct survey_id from series where survey_id = any($1) and not withdrawn`, ids)
		found, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		for _, id := range found {
			measured[id] = true
		}
		return err
	})
	return measured, err
}

// FirstSurvey returns the first version of the survey of the given id.
func (s *Store) FirstSurvey(ctx context.Context, id uuid.UUID) (survey.Survey, error) {
	return first(ctx, s, surveys, id)
}

// SurveyVersions returns every version of the survey of the given id, oldest first.
func (s *Store) SurveyVersions(ctx context.Context, id uuid.UUID) ([]survey.Survey, error) {
	return versions(ctx, s, surveys, id)
}

// UpdateSurvey stores the version of v that follows v.Version.
func (s *Store) UpdateSurvey(ctx context.Context, v survey.Survey) (survey.Survey, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if _, err := surveyToChange(ctx, tx, v.ID); err != nil {
			return err
		}
		if err := plannedFor(ctx, tx, v); err != nil {
			return err
		}
		v, err = surveys.update(ctx, tx, v, s.stamp())
		return err
	})
	return v, err
}

func unknown(what, path, reason string) error {
	return &fault.Error{Kind: fault.Invalid, Message: "invalid " + what, Fields: []fault.Field{
		{Path: path, Code: "unknown_reference", Reason: reason},
	}}
}
