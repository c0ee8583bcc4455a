package persistence

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

var imports = kindOf[survey.Import]("import",
	`client_id id version created_at recorded_at survey_id file_id state sha256 options_sha256 options result withdrawal_reason`)

// Import turns the kept or uploaded file f into series of a survey, and has it stay.
// The file of an upload that was forgotten in the meantime is not found. A file that cannot be
// read is an import too, in state rejected, which made none. Where the same bytes
// were imported with the same options, that import is returned and existed; it is
// a Conflict with code file_already_imported where the options differ.
//
// found is what [Store.KeepFile] found in f, if anything, and serves once.
func (s *Store) Import(ctx context.Context, surveyID uuid.UUID, f survey.File, found *logfile.Scanned, o survey.ImportOptions) (m survey.Import, existed bool, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, surveyID)
		if err != nil {
			return err
		}
		p, err := projects.get(ctx, tx, v.ProjectID)
		if err != nil {
			return err
		}
		meter, err := instruments.get(ctx, tx, o.InstrumentID)
		if fault.KindOf(err) == fault.NotFound || err == nil && !meter.Kind.Measures() {
			return unknown("import", "instrument_id", "names no meter")
		}
		if err != nil {
			return err
		}
		l, err := layoutGiven(ctx, tx, o)
		if err != nil {
			return err
		}
		optionsJSON, err := json.Marshal(o)
		if err != nil {
			return err
		}
		optionsSum := sha256.Sum256(optionsJSON)

		// Two senders of one file wait for each other.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 2))`, fmt.Sprintf("%s %x", surveyID, f.SHA256)); err != nil {
			return err
		}
		earlier, err := imports.where(ctx, tx, `client_id = $1 and survey_id = $2 and sha256 = $3 and state = 'accepted'`, v.ClientID, v.ID, f.SHA256)
		if err != nil {
			return err
		}
		if len(earlier) == 1 {
			if m, existed = earlier[0], true; !bytes.Equal(m.OptionsSHA256, optionsSum[:]) {
				return &fault.Error{
					Kind: fault.Conflict, Code: "file_already_imported",
					Message: "this file is in the survey already, with other options, as import " + m.ID.String() + ": withdraw that one first",
				}
			}
			return nil
		}
		if err := takeFile(ctx, tx, f); err != nil {
			return err
		}
		m = survey.Import{
			ClientID: v.ClientID, ID: uuid.Must(uuid.NewV7()), SurveyID: v.ID, FileID: f.ID, State: survey.Accepted,
			SHA256: f.SHA256, OptionsSHA256: optionsSum[:], Options: o,
		}
		in := importer{store: s, tx: tx, survey: v, project: p, layout: l, options: o, importID: m.ID, parts: map[logfile.Part]*importedPart{}, placed: map[int]uuid.UUID{}}
		err = pgx.BeginFunc(ctx, tx, func(effect pgx.Tx) error {
			in.tx = effect
			m.Result, err = in.run(ctx, f, found)
			return err
		})
		switch {
		case errors.Is(err, errRefused):
			m.State = survey.Rejected
			m.Result.Series = nil
		case err != nil:
			return err
		}
		m.Result.FileName, m.Result.FileBytes = f.Name, f.Bytes
		m, err = imports.insert(ctx, tx, m, s.stamp())
		return err
	})
	return m, existed, err
}

// refusalFor says why a file is refused because of f.
func refusalFor(f *fault.Error) logfile.Problem {
	p := logfile.Problem{Code: f.Code, Detail: f.Message, Refuses: true}
	for _, field := range f.Fields {
		if p.Code == "" {
			p.Code = field.Code
		}
		p.Detail += ": " + field.Path + " " + field.Reason
	}
	return p
}

// errRefused ends an import whose problems say why the file is refused.
var errRefused = errors.New("file refused")

