package scenario

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"strings"
	"text/tabwriter"
)

// Row is what became of one position of one survey.
type Row struct {
	Survey                string // job number and title
	SurveyID, SeriesID    string
	Position              string
	LAeq, LAFmax, LAF90   *float64 // dB, nil where there is no such figure
	SurveyOutcome, Series string   // outcomes
	Why                   string   // the gravest finding, or that there is none
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
	var rows []Row
	for _, p := range summary.Positions {
		row := Row{
			SurveyID: surveyID, SurveyOutcome: v.Outcome, Position: fmt.Sprintf("%d %s", p.Number, p.Label),
			LAeq: p.Levels["LAeq"].LevelDB, LAFmax: p.Levels["LAFmax"].LevelDB, LAF90: p.Levels["LAF90"].LevelDB,
		}
		for _, s := range series {
			if s.PositionID == p.PositionID {
				row.SeriesID = s.ID
				row.Series, row.Why = v.of(s.ID)
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
	return outcome, "nothing found against it"
}

// Print writes rows as a table; a survey is named in its first row only.
func Print(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "SURVEY\tPOSITION\tLAeq dB\tLAFmax dB\tLAF90 dB\tOUTCOME\tWHY")
	last := ""
	for _, r := range rows {
		name := r.Survey
		if name == last {
			name = ""
		}
		last = r.Survey
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", name, r.Position,
			decibels(r.LAeq), decibels(r.LAFmax), decibels(r.LAF90), r.Series, r.Why)
	}
	return t.Flush()
}

func decibels(l *float64) string {
	if l == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f", *l)
}
