package api

import (
	"bytes"
	_ "embed"
	"html/template"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/survey"
)

//go:embed signedpage.html
var signedPageText string

var signedPageTemplate = template.Must(template.New("sign-off").Funcs(template.FuncMap{
	"time":    func(t time.Time) string { return t.Format("2006-01-02 15:04:05 MST") },
	"u":       shownUncertainty,
	"percent": shownCoverage,
	"left": func(seconds float64) string {
		if seconds == 0 {
			return "nothing"
		}
		return strconv.FormatFloat(seconds, 'f', -1, 64) + " s"
	},
	"db": func(f Figure) string {
		number := func(x *float64) string { return strconv.FormatFloat(*x, 'f', 2, 64) }
		switch {
		case f.LevelDB != nil && f.Bound == "lower":
			return "at least " + number(f.LevelDB)
		case f.LevelDB != nil && f.Bound == "upper":
			return "at most " + number(f.LevelDB)
		case f.LevelDB != nil:
			return number(f.LevelDB)
		case f.BelowDB != nil:
			return "below " + number(f.BelowDB)
		case f.AboveDB != nil:
			return "above " + number(f.AboveDB)
		}
		return "-"
	},
}).Parse(signedPageText))

// shownUncertainty renders an uncertainty in dB for people. A small one is not shown as none.
func shownUncertainty(x *float64) string {
	switch {
	case x == nil:
		return "-"
	case *x > 0 && *x < 0.005:
		return "< 0.005"
	}
	return strconv.FormatFloat(*x, 'f', 2, 64)
}

// shownCoverage renders a share of time for people, rounded down: what is not whole is not shown as whole.
func shownCoverage(x *float64) string {
	if x == nil {
		return "-"
	}
	return strconv.FormatFloat(math.Floor(*x*1000)/10, 'f', 1, 64) + " %"
}

// figuresOf returns the summary of a series, nil if it has none.
func (so SignOff) figuresOf(id uuid.UUID) *Summary {
	for i := range so.Summary.Series {
		if s := &so.Summary.Series[i]; s.SeriesID == id {
			return s
		}
	}
	return nil
}

// Of returns the series of the trace that has the given id; one that is in none has its id alone.
func (t Trace) Of(seriesID uuid.UUID) TracedSeries {
	for _, s := range t.Series {
		if s.SeriesID == seriesID {
			return s
		}
	}
	return TracedSeries{SeriesID: seriesID}
}

// Place says where a series was measured, as the figures do; empty if they have no such position.
func (so SignOff) Place(s TracedSeries) string {
	for _, p := range so.Summary.Positions {
		if p.PositionID == s.PositionID {
			return "position " + strconv.Itoa(p.Number) + ", " + p.Label
		}
	}
	return ""
}

// File returns the path in the evidence of the log file that a series was made from; empty if there is none.
func (so SignOff) File(s TracedSeries) string {
	for _, e := range so.Enclosures {
		if s.ImportID != nil && e.Kind == survey.LogFile && e.ID == *s.ImportID {
			return e.Path
		}
	}
	return ""
}

// signedPage returns the page for people that says what a sign-off says.
func signedPage(so SignOff, sha256 string) ([]byte, error) {
	zone, err := time.LoadLocation(so.Project.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	cautions := slices.Clone(so.Cautions)
	for _, c := range so.Summary.Cautions {
		if !slices.Contains(cautions, c) {
			cautions = append(cautions, c)
		}
	}
	so.Cautions = cautions
	var b bytes.Buffer
	err = signedPageTemplate.Execute(&b, struct {
		SignOff
		SHA256  string
		Ended   time.Time // zero where the survey runs
		Local   func(time.Time) time.Time
		Figures func(uuid.UUID) *Summary
	}{so, sha256, orZero(so.Survey.EndedAt), func(t time.Time) time.Time { return t.In(zone) }, so.figuresOf})
	return b.Bytes(), err
}
