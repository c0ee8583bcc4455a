package dcc

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
)

// findings is what the results of one certificate, or of one item of it, come to.
type findings struct {
	results  []calibration.CertificateResult
	adjusted bool
	stated   map[string][]string // conformity, as written, by phase
	warnings []Warning
}

// measurement reads a dcc:measurementResult into f.
func (f *findings) measurement(m *element, language string) {
	phase := calibration.AsLeft
	for _, c := range m.all("influenceConditions/influenceCondition") {
		p, ok := phaseOf(c.textAt("status"))
		if !ok {
			continue
		}
		f.adjusted = true
		read := f.data(c.at("data"), p, c.at("name"), language)
		if !read { // no results of its own: it says when all of this measurement was made
			phase = p
		}
	}
	for _, r := range m.all("results/result") {
		name := r.at("name")
		if name.words(language) == "" {
			name = m.at("name")
		}
		f.data(r.at("data"), phase, name, language)
	}
}

// phaseOf reads the status of an influence condition. ok is false for one that says nothing of before or after.
func phaseOf(status string) (phase string, ok bool) {
	switch status {
	case "beforeAdjustment", "beforeRepair":
		return calibration.AsFound, true
	case "afterAdjustment", "afterRepair":
		return calibration.AsLeft, true
	}
	return "", false
}

// data reads the tables of a dcc:data. It reports whether they hold a level.
func (f *findings) data(data *element, phase string, name *element, language string) (read bool) {
	for _, t := range tables(data) {
		for _, c := range t {
			f.stated[phase] = append(f.stated[phase], c.conformity...)
		}
		read = f.table(t, phase, name, language) || read
	}
	return read
}

// table reads the lines of one table of levels.
func (f *findings) table(t []column, phase string, name *element, language string) (read bool) {
	var nominal, frequency *column
	var levels, deviations []column
	for _, c := range t {
		set := c.is("nominalValue") || c.is("referenceValue")
		switch {
		case c.unit == "hertz" && (frequency == nil || set):
			frequency = &c
		case c.unit != "decibel":
		case set:
			if nominal == nil || c.is("nominalValue") {
				nominal = &c
			}
		case c.is("measurementError"), c.is("deviation"):
			deviations = append(deviations, c)
		default:
			levels = append(levels, c)
		}
	}
	wanted, direct := levels, false
	if len(deviations) > 0 {
		wanted, direct = deviations, true
	}
	for _, c := range wanted {
		if frequency != nil && len(frequency.values) > 1 && len(c.values) > 1 && len(frequency.values) != len(c.values) ||
			nominal != nil && len(nominal.values) > 1 && len(c.values) > 1 && len(nominal.values) != len(c.values) {
			f.warn("lists_differ", "A table of %q has lists of different lengths and was left out.", name.words(language))
			continue
		}
		reference := c.at("name")
		if reference == nil {
			reference = name
		}
		if !direct && !micropascals.MatchString(reference.everyWord()+name.everyWord()) {
			f.warn("reference_not_stated", "%q does not say that its levels are re 20 µPa: see that they are.", reference.words(language))
		}
		lines := len(c.values)
		for _, o := range []*column{nominal, frequency} {
			if o != nil && lines == 1 && direct {
				lines = max(lines, len(o.values)) // one deviation for all
			}
		}
		for i := range lines {
			if len(f.results) == maxLines {
				f.warn("too_many_results", "It has more than %d results: the others are left out.", maxLines)
				return read
			}
			f.line(c, i, direct, nominal, frequency, phase, name, language)
			read = true
		}
	}
	return read
}

const maxHz = 1e6 // of a stored frequency

var (
	micropascals = regexp.MustCompile(`20\s*(µ|μ|u|micro)\s*pa`)
	nominalIn    = regexp.MustCompile(`nominal\w*\s+(?:\w+\s+)?(\d+(?:[.,]\d+)?)\s*db`)
	frequencyIn  = regexp.MustCompile(`(\d+(?:[.,]\d+)?)\s*(k?)hz`)
	decimalPoint = strings.NewReplacer(",", ".")
	decimalOf    = func(s string) (float64, error) { return strconv.ParseFloat(decimalPoint.Replace(s), 64) }
)

