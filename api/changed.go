package api

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/survey"
)

// SignOffChanges says in what a survey differs today from what was signed off.
type SignOffChanges struct {
	VoidReason *string         `json:"void_reason"` // Why the survey is void; null if it is not
	Outcome    *OutcomeChange  `json:"outcome"`     // Of the verdict; null if it is as it was
	Series     []SeriesChange  `json:"series"`      // Whose outcome or windows differ
	Findings   FindingsChange  `json:"findings"`    // Of the verdict
	Figures    []FigureChange  `json:"figures"`     // That differ
	Causes     []ChangeOfCause `json:"causes"`      // What was recorded since, as far as it bears on the survey
}

// OutcomeChange is an outcome then and now.
type OutcomeChange struct {
	Was string `json:"was"` // When it was signed off
	Is  string `json:"is"`  // Today
}

// SeriesChange is what the verdict says of a series then and now.
type SeriesChange struct {
	SeriesID uuid.UUID      `json:"series_id"`
	Was      *SeriesVerdict `json:"was"` // When it was signed off; null: there was none
	Is       *SeriesVerdict `json:"is"`  // Today; null: there is none any more
}

// FindingsChange tells the findings that differ. A finding that only rests on a newer
// version of a record is the same.
type FindingsChange struct {
	New  []Finding `json:"new"`  // Made today
	Gone []Finding `json:"gone"` // Made when it was signed off
}

// FigureChange is a figure then and now.
type FigureChange struct {
	PositionID uuid.UUID  `json:"position_id"`
	SeriesID   *uuid.UUID `json:"series_id"` // Null: of the position from all its series
	Symbol     string     `json:"symbol"`    // Of the figure
	Was        *Figure    `json:"was"`       // When it was signed off; null: there was none
	Is         *Figure    `json:"is"`        // Today; null: there is none
}

// ChangeOfCause is something recorded after a sign-off that bears on its survey.
type ChangeOfCause struct {
	Type    string     `json:"type"`    // Kind of record, samples, or engine; further ones may appear
	ID      *uuid.UUID `json:"id"`      // Of the record, of the series; null of the engine
	Version int        `json:"version"` // Of the record; of samples, their revision
	At      *time.Time `json:"at"`      // When it was recorded; null if that is not kept
	Detail  string     `json:"detail"`  // For people
}

func (c SignOffChanges) empty() bool {
	return c.VoidReason == nil && c.Outcome == nil && len(c.Series)+len(c.Findings.New)+len(c.Findings.Gone)+len(c.Figures) == 0
}

// states returns the state of each survey.
//
// Whether one has changed since its sign-off is found in steps, each for the few that the
// one before cannot tell. One statement digests, for all surveys of a page, which versions
// of which records their figures and verdicts rest on, without reading any of them; where
// the digests are those of the last comparison, its result stands. Else the verdict is
// made again; and only where the digest of the figures or the usable windows differ,
// the figures too. What is found is kept beside the digests.
func (s *server) states(ctx context.Context, vs ...survey.Survey) (map[uuid.UUID]string, error) {
	ids := make([]uuid.UUID, len(vs))
	for i, v := range vs {
		ids[i] = v.ID
	}
	measured, err := s.store.Measured(ctx, ids)
	if err != nil {
		return nil, err
	}
	latest, err := s.store.LatestSignOffs(ctx, ids, nil)
	if err != nil {
		return nil, err
	}
	signed := map[uuid.UUID]survey.SignOff{}
	for _, so := range latest {
		signed[so.SurveyID] = so
	}
	changed, err := s.changes(ctx, latest)
	of := map[uuid.UUID]string{}
	for _, v := range vs {
		so, ok := signed[v.ID]
		of[v.ID] = v.State(measured[v.ID], ok, changed[so.ID] != nil)
	}
	return of, err
}

