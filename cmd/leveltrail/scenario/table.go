package scenario

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"strings"
)

// Row is what became of one position of one survey.
type Row struct {
	Survey              string // job number and title
	SurveyID, SeriesID  string
	SurveyOutcome       string
	SignOffID           string   // of the survey; empty if it has none
	Position            string   // number and label
	LAeq, LAFmax, LAF90 *float64 // dB, nil where there is no such figure
	Outcome             string   // of the series there
	Why                 string   // the gravest finding, or that there is none
}

type figures struct {
	Number int
	Label  string
	Levels map[string]struct {
		LevelDB *float64 `json:"level_db"`
	}
	PositionID string `json:"position_id"`
}

type verdict struct {
	Outcome string
	Series  []struct {
		SeriesID string `json:"series_id"`
		Outcome  string
	}
	Findings []struct {
		Rule, Severity, Detail string
		SeriesID               string `json:"series_id"`
	}
}

// Read asks the service for the figures and the verdict of every survey of the scenario.
func Read(ctx context.Context, c Client) ([]Row, error) {
	var rows []Row
	for _, j := range jobs {
		_, surveyID, err := find(ctx, c, j)
		if err != nil {
			return nil, err
		}
		if surveyID == "" {
			return nil, fmt.Errorf("the service has no survey of %s", j.reference)
		}
		of, err := readSurvey(ctx, c, surveyID)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", j.reference, err)
		}
		for i := range of {
			of[i].Survey = j.reference + " " + strings.TrimSuffix(j.title, " (invented)")
		}
		rows = append(rows, of...)
	}
	return rows, nil
}

func readSurvey(ctx context.Context, c Client, surveyID string) ([]Row, error) {
	var summary struct{ Positions []figures }
	if err := c.get(ctx, "/v1/surveys/"+surveyID+"/summary", url.Values{"percentiles": {"90"}}, &summary); err != nil {
		return nil, err
	}
	var v verdict
	if err := c.get(ctx, "/v1/surveys/"+surveyID+"/verdict", nil, &v); err != nil {
		return nil, err
	}
	series, err := seriesOf(ctx, c, surveyID)
	if err != nil {
		return nil, err
	}
	var signed struct{ Items []struct{ ID string } }
	if err := c.get(ctx, "/v1/surveys/"+surveyID+"/sign-offs", nil, &signed); err != nil {
		return nil, err
	}
	var rows []Row
	for _, p := range summary.Positions {
		row := Row{
			SurveyID: surveyID, SurveyOutcome: v.Outcome, Position: fmt.Sprintf("%d %s", p.Number, p.Label),
			LAeq: p.Levels["LAeq"].LevelDB, LAFmax: p.Levels["LAFmax"].LevelDB, LAF90: p.Levels["LAF90"].LevelDB,
		}
		if len(signed.Items) > 0 {
			row.SignOffID = signed.Items[0].ID
		}
		for _, s := range series {
			if s.PositionID == p.PositionID {
				row.SeriesID = s.ID
				row.Outcome, row.Why = v.of(s.ID)
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// of returns the outcome of a series and its gravest finding.
func (v verdict) of(seriesID string) (outcome, why string) {
	for _, s := range v.Series {
		if s.SeriesID == seriesID {
			outcome = s.Outcome
		}
	}
	for _, severity := range []string{"fail", "undetermined", "remark"} {
		for _, f := range v.Findings {
			if f.Severity == severity && (f.SeriesID == seriesID || f.SeriesID == "") {
				return outcome, f.Detail
			}
		}
	}
	return outcome, "Nothing was found against it."
}

// Print writes rows as a table: each survey with its outcome, its positions below, and then why.
func Print(w io.Writer, rows []Row) error {
	width := 0
	for _, r := range rows {
		width = max(width, len(r.Survey), len(r.Position)+2)
	}
	var b strings.Builder
	line := func(name, laeq, lafmax, laf90, outcome string) {
		fmt.Fprintf(&b, "%-*s  %5s  %6s  %5s  %s\n", width, name, laeq, lafmax, laf90, outcome)
	}
	line("SURVEY, POSITION", "LAeq", "LAFmax", "LAF90", "OUTCOME")
	for i, r := range rows {
		if i == 0 || rows[i-1].SurveyID != r.SurveyID {
			line(r.Survey, "", "", "", r.SurveyOutcome)
		}
		line("  "+r.Position, decibels(r.LAeq), decibels(r.LAFmax), decibels(r.LAF90), r.Outcome)
		if i == len(rows)-1 || rows[i+1].SurveyID != r.SurveyID || rows[i+1].Why != r.Why {
			writeIndented(&b, "    ", r.Why)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeIndented writes text in lines of at most 100 columns, each after indent.
func writeIndented(b *strings.Builder, indent, text string) {
	column := 0
	for word := range strings.FieldsSeq(text) {
		switch {
		case column == 0:
			b.WriteString(indent)
			column = len(indent)
		case column+1+len(word) > 100:
			b.WriteString("\n" + indent)
			column = len(indent)
		default:
			b.WriteString(" ")
			column++
		}
		b.WriteString(word)
		column += len(word)
	}
	b.WriteString("\n")
}

func decibels(l *float64) string {
	if l == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f", *l)
}