// importer turns one file into series, in one transaction.
type importer struct {
	store    *Store
	tx       pgx.Tx
	survey   survey.Survey
	project  survey.Project
	layout   survey.Layout // zero: none is given
	options  survey.ImportOptions
	importID uuid.UUID
	parts    map[logfile.Part]*importedPart
	placed   map[int]uuid.UUID // positions taken, by the number that the file gives them
}

// importedPart is the series of one part of the file.
type importedPart struct {
	appender
	content series.Content
}

func (in *importer) run(ctx context.Context, f survey.File, found *logfile.Scanned) (res survey.ImportResult, err error) {
	o := in.options.Reading(in.project, in.survey, in.layout)
	r := newFileReader(ctx, in.tx, f)
	if found == nil || !found.With(o) {
		if found, err = logfile.Scan(r, o); err != nil {
			return res, err
		}
	}
	report, err := found.Emit(r, func(p logfile.Part, run series.Run) error {
		return in.take(ctx, p, run)
	})
	res.Layout, res.Rows, res.Problems, res.ProblemsTotal = report.Layout, report.Rows, report.Problems, report.ProblemsTotal
	if err == nil && report.Refused {
		return res, errRefused
	}
	for _, t := range report.Tracks {
		if err != nil {
			break
		}
		part := in.parts[t.Part]
		if part == nil { // the reading ended early
			continue
		}
		if part.content, err = part.flush(ctx); err != nil {
			break
		}
		if outside := in.outside(part.content.Extent); outside != "" {
			res.Add(logfile.Problem{Code: "clock_suspicious", Detail: outside})
		}
		res.Series = append(res.Series, survey.ImportedSeries{
			ID: part.header.ID, PositionID: part.header.PositionID, Quantity: part.header.Quantity,
			Extent: part.content.Extent, Samples: part.content.Samples(), Gaps: t.Gaps, GapsTotal: t.GapsTotal, Traits: t.Traits,
		})
		for _, r := range t.Traits.Remarks() {
			of := part.header.Use()
			if t.Position != 0 {
				of = fmt.Sprintf("%s at position %d", of, t.Position)
			}
			res.Add(logfile.Problem{Code: r.Code, Detail: of + ": " + r.Detail})
		}
	}
	if refused, ok := errors.AsType[*fault.Error](err); ok && refused.Kind != fault.Internal {
		res.Add(refusalFor(refused))
		return res, errRefused
	}
	return res, err
}

// outside says how samples lie outside the survey, or is empty.
func (in *importer) outside(s series.Span) string {
	v := in.survey
	if s.From.Before(v.StartedAt) {
		return fmt.Sprintf("samples begin %s before the survey", v.StartedAt.Sub(s.From))
	}
	if v.EndedAt != nil && s.To.After(*v.EndedAt) {
		return fmt.Sprintf("samples end %s after the survey", s.To.Sub(*v.EndedAt))
	}
	return ""
}

// take stores a run of a part of the file.
func (in *importer) take(ctx context.Context, p logfile.Part, run series.Run) error {
	part := in.parts[p]
	if part == nil {
		h := series.Series{
			SurveyID: in.survey.ID, InstrumentID: in.options.InstrumentID, Channel: in.options.Channel, Quantity: p.Quantity,
			IntervalUS: p.Interval.Microseconds(), RangeFromDB: in.options.RangeFromDB, RangeToDB: in.options.RangeToDB, ImportID: in.importID,
		}
		if p.Channel > 0 {
			h.Channel = p.Channel
		}
		if p.BandHz > 0 {
			h.BandFraction, h.BandNominalHz = &p.BandFraction, &p.BandHz
		}
		if h.Quantity == "" {
			return &fault.Error{Kind: fault.Invalid, Code: "quantity_missing", Message: "neither the file nor the request says what quantity was logged"}
		}
		var err error
		if h.PositionID = in.placed[p.Position]; h.PositionID == uuid.Nil {
			if h.PositionID, err = in.position(ctx, p.Position); err != nil {
				return err
			}
			in.placed[p.Position] = h.PositionID
		}
		if err := h.Validate(); err != nil {
			return err
		}
		if h, err = in.store.insertSeries(ctx, in.tx, in.survey, h); err != nil {
			return err
		}
		part = &importedPart{appender: appender{tx: in.tx, survey: in.survey, header: h, now: in.store.stamp()}}
		in.parts[p] = part
	}
	return part.add(ctx, run)
}