// changes returns in what the surveys of sign-offs differ from them today, by the ids of
// those sign-offs whose surveys do.
func (s *server) changes(ctx context.Context, sos []survey.SignOff) (map[uuid.UUID]*SignOffChanges, error) {
	of := map[uuid.UUID]*SignOffChanges{}
	if len(sos) == 0 {
		return of, nil
	}
	now, kept, err := s.store.SignOffChecks(ctx, sos)
	if err != nil {
		return nil, err
	}
	for _, so := range sos {
		basis, last := now[so.ID], kept[so.ID]
		basis.Figures = Engine + " " + basis.Figures
		var found *SignOffChanges
		if last.Changes != nil {
			found = &SignOffChanges{}
			if err := json.Unmarshal(last.Changes, found); err != nil {
				return nil, fmt.Errorf("changes of sign-off %s: %w", so.ID, err)
			}
		}
		if basis != last.Basis {
			if found, err = s.compare(ctx, so, basis.Figures == last.Figures && found == nil); err != nil {
				return nil, err
			}
			check := survey.SignOffCheck{Basis: basis}
			if found != nil {
				if check.Changes, err = json.Marshal(found); err != nil {
					return nil, err
				}
			}
			if err := s.store.KeepSignOffCheck(ctx, so, check); err != nil {
				return nil, err
			}
		}
		if found != nil {
			of[so.ID] = found
		}
	}
	return of, nil
}

// compare returns in what a survey differs from a sign-off of it, nil if in nothing.
// sameFigures says that its figures differ only where its usable windows do.
func (s *server) compare(ctx context.Context, so survey.SignOff, sameFigures bool) (*SignOffChanges, error) {
	v, p, err := s.store.SurveyAndProject(ctx, so.SurveyID)
	if err != nil {
		return nil, err
	}
	now, err := s.standing(ctx, v, p, so.SignedBy)
	if err != nil {
		return nil, err
	}
	_, c, err := s.store.SignOffCopy(ctx, so.ID)
	if err != nil {
		return nil, err
	}
	var was SignOff
	if err := json.Unmarshal(c.Frozen, &was); err != nil {
		return nil, fmt.Errorf("frozen copy of sign-off %s: %w", so.ID, err)
	}
	out := SignOffChanges{VoidReason: v.VoidReason, Causes: []ChangeOfCause{}, Figures: []FigureChange{}}
	out.verdict(was.Verdict, now.body)
	if !sameFigures || len(out.Series) > 0 {
		is, err := now.summary(ctx)
		if err != nil {
			return nil, err
		}
		out.figures(was.Summary, is)
		if len(out.Figures) > 0 {
			out.causesOfFigures(was.Engine, was.Summary.Evidence, is.Evidence)
		}
	}
	if out.empty() {
		return nil, nil //nolint:nilnil // no difference
	}
	if v.Version != so.SurveyVersion {
		out.cause("survey", v.ID, v.Version, &v.RecordedAt, "the survey was changed")
	}
	if p.Version != was.Project.Version {
		out.cause("project", p.ID, p.Version, &p.RecordedAt, "the project was changed")
	}
	for _, l := range calibration.LearnedSince(now.facts, so.RecordedAt) {
		out.cause(l.Type, l.ID, l.Version, &l.RecordedAt, "recorded after the sign-off")
	}
	return &out, nil
}

func (c *SignOffChanges) cause(kind string, id uuid.UUID, version int, at *time.Time, detail string) {
	c.Causes = append(c.Causes, ChangeOfCause{kind, &id, version, at, detail})
}

// verdict notes in what two verdicts differ.
func (c *SignOffChanges) verdict(was, is Verdict) {
	if was.Outcome != is.Outcome {
		c.Outcome = &OutcomeChange{was.Outcome, is.Outcome}
	}
	c.Series = []SeriesChange{}
	before, after := map[uuid.UUID]*SeriesVerdict{}, map[uuid.UUID]*SeriesVerdict{}
	var ids []uuid.UUID
	for _, half := range []struct {
		all []SeriesVerdict
		by  map[uuid.UUID]*SeriesVerdict
	}{{was.Series, before}, {is.Series, after}} {
		for i := range half.all {
			half.by[half.all[i].SeriesID] = &half.all[i]
			ids = append(ids, half.all[i].SeriesID)
		}
	}
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	for _, id := range slices.Compact(ids) {
		if !reflect.DeepEqual(before[id], after[id]) {
			c.Series = append(c.Series, SeriesChange{id, before[id], after[id]})
		}
	}
	c.Findings = FindingsChange{New: lacking(is.Findings, was.Findings), Gone: lacking(was.Findings, is.Findings)}
}

