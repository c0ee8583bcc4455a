package dcc

import (
	"fmt"
	"slices"
	"strings"

	"leveltrail/domain/calibration"
)

// Match returns the instrument among of that i is: of its serial number and of a kind that
// does not contradict it, and if several are, of its manufacturer and model. The
// instrument is zero where none or more than one is; the warnings say why, and what differs.
func (i Item) Match(of []calibration.Instrument) (on calibration.Instrument, warnings []Warning) {
	warn := func(code, format string, args ...any) {
		warnings = append(warnings, Warning{Code: code, Detail: fmt.Sprintf(format, args...)})
	}
	if i.SerialNumber == "" {
		warn("instrument_unknown", "Without a serial number the item cannot be matched with an instrument: set instrument_id of the draft.")
		return on, warnings
	}
	of = slices.DeleteFunc(slices.Clone(of), func(x calibration.Instrument) bool {
		return strings.TrimSpace(x.SerialNumber) != i.SerialNumber || !i.mayBe(x.Kind)
	})
	for _, is := range []func(calibration.Instrument) bool{i.madeLike, i.modelledLike} {
		if narrower := slices.DeleteFunc(slices.Clone(of), func(x calibration.Instrument) bool { return !is(x) }); len(of) > 1 && len(narrower) > 0 {
			of = narrower
		}
	}
	switch len(of) {
	case 0:
		what := "instrument"
		if i.Kind != "" {
			what = strings.ReplaceAll(string(i.Kind), "_", " ")
		}
		warn("instrument_unknown", "No %s has serial number %s: record it, then set instrument_id of the draft.", what, i.SerialNumber)
		return on, warnings
	case 1:
		on = of[0]
	default:
		warn("instrument_ambiguous", "%d instruments have serial number %s: set instrument_id of the draft.", len(of), i.SerialNumber)
		return on, warnings
	}
	if i.Manufacturer != "" && !i.madeLike(on) {
		warn("manufacturer_differs", "The item is made by %q, the instrument of its serial number by %q.", i.Manufacturer, on.Manufacturer)
	}
	if i.Model != "" && !i.modelledLike(on) {
		warn("model_differs", "The item is a %q, the instrument of its serial number a %q.", i.Model, on.Model)
	}
	return on, warnings
}

// mayBe reports whether i may be an instrument of kind k.
func (i Item) mayBe(k calibration.Kind) bool {
	return i.Kind == "" || i.Kind == k || i.Kind.Measures() && k.Measures()
}

// madeLike reports whether the names of the manufacturers are the same or one is part of the other.
func (i Item) madeLike(x calibration.Instrument) bool { return alike(i.Manufacturer, x.Manufacturer) }

func (i Item) modelledLike(x calibration.Instrument) bool { return alike(i.Model, x.Model) }

func alike(a, b string) bool {
	a, b = strings.ToLower(strings.TrimSpace(a)), strings.ToLower(strings.TrimSpace(b))
	return a != "" && b != "" && (strings.Contains(a, b) || strings.Contains(b, a))
}

// Recorded is a draft with the certificate that it became, now or before.
type Recorded struct {
	Draft
	Certificate calibration.Certificate // as it is now; in place of the draft's own
	New         bool
}