// position returns the position of a number in the file: the one that the request
// maps it to, else that of the project with this number, which is made if the
// request allows. Rows without a number, or all of one number, go to the position that the request names.
func (in *importer) position(ctx context.Context, number int) (uuid.UUID, error) {
	if id, ok := in.options.Positions[number]; ok {
		return id, nil
	}
	refuse := func(code, format string, args ...any) (uuid.UUID, error) {
		return uuid.Nil, &fault.Error{Kind: fault.Invalid, Code: code, Message: fmt.Sprintf(format, args...)}
	}
	if in.options.PositionID != uuid.Nil {
		if len(in.placed) > 0 {
			return refuse("several_positions", "the file has rows of several positions, %d among them, and the request names one: map them in positions", number)
		}
		return in.options.PositionID, nil
	}
	if number == 0 {
		return refuse("position_missing", "the file names no position and neither does the request: give position_id")
	}
	found, err := positions.where(ctx, in.tx, `client_id = $1 and project_id = $2 and number = $3`, in.project.ClientID, in.project.ID, number)
	switch {
	case err != nil:
		return uuid.Nil, err
	case len(found) == 1:
		return found[0].ID, nil
	case !in.options.CreatePositions:
		return refuse("position_unknown", "the project has no position of number %d: map it in positions, or allow create_positions", number)
	}
	p := survey.Position{
		ClientID: in.project.ClientID, ProjectID: in.project.ID, Number: number, Label: fmt.Sprintf("Position %d", number), Setting: "free_field",
	}
	p, err = positions.insert(ctx, in.tx, p, in.store.stamp())
	return p.ID, err
}

// ImportByID returns the import of the given id.
func (s *Store) ImportByID(ctx context.Context, id uuid.UUID) (survey.Import, error) {
	return get(ctx, s, imports, id)
}

// ImportVersions returns every version of the import of the given id, oldest first.
func (s *Store) ImportVersions(ctx context.Context, id uuid.UUID) ([]survey.Import, error) {
	return versions(ctx, s, imports, id)
}

// ImportsOfSurvey returns a page of the imports of a survey.
func (s *Store) ImportsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]survey.Import, error) {
	return list(ctx, s, imports, `survey_id = $1 and id > $2 order by id limit $3`, surveyID, p.After, p.Limit)
}

// File returns the record of a kept file.
func (s *Store) File(ctx context.Context, id uuid.UUID) (f survey.File, err error) {
	err = s.read(ctx, func(q conn) error {
		f, err = fileOf(ctx, q, id)
		return err
	})
	return f, err
}

// WithdrawImport undoes m, an accepted import at m.Version: its series count no more and nothing is deleted.
func (s *Store) WithdrawImport(ctx context.Context, m survey.Import, reason string) (survey.Import, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		if m.State != survey.Accepted {
			return &fault.Error{Kind: fault.Conflict, Code: "not_accepted", Message: "the import is " + m.State}
		}
		now := s.stamp()
		m.State, m.WithdrawalReason = survey.Withdrawn, &reason
		var err error
		if m, err = imports.update(ctx, tx, m, now); err != nil {
			return err
		}
		made, err := seriesKind.where(ctx, tx, `client_id = $1 and import_id = $2 and not withdrawn`, m.ClientID, m.ID)
		if err != nil {
			return err
		}
		for _, h := range made { // a file has few positions
			h.Withdrawn = true
			if _, err := seriesKind.update(ctx, tx, h, now); err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `update instrument_use set withdrawn_at = $1 where series_id = $2`, now, h.ID); err != nil {
				return err
			}
		}
		return nil
	})
	return m, err
}