// lacking returns the findings that others do not say too.
func lacking(all, others []Finding) []Finding {
	type content struct {
		rule, severity, subject string
		id, series              uuid.UUID
		from, to                time.Time
	}
	of := func(f Finding) content {
		return content{f.Rule, f.Severity, f.Subject.Type, f.Subject.ID, f.SeriesID, orZero(f.From).UTC(), orZero(f.To).UTC()}
	}
	said := map[content]bool{}
	for _, f := range others {
		said[of(f)] = true
	}
	out := []Finding{}
	for _, f := range all {
		if !said[of(f)] {
			out = append(out, f)
		}
	}
	return out
}

// figures notes in what the figures of two summaries differ.
func (c *SignOffChanges) figures(was, is SurveySummary) {
	series := func(all []Summary) map[uuid.UUID]Summary {
		of := map[uuid.UUID]Summary{}
		for _, s := range all {
			of[s.SeriesID] = s
		}
		return of
	}
	a, b := series(was.Series), series(is.Series)
	for _, id := range slices.SortedFunc(maps.Keys(either(a, b)), compareIDs) {
		position := a[id].PositionID
		if position == uuid.Nil {
			position = b[id].PositionID
		}
		c.differing(position, &id, a[id].Levels, b[id].Levels)
		c.differing(position, &id, a[id].Indices, b[id].Indices)
	}
	places := func(all []PositionSummary) map[uuid.UUID]PositionSummary {
		of := map[uuid.UUID]PositionSummary{}
		for _, p := range all {
			of[p.PositionID] = p
		}
		return of
	}
	x, y := places(was.Positions), places(is.Positions)
	for _, id := range slices.SortedFunc(maps.Keys(either(x, y)), compareIDs) {
		c.differing(id, nil, x[id].Levels, y[id].Levels)
		c.differing(id, nil, x[id].Indices, y[id].Indices)
	}
}

func compareIDs(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) }

// either returns the entries of both.
func either[K comparable, V any](a, b map[K]V) map[K]V {
	all := maps.Clone(a)
	maps.Copy(all, b)
	return all
}

// differing notes the figures that differ.
func (c *SignOffChanges) differing(position uuid.UUID, series *uuid.UUID, was, is map[string]Figure) {
	figure := func(of map[string]Figure, symbol string) *Figure {
		if f, ok := of[symbol]; ok {
			return &f
		}
		return nil
	}
	all := map[string]Figure{}
	maps.Copy(all, was)
	maps.Copy(all, is)
	for _, symbol := range slices.Sorted(maps.Keys(all)) {
		a, b := figure(was, symbol), figure(is, symbol)
		if !sameJSON(a, b) {
			c.Figures = append(c.Figures, FigureChange{position, series, symbol, a, b})
		}
	}
}

// causesOfFigures notes what the figures were made from then and are made from today.
func (c *SignOffChanges) causesOfFigures(engine string, was, is Evidence) {
	if engine != is.Engine {
		c.Causes = append(c.Causes, ChangeOfCause{Type: "engine", Detail: "figures are computed by " + is.Engine + "; then by " + engine})
	}
	before := map[uuid.UUID]Input{}
	for _, in := range was.Inputs {
		before[in.SeriesID] = in
	}
	for _, in := range is.Inputs {
		old, ok := before[in.SeriesID]
		delete(before, in.SeriesID)
		switch {
		case !ok:
			c.cause("series", in.SeriesID, in.Version, nil, "the series was added")
			continue
		case old.Version != in.Version:
			c.cause("series", in.SeriesID, in.Version, nil, "the series was changed")
		}
		if old.Revision != in.Revision {
			c.cause("samples", in.SeriesID, int(in.Revision), nil, "samples of the series were added")
		}
		for _, x := range in.Exclusions {
			if !slices.Contains(old.Exclusions, x) {
				c.cause("exclusion", x, 1, nil, "a span was left out")
			}
		}
		for _, x := range old.Exclusions {
			if !slices.Contains(in.Exclusions, x) {
				c.cause("exclusion", x, 2, nil, "a span is left out no more")
			}
		}
	}
	for _, id := range slices.SortedFunc(maps.Keys(before), compareIDs) {
		c.cause("series", id, before[id].Version, nil, "the series counts no more")
	}
}