// line reads line i of a column of levels or, if direct, of deviations.
func (f *findings) line(c column, i int, direct bool, nominal, frequency *column, phase string, name *element, language string) {
	r := calibration.CertificateResult{Phase: phase, Test: name.words(language)}
	own := c.at("name")
	if w := own.words(language); w != "" && w != r.Test {
		r.Test = strings.TrimPrefix(r.Test+": "+w, ": ")
	}
	text := own.everyWord() + " " + name.everyWord()

	var set float64
	known := false
	if nominal != nil {
		set, known = at(nominal.values, i)
	}
	if !known && c.nominal != nil && c.nominal.unit == "decibel" {
		set, known = at(c.nominal.values, i)
	}
	if m := nominalIn.FindStringSubmatch(text); !known && m != nil {
		v, err := decimalOf(m[1])
		set, known = v, err == nil
	}
	if known {
		r.NominalDB = level(set)
	}
	if m := frequencyIn.FindStringSubmatch(text); m != nil {
		if hz, err := decimalOf(m[1]); err == nil && hz > 0 {
			if m[2] == "k" {
				hz *= 1000
			}
			if hz <= maxHz {
				r.FrequencyHz = &hz
			}
		}
	}
	if frequency != nil && (r.FrequencyHz == nil || frequency.is("nominalValue") || frequency.is("referenceValue")) {
		if hz, ok := at(frequency.values, i); ok && hz > 0 && hz <= maxHz {
			r.FrequencyHz = &hz
		}
	}
	v, _ := at(c.values, i)
	switch {
	case direct:
		r.DeviationDB = level(v)
	case known:
		r.DeviationDB = level(v - set)
	default:
		r.Test += fmt.Sprintf(" (%g dB)", v)
		f.warn("nominal_level_missing", "%q gives a level of %g dB without the nominal one: its deviation is to be entered.", own.words(language), v)
	}
	if u, ok := at(c.expanded, i); ok && u > 0 && u <= 100 {
		d := acoustic.Decibel(u)
		r.ExpandedUncertaintyDB = &d
		if k, ok := at(c.factor, i); ok && k > 0 && k <= 100 {
			r.CoverageFactor = &k
		}
	} else {
		f.warn("uncertainty_missing", "%q carries no expanded uncertainty.", r.Test)
	}
	limit := func(l *column) *acoustic.Level {
		if l == nil || l.unit != "decibel" {
			return nil
		}
		v, ok := at(l.values, i)
		if !ok || !direct && !known {
			return nil
		}
		if !direct { // limits of the level itself
			v -= set
		}
		return level(v)
	}
	r.LimitLowDB, r.LimitHighDB = limit(c.lower), limit(c.upper)
	if r.LimitLowDB != nil && r.LimitHighDB != nil && *r.LimitLowDB > *r.LimitHighDB {
		f.warn("limits_out_of_order", "The lower limit of %q lies above the upper one: both are left out.", r.Test)
		r.LimitLowDB, r.LimitHighDB = nil, nil
	}
	f.results = append(f.results, r)
}

// level returns v dB as a stored level, nil if it lies out of bounds.
func level(v float64) *acoustic.Level {
	l, ok := acoustic.LevelOf(acoustic.Decibel(v))
	if !ok {
		return nil
	}
	return &l
}

// warn notes something once.
func (f *findings) warn(code, format string, args ...any) {
	w := Warning{Code: code, Detail: fmt.Sprintf(format, args...)}
	if len(f.warnings) < maxWarnings && !slices.Contains(f.warnings, w) {
		f.warnings = append(f.warnings, w)
	}
}

// conformityOf sums up statements: one fail is a fail, else one pass is a pass.
// plain is false if a statement is a conditional one, which is for a person to read.
func conformityOf(stated []string) (c calibration.Conformity, plain bool) {
	c, plain = calibration.NotStated, true
	for _, s := range stated {
		switch s {
		case "fail":
			c = calibration.Fail
		case "pass":
			if c != calibration.Fail {
				c = calibration.Pass
			}
		default:
			plain = false
		}
	}
	if !plain && c == calibration.Pass {
		c = calibration.NotStated
	}
	return c, plain
}
