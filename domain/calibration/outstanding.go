package calibration

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/series"
)

// Site is what a survey has so far, asked before leaving the site.
type Site struct {
	Facts     Facts // as for its verdict
	Positions []PlannedPosition
	Measured  []MeasuredSeries // of sound levels
	Files     []UnreadFile
	Clocks    []ClockComparison
}

// PlannedPosition is what is planned at a position. Without readings and duration it is to be measured at all.
type PlannedPosition struct {
	ID       uuid.UUID
	Version  int
	Number   int
	Label    string
	Readings int           // spot readings, or separate measurements
	Duration time.Duration // of measured time
}

// MeasuredSeries is a series of a survey, whatever was measured at its position.
type MeasuredSeries struct {
	ID         uuid.UUID
	Version    int
	PositionID uuid.UUID
	Use        string // quantity and band
	Spot       bool
	Readings   int           // of a spot series; of another, 1 where it has samples
	Stretches  []series.Span // measured and not excluded
}

// UnreadFile is a log file that did not become series.
type UnreadFile struct {
	Subject Subject // the import that refused it, or the upload
	Name    string
	Why     string // empty: it has not arrived whole, or was not imported
}

// ClockComparison is a comparison of a meter's clock with the true time.
type ClockComparison struct {
	InstrumentID uuid.UUID
	Ahead        time.Duration // what the meter showed less the true time
	Applied      bool          // an import has put its stamps right by it
}

// clockTolerance is how far a meter's clock may be off unsaid (house value).
const clockTolerance = 10 * time.Second

// Outstanding tells what is still owed before whoever measures leaves the site, the
// same thing once for a meter or position.
func Outstanding(s Site) []Owed {
	o := owing{site: s}
	if len(s.Measured) == 0 {
		o.owe("nothing_measured", Subject{"survey", s.Facts.SurveyID, s.Facts.SurveyVersion}, "Measure, or send what was measured.", "The survey has no samples.")
	}
	o.verdict()
	o.positions()
	o.clocks()
	o.files()
	return o.owed
}

type owing struct {
	site Site
	owed []Owed
}

// owe notes what is owed, unless the same is noted of the same record.
func (o *owing) owe(code string, about Subject, do, format string, args ...any) {
	if !slices.ContainsFunc(o.owed, func(w Owed) bool { return w.Code == code && w.Subject.ID == about.ID }) {
		o.owed = append(o.owed, Owed{code, about, fmt.Sprintf(format, args...), do})
	}
}

// onSite says which findings of a verdict someone on site can do something about, under which code, and what.
var onSite = map[Rule]struct{ code, do string }{
	NoCheckBefore:           {"opening_check_missing", "Put the calibrator on the meter now, record the field check, and measure again what was measured before it."},
	NoCheckAfter:            {"closing_check_missing", "Put the calibrator on the meter now, before you switch it off, and record the field check."},
	CalibratorNotCovered:    {string(CalibratorNotCovered), "Check the meter again now with a calibrator that is in date."},
	CalibratorClassTooLow:   {string(CalibratorClassTooLow), "Check the meter again now with a calibrator of a class that is accepted."},
	MeterClassTooLow:        {string(MeterClassTooLow), "Measure again with a meter of a class that is accepted."},
	DriftExceeded:           {string(DriftExceeded), "Repeat the field check; if it deviates again, measure again what lies between the checks."},
	DriftSinceAdjustment:    {string(DriftSinceAdjustment), "Repeat the field check; if it deviates again, adjust the meter and measure again."},
	NotAdjusted:             {string(NotAdjusted), "Adjust the meter in a field check and measure again what was measured since the last one."},
	DeviationSuspicious:     {string(DeviationSuspicious), "Repeat the field check with the calibrator seated anew; if it deviates again, take another meter and measure again."},
	SamplesAtLimit:          {string(SamplesAtLimit), "Choose another measuring range and measure again."},
	SamplesOverRange:        {string(SamplesOverRange), "Choose a higher measuring range and measure again."},
	SamplesConstant:         {string(SamplesConstant), "Look whether the meter and its microphone work, and measure again if they did not."},
	ClockSuspicious:         {string(ClockSuspicious), "Compare the meter's clock with the true time and put right the times of the survey, or import again with the difference."},
	NoCertificate:           {string(NoCertificate), measureAgain},
	CalibrationLapsedBefore: {string(CalibrationLapsedBefore), measureAgain},
	CalibrationLapsedDuring: {string(CalibrationLapsedDuring), measureAgain},
	CalibratedAfterUse:      {string(CalibratedAfterUse), measureAgain},
	CertificateWithdrawn:    {string(CertificateWithdrawn), measureAgain},
	CertificateSuperseded:   {string(CertificateSuperseded), measureAgain},
	AsLeftNotConforming:     {string(AsLeftNotConforming), measureAgain},
	AlteredSinceCalibration: {string(AlteredSinceCalibration), measureAgain},
}

