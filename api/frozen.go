package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// AuditHead is the last link of the journal's chain when a survey was signed off: what
// was recorded up to there cannot have been altered since without being found.
type AuditHead struct {
	Seq      int64     `json:"seq"`    // Number of the entry
	SHA256   string    `json:"sha256"` // Of the chain up to there
	SealedAt time.Time `json:"sealed_at"`
}

// SignedProject is what a sign-off says of the project.
type SignedProject struct {
	ID         uuid.UUID `json:"id"`
	Version    int       `json:"version"`
	Reference  string    `json:"reference"` // The job number
	Title      string    `json:"title"`
	TimeZone   string    `json:"time_zone"`   // IANA zone of the site
	ClientName string    `json:"client_name"` // Who it is for
}

// SignOff is a frozen copy of a survey under a quality lead's name.
type SignOff struct {
	ID          uuid.UUID     `json:"id"`
	ClientID    uuid.UUID     `json:"client_id"`
	SurveyID    uuid.UUID     `json:"survey_id"`
	Revision    int           `json:"revision"`    // Counts the sign-offs of the survey, from 1
	Reason      *string       `json:"reason"`      // Why there is another; null: the first
	Statement   string        `json:"statement"`   // What is signed off, in words
	SignedBy    string        `json:"signed_by"`   // Name of the key
	SignedAt    time.Time     `json:"signed_at"`   // What was known then is frozen
	Engine      string        `json:"engine"`      // Rules by which the figures were computed
	Project     SignedProject `json:"project"`     // As it was
	Survey      Survey        `json:"survey"`      // As it was
	Summary     SurveySummary `json:"summary"`     // Figures of the usable windows
	Verdict     Verdict       `json:"verdict"`     // As it was
	Trace       Trace         `json:"trace"`       // As it was
	Enclosures  []Enclosure   `json:"enclosures"`  // Files that go with it, byte for byte
	Notes       []Note        `json:"notes"`       // Of the survey, oldest first
	Attachments []Attachment  `json:"attachments"` // Photos and sketches of the survey; the digests say which bytes
	Audit       AuditHead     `json:"audit"`       // Head of the journal before the sign-off
	Cautions    []Caution     `json:"cautions"`    // To be shown beside it
}

// frozen is the bytes of a sign-off as they are answered.
type frozen struct {
	record survey.SignOff
	bytes  []byte
}

func (f frozen) etag() string { return `"` + hex.EncodeToString(f.record.SHA256) + `"` }

func (f frozen) path() string { return "/v1/sign-offs/" + f.record.ID.String() }

func (f frozen) encode() ([]byte, error) { return f.bytes, nil }

func (frozen) unchanging() {}

// standing is what a survey's figures, verdict and trace are now, as a sign-off has them.
type standing struct {
	survey  survey.Survey
	project survey.Project
	facts   calibration.Facts
	verdict calibration.Verdict
	body    Verdict
	summary func(context.Context) (SurveySummary, error)
}

// standing judges a survey as signed off by someone. Its summary is computed when it is asked for.
func (s *server) standing(ctx context.Context, v survey.Survey, p survey.Project, signedBy string) (now standing, err error) {
	now = standing{survey: v, project: p}
	if now.facts, err = s.store.VerdictFacts(ctx, v.ID, nil); err != nil {
		return now, err
	}
	now.facts.Signatory = signedBy
	now.verdict = calibration.Decide(now.facts)
	// Whoever signs, the copy is the client's: it names no survey of another client.
	var others []uuid.UUID
	for _, f := range now.verdict.Findings {
		if f.Rule == calibration.InstrumentUseOverlaps {
			others = append(others, f.Subject.ID)
		}
	}
	visible := map[uuid.UUID]uuid.UUID{}
	if others != nil {
		of, err := s.store.SurveysOfSeries(ctx, others)
		if err != nil {
			return now, err
		}
		for series, id := range of {
			if other, err := s.store.Survey(ctx, id); err == nil && other.ClientID == v.ClientID {
				visible[series] = id
			}
		}
	}
	now.body = verdictOf(now.verdict, visible)
	now.summary = func(ctx context.Context) (SurveySummary, error) {
		q := question{survey: v, residual: p.Residual(), verdict: now.verdict, request: summary.Request{
			Zone: p.Zone(), Periods: p.DayPeriods(), MinCoverage: summary.DefaultMinCoverage, UsableOnly: true,
			Percentiles: []series.Percent{10_000, 50_000, 90_000}, Asked: &series.Span{From: v.StartedAt},
		}}
		if v.EndedAt != nil {
			q.request.Asked.To = *v.EndedAt
		}
		q.uncertainty = func(span time.Duration) bool { return span <= shortSpan }
		a, err := s.answerTo(ctx, q)
		return surveySummaryOf(q, a), err
	}
	return now, nil
}

