package dcc

import (
	"math"
	"strconv"
	"strings"
)

// column is a quantity: one value, or one for each line of a table. A list of
// one element stands for every line.
type column struct {
	*element
	unit       string    // decibel, hertz or as written
	values     []float64 // in that unit
	expanded   []float64 // expanded uncertainty U, in that unit; empty if not stated
	factor     []float64 // coverage factor k; empty if not stated
	conformity []string  // as written: pass, fail, …
	lower      *column   // acceptance limits
	upper      *column
	nominal    *column // the value at which it was calibrated
}

// at returns the value for line i. ok is false if there is none.
func at(values []float64, i int) (v float64, ok bool) {
	switch {
	case len(values) == 1:
		return values[0], true
	case i < len(values):
		return values[i], true
	}
	return 0, false
}

// columnOf reads a dcc:quantity. ok is false if it holds no number.
func columnOf(q *element) (c column, ok bool) {
	c.element = q
	members := append(q.all("real"), q.all("realListXMLList")...)
	for _, h := range q.all("hybrid") { // the same quantity in several units
		members = append(members, h.all("real")...)
		members = append(members, h.all("realListXMLList")...)
	}
	for n, m := range members {
		var one column
		if one, ok = numbers(m); !ok {
			return c, false
		}
		if n == 0 || one.unit == "decibel" || one.unit == "hertz" {
			c.unit, c.values, c.expanded, c.factor = one.unit, one.values, one.expanded, one.factor
			if n > 0 {
				break
			}
		}
	}
	if len(members) == 0 {
		return c, false
	}
	for _, m := range q.all("measurementMetaData/metaData") {
		for _, w := range append(m.all("conformity"), m.all("conformityXMLList")...) {
			c.conformity = append(c.conformity, strings.Fields(w.text)...)
		}
		for _, inner := range quantitiesIn(m.at("data")) {
			l, ok := columnOf(inner)
			switch {
			case !ok:
			case inner.is("acceptanceLimitLower"):
				c.lower = &l
			case inner.is("acceptanceLimitUpper"):
				c.upper = &l
			case m.is("calibrationValue"), m.is("nominalValue"), inner.is("nominalValue"):
				c.nominal = &l
			}
		}
	}
	return c, true
}

// numbers reads si:real or si:realListXMLList, with the older and the newer form of uncertainty.
func numbers(m *element) (c column, ok bool) {
	first := func(paths ...string) string {
		for _, p := range paths {
			if s := m.textAt(p); s != "" {
				return s
			}
		}
		return ""
	}
	unit, scale := unitOf(first("unit", "unitXMLList"))
	c.unit = unit
	if c.values, ok = floats(first("value", "valueXMLList"), scale); !ok || len(c.values) == 0 {
		return c, false
	}
	c.expanded, _ = floats(first("expandedUnc/uncertainty", "measurementUncertaintyUnivariate/expandedMU/valueExpandedMU",
		"expandedUncXMLList/uncertaintyXMLList", "measurementUncertaintyUnivariateXMLList/expandedMUXMLList/valueExpandedMUXMLList"), scale)
	c.factor, _ = floats(first("expandedUnc/coverageFactor", "measurementUncertaintyUnivariate/expandedMU/coverageFactor",
		"expandedUncXMLList/coverageFactorXMLList", "measurementUncertaintyUnivariateXMLList/expandedMUXMLList/coverageFactorXMLList"), 1)
	return c, true
}

// unitOf reads a unit such as \decibel or \kilo\hertz; a list of units is read as its first.
func unitOf(s string) (unit string, scale float64) {
	if f := strings.Fields(s); len(f) > 0 {
		s = f[0]
	}
	switch s {
	case `\decibel`:
		return "decibel", 1
	case `\hertz`:
		return "hertz", 1
	case `\kilo\hertz`:
		return "hertz", 1000
	}
	return s, 1
}

// floats reads numbers separated by space. ok is false if one of them is none.
func floats(s string, scale float64) (values []float64, ok bool) {
	for f := range strings.FieldsSeq(s) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
			return nil, false
		}
		values = append(values, v*scale)
	}
	return values, true
}

// quantitiesIn returns the quantities of a dcc:data, lists within lists included.
func quantitiesIn(data *element) (all []*element) {
	all = data.all("quantity")
	for _, l := range data.all("list") {
		all = append(all, quantitiesIn(l)...)
	}
	return all
}

// tables returns the groups of quantities of a dcc:data that belong together: those of one list each.
func tables(data *element) (groups [][]column) {
	var own []column
	for _, q := range data.all("quantity") {
		if c, ok := columnOf(q); ok {
			own = append(own, c)
		}
	}
	if own != nil {
		groups = append(groups, own)
	}
	for _, l := range data.all("list") {
		groups = append(groups, tables(l)...)
	}
	return groups
}
