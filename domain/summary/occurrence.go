package summary

import (
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Occurrences returns when the period of that symbol was within a span, in time order:
// the nights of a week, the first and the last cut to the span. ok is false if the set
// has no such period.
func Occurrences(set acoustic.PeriodSet, symbol string, zone *time.Location, span series.Span) (spans []series.Span, ok bool) {
	period := slices.IndexFunc(set.Periods, func(p acoustic.Period) bool { return p.Symbol == symbol })
	if period < 0 {
		return nil, false
	}
	from, to := span.From.UnixMicro(), span.To.UnixMicro()
	if from >= to {
		return nil, true
	}
	slots := slotsOf(set)
	tiles, _ := slotTiles(stretches(zone, from, to), slots)
	for i, t := range tiles {
		if slots[t.id].period != period {
			continue
		}
		end := to
		if i+1 < len(tiles) {
			end = tiles[i+1].at
		}
		a, b := time.UnixMicro(t.at).UTC(), time.UnixMicro(end).UTC()
		if n := len(spans); n > 0 && spans[n-1].To.Equal(a) {
			spans[n-1].To = b
		} else {
			spans = append(spans, series.Span{From: a, To: b})
		}
	}
	return spans, true
}
