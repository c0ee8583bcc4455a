package calibration

import (
	"slices"
	"time"

	"leveltrail/domain/series"
)

// Lists of spans here are in time order and disjoint, unless said otherwise.

// within returns the part of s inside t. ok is false if there is none.
func within(s, t series.Span) (series.Span, bool) {
	s = series.Span{From: later(s.From, t.From), To: earlier(s.To, t.To)}
	return s, s.From.Before(s.To)
}

// hull returns the shortest span that holds s and t.
func hull(s, t series.Span) series.Span {
	return series.Span{From: earlier(s.From, t.From), To: later(s.To, t.To)}
}

// touches reports whether s shares an instant with any of the spans.
func touches(s series.Span, spans []series.Span) bool {
	return slices.ContainsFunc(spans, func(t series.Span) bool { _, ok := within(s, t); return ok })
}

// inOrderOfTime returns the spans, given in any order, sorted and with those that overlap or meet joined.
func inOrderOfTime(spans []series.Span) []series.Span {
	spans = slices.Clone(spans)
	slices.SortFunc(spans, func(a, b series.Span) int { return a.From.Compare(b.From) })
	var joined []series.Span
	for _, s := range spans {
		if n := len(joined); n > 0 && !joined[n-1].To.Before(s.From) {
			joined[n-1].To = later(joined[n-1].To, s.To)
		} else if s.From.Before(s.To) {
			joined = append(joined, s)
		}
	}
	return joined
}

// without returns the spans less the windows, which may come in any order and overlap.
func without(spans, windows []series.Span) []series.Span {
	windows = inOrderOfTime(windows)
	var left []series.Span
	for _, s := range spans {
		for _, w := range windows {
			cut, ok := within(w, s)
			if !ok {
				continue
			}
			if s.From.Before(cut.From) {
				left = append(left, series.Span{From: s.From, To: cut.From})
			}
			s.From = cut.To
		}
		if s.From.Before(s.To) {
			left = append(left, s)
		}
	}
	return left
}

// common returns the parts of the spans that lie in a window.
func common(spans, windows []series.Span) []series.Span {
	return without(spans, without(spans, windows))
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