// freeze makes the bytes of a sign-off and notes their digests in it.
func (s *server) freeze(ctx context.Context, so *survey.SignOff, now standing) (c survey.SignOffCopy, err error) {
	client, err := s.store.Client(ctx, so.ClientID)
	if err != nil {
		return c, err
	}
	figures, err := now.summary(ctx)
	if err != nil {
		return c, err
	}
	trace := traceOf(calibration.TraceOf(now.facts))
	enclosures, err := s.enclosures(ctx, so.SurveyID, trace, now.verdict)
	if err != nil {
		return c, err
	}
	notes, attachments := []Note{}, []Attachment{}
	for page := (request.Page{Limit: maxLimit}); ; {
		some, err := s.store.NotesOfSurvey(ctx, so.SurveyID, page)
		if err != nil {
			return c, err
		}
		for _, n := range some {
			notes, page.After = append(notes, noteOf(n)), n.ID
		}
		if len(some) < page.Limit {
			break
		}
	}
	for page := (request.Page{Limit: maxLimit}); ; {
		some, err := s.store.AttachmentsOfSurvey(ctx, so.SurveyID, page)
		if err != nil {
			return c, err
		}
		for _, a := range some {
			attachments, page.After = append(attachments, attachmentOf(a)), a.ID
		}
		if len(some) < page.Limit {
			break
		}
	}
	head, err := s.store.SealedHead(ctx)
	if err != nil {
		return c, err
	}
	state := "measured"
	if so.Revision > 1 {
		state = "signed_off"
	}
	body := SignOff{
		ID: so.ID, ClientID: so.ClientID, SurveyID: so.SurveyID, Revision: so.Revision, Reason: so.Reason, Statement: so.Statement,
		SignedBy: so.SignedBy, SignedAt: so.RecordedAt, Engine: Engine,
		Project: SignedProject{now.project.ID, now.project.Version, now.project.Reference, now.project.Title, now.project.TimeZone, client.Name},
		Survey:  surveyOf(now.survey, state), Summary: figures, Verdict: now.body, Trace: trace, Enclosures: enclosures,
		Notes: notes, Attachments: attachments,
		Audit:    AuditHead{head.Seq, hex.EncodeToString(head.SHA256), head.SealedAt},
		Cautions: cautionsOf([]caution.Caution{caution.NotDescribed, caution.NotForCompliance, caution.LawDecides}),
	}
	if c.Frozen, err = canonicalJSON(body); err != nil {
		return c, err
	}
	sum := sha256.Sum256(c.Frozen)
	so.SHA256 = sum[:]
	if c.Page, err = signedPage(body, hex.EncodeToString(so.SHA256)); err != nil {
		return c, err
	}
	ofPage := sha256.Sum256(c.Page)
	so.PageSHA256 = ofPage[:]
	return c, nil
}

// canonicalJSON returns v as JSON with sorted names, without space between.
func canonicalJSON(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	var tree any
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	if err := d.Decode(&tree); err != nil {
		return nil, err
	}
	return json.Marshal(tree)
}
