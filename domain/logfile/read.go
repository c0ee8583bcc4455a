package logfile

import (
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"time"

	"leveltrail/domain/series"
)

// Read understands the file r and passes its samples to emit, in time order
// within each part of the file, in runs of at most [MaxRun] samples; a run that
// begins where the one before ended continues it. Nothing is emitted of a file
// that is refused. emit may be nil and may keep what it gets; its error ends the
// reading and is returned. r is read from its beginning, several times;
// memory does not grow with its length, unless its rows are out of order.
//
// Where the clock drifts, the first sample of each unbroken stretch is put at its
// true instant and the others follow it; where one would come to stand half an
// interval off, an interval is left free before it, or, of two samples that fall
// into one, the lower is left out, and a notice names the line.
func Read(r io.ReadSeeker, o Options, emit func(p Part, run series.Run) error) (Report, error) {
	s, err := Scan(r, o)
	if err != nil {
		return Report{}, err
	}
	return s.Emit(r, emit)
}

// Scanned is a file that was read once: everything is known of it but its samples.
type Scanned struct {
	options Options
	report  Report // without tracks
	found   problems
	plan    *plan // nil: the file is refused
	second  map[trackKey]map[int64]bool
}

// Scan is the first reading of [Read], which finds every reason to refuse the file.
func Scan(r io.ReadSeeker, o Options) (*Scanned, error) {
	l, sample, detected, err := detect(r, o)
	if err != nil {
		return nil, err
	}
	// Dates are told apart while the rows are read, with the order that the first ones suggest.
	var dates *evidence
	if l.DateOrder == "" && !refuses(detected) {
		e, all := sample.sampleDates(l.Columns)
		if all || e.settled() {
			detected = append(detected, sample.dateOrder(&e, &l, o)...)
		} else {
			guess := l
			if refuses(sample.dateOrder(&e, &guess, o)) {
				guess.DateOrder = orders[e.left()[0]]
			}
			l.DateOrder, dates = guess.DateOrder, &evidence{}
		}
	}
	s := &Scanned{options: o, report: Report{Layout: l}, second: map[trackKey]map[int64]bool{}}
	found := &s.found
	for _, p := range detected {
		found.add(p)
	}
	found.quantity(l, o)
	if found.refused() {
		return s, nil
	}
	// Entries into a repeated hour whose pass is only known at its end ask for another reading.
	var p *plan
	before := *found
	for again, n := true, 0; again && n < 10; n++ {
		*found = problems{refusing: slices.Clone(before.refusing), notices: slices.Clone(before.notices), total: before.total}
		if p, again, err = scan(r, l, o, s.second, dates, found); err != nil {
			return nil, err
		}
		if dates == nil || dates.settled() && !dates.began {
			continue
		}
		guess := l.DateOrder
		l.DateOrder = ""
		for _, q := range sample.dateOrder(dates, &l, o) {
			before.add(q)
			found.add(q)
		}
		dates, s.report.Layout = nil, l
		if before.refused() {
			*found = before
			return s, nil
		}
		if l.DateOrder != guess {
			again, s.second = true, map[trackKey]map[int64]bool{}
		}
	}
	s.report.Rows = p.rows
	switch {
	case found.refused():
		return s, nil
	case p.rows.Read == 0:
		found.add(Problem{Code: "file_header_only", Detail: "the file has no data row", Refuses: true})
	case p.readings() == 0:
		found.add(Problem{Code: "no_readings", Detail: "no row of the file holds a reading", Refuses: true})
	default:
		p.settle(o, found)
	}
	if found.refused() {
		return s, nil
	}
	p.remarks(o, found)
	s.plan = p
	return s, nil
}

// With reports whether the file was read with the options o.
func (s *Scanned) With(o Options) bool {
	of := s.options
	same := of.Location.String() == o.Location.String()
	of.Location, o.Location = nil, nil
	return same && reflect.DeepEqual(of, o)
}

// Emit passes the samples on as [Read] does, once. r is the file, which is read again where it is very long.
func (s *Scanned) Emit(r io.ReadSeeker, emit func(p Part, run series.Run) error) (rep Report, err error) {
	rep = s.report
	if s.plan != nil {
		rep.Tracks, err = s.plan.runs(r, rep.Layout, s.options, s.second, &s.found, emit)
		rep.Rows = s.plan.rows
	}
	return rep.with(&s.found), err
}

func (rep Report) with(found *problems) Report {
	rep.Problems, rep.ProblemsTotal, rep.Refused = found.byLine(), found.total, found.refused()
	return rep
}

// quantity refuses a file whose heading or unit contradicts the declared quantity, and checks of the clock that cannot be.
func (p *problems) quantity(l Layout, o Options) {
	if len(o.ClockChecks) > 0 && math.Abs(correctionOf(o).drift) > maxDrift {
		p.add(Problem{Code: "clock_drift_impossible", Refuses: true, Detail: "the two clock checks make the clock drift by more than 1 %; one of them is wrong"})
	}
	if len(o.Quantity) < 2 || len(l.Levels) > 0 {
		return
	}
	c := l.Columns.Level
	if w, ok := weightingOf(l.Unit); ok && w != 0 && w != o.Quantity[1] {
		p.add(Problem{
			Column: c, Code: "weighting_differs", Text: l.Unit, Refuses: true,
			Detail: fmt.Sprintf("the file is weighted %c, the declared quantity is %s", w, o.Quantity),
		})
		return
	}
	switch {
	case l.Quantity == "" || l.Quantity == o.Quantity:
	case l.Quantity[1] != o.Quantity[1]:
		p.add(Problem{
			Column: c, Code: "weighting_differs", Text: l.Quantity, Refuses: true,
			Detail: fmt.Sprintf("the file names %s, the declared quantity is %s", l.Quantity, o.Quantity),
		})
	default:
		p.add(Problem{
			Column: c, Code: "quantity_differs", Text: l.Quantity, Refuses: true,
			Detail: fmt.Sprintf("the file names %s, the declared quantity is %s", l.Quantity, o.Quantity),
		})
	}
}

// remarks notes what was taken for granted.
func (p *plan) remarks(o Options, found *problems) {
	interval := p.interval * p.per
	switch {
	case p.interval == 0:
	case o.Stamps == "" && interval > second:
		found.notice(0, "stamps_assumed", "each stamp is taken as the beginning of its interval of "+human(interval))
	case o.Stamps == "interval_end":
		found.notice(0, "stamps_shifted", "each stamp marks the end of its interval, so every sample begins "+human(interval)+" before it")
	}
	if p.rounded > 0 {
		found.notice(p.roundedLine, "level_rounded", fmt.Sprintf("%d levels have more than two decimals and are rounded to 0.01 dB, this one first", p.rounded))
	}
	first, last := p.order[0].first, p.order[0].last
	for _, t := range p.order {
		for _, s := range t.segments {
			first, last = min(first, s.from), max(last, s.to)
		}
	}
	at := time.UnixMicro(first).UTC()
	far := !o.Expected.From.IsZero() && o.Expected.From.Sub(at).Abs() > 365*24*time.Hour
	if at.Year() < 2010 || at.Year() > 2100 || far { // house values
		found.notice(p.order[0].firstLine, "clock_never_set", "the stamps begin in "+at.Format("2006-01-02")+"; the clock was probably never set")
	}
	fix := correctionOf(o)
	if by := fix.apply(first) - first; by != 0 || fix.drift != 0 {
		to := fix.apply(last) - last
		found.notice(0, "clock_corrected", fmt.Sprintf("%s is added to the first stamp, %s to the last", human(by), human(to)))
	}
}