const measureAgain = "Measure again with an instrument that is in date, or ask the quality lead before you leave."

// verdict takes from the verdict as it would be now what can be seen to on site.
func (o *owing) verdict() {
	f := o.site.Facts
	for _, x := range Decide(f).Findings {
		w, ok := onSite[x.Rule]
		data := x.Rule == SamplesAtLimit || x.Rule == SamplesOverRange || x.Rule == SamplesConstant
		if !ok || !data && x.Severity != SeverityFail && x.Severity != SeverityUndetermined {
			continue
		}
		about := x.Subject
		if x.Rule == NoCheckBefore || x.Rule == NoCheckAfter { // one check closes all series of the meter
			for _, u := range f.Series {
				if u.ID == x.SeriesID {
					about = Subject{"instrument", u.InstrumentID, 0}
				}
			}
			for _, i := range f.Instruments {
				if i.ID == about.ID {
					about.Version = i.Version
				}
			}
		}
		o.owe(w.code, about, w.do, "%s", x.Detail)
	}
}

// positions compares what is planned at positions with what was measured there.
func (o *owing) positions() {
	for _, p := range o.site.Positions {
		about := Subject{"position", p.ID, p.Version}
		name := fmt.Sprintf("Position %d, %s,", p.Number, p.Label)
		readings := map[string]int{} // by what was measured: several quantities come at once
		spans := map[string][]series.Span{}
		measured := false
		for _, m := range o.site.Measured {
			if m.PositionID != p.ID || m.Readings == 0 {
				continue
			}
			measured = true
			readings[m.Use] += m.Readings
			if !m.Spot {
				spans[m.Use] = append(spans[m.Use], m.Stretches...)
			}
		}
		if !measured {
			o.owe("position_not_measured", about, "Measure there, or take the position out of the plan.", "%s has no samples.", name)
			continue
		}
		most, longest := 0, time.Duration(0)
		for _, n := range readings {
			most = max(most, n)
		}
		for _, s := range spans {
			longest = max(longest, lengthOf(s))
		}
		if short := p.Readings - most; short > 0 {
			o.owe("readings_missing", about, fmt.Sprintf("Take %d more there.", short), "%s has %d of %d planned readings.", name, most, p.Readings)
		}
		if short := p.Duration - longest; short > 0 {
			o.owe("duration_missing", about, "Measure there for "+short.Round(time.Second).String()+" more.",
				"%s has %s of %s planned.", name, longest.Round(time.Second), p.Duration)
		}
	}
}

// lengthOf returns the time that the spans cover together.
func lengthOf(spans []series.Span) (d time.Duration) {
	slices.SortFunc(spans, func(a, b series.Span) int { return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To)) })
	var until time.Time
	for _, s := range spans {
		if s.From.Before(until) {
			s.From = until
		}
		if s.To.After(s.From) {
			d += s.To.Sub(s.From)
			until = s.To
		}
	}
	return d
}

// clocks asks of each meter used that its clock was compared, and that what was found was heeded.
func (o *owing) clocks() {
	f := o.site.Facts
	for _, i := range f.Instruments {
		if !slices.ContainsFunc(f.Series, func(u SeriesUse) bool { return u.InstrumentID == i.ID && len(u.Stretches) > 0 }) {
			continue
		}
		compared, applied := false, false
		var worst time.Duration
		for _, c := range o.site.Clocks {
			if c.InstrumentID == i.ID {
				compared, applied = true, applied || c.Applied
				if c.Ahead.Abs() > worst.Abs() {
					worst = c.Ahead
				}
			}
		}
		switch {
		case !compared:
			o.owe("clock_not_compared", aboutInstrument(i), "Compare the meter's clock with the true time now, and give meter_at with the closing check or clock_checks with the import.",
				"The clock of the %v was not compared with the true time.", i)
		case worst.Abs() >= clockTolerance && !applied:
			way := "ahead of"
			if worst < 0 {
				way = "behind"
			}
			o.owe("clock_differs", aboutInstrument(i), "Import the meter's files with clock_checks, or send its samples at their true times.",
				"The clock of the %v was %s %s the true time.", i, worst.Abs(), way)
		}
	}
}

// files tells of log files that are here and did not become series.
func (o *owing) files() {
	for _, f := range o.site.Files {
		if f.Why == "" {
			o.owe("upload_unfinished", f.Subject, "Send the rest of the file and import it.", "The file %s has not arrived whole, or was not imported.", f.Name)
			continue
		}
		o.owe("file_not_imported", f.Subject, "Correct the options and try the file again with import_id, or read the meter out once more.",
			"The file %s was refused: %s.", f.Name, f.Why)
	}
}
