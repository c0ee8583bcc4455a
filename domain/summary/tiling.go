package summary

import (
	"slices"
	"time"

	"leveltrail/domain/series"
)

// Instants in this file are microseconds since 1970 UTC; on a local clock, what
// it shows, read as if it were UTC.
const (
	hour = int64(time.Hour / time.Microsecond)
	day  = 24 * hour
)

// tile marks where a part of a tiling begins. It reaches to the next tile. A
// tiling leaves no gap from its first tile on.
type tile struct {
	at int64
	id int32
}

// stretch is a piece of time with one offset of the local clock from UTC.
type stretch struct{ from, to, offset int64 }

// stretches cuts [from, to) where the clocks of zone change. Looking a zone up
// costs more than adding, so it is done once a stretch, not once an hour.
func stretches(zone *time.Location, from, to int64) []stretch {
	var all []stretch
	for from < to {
		t := time.UnixMicro(from).In(zone)
		_, seconds := t.Zone()
		end := to
		if _, e := t.ZoneBounds(); !e.IsZero() {
			end = min(to, e.UnixMicro())
		}
		all = append(all, stretch{from, end, int64(seconds) * int64(time.Second/time.Microsecond)})
		from = end
	}
	return all
}

// length returns the time from the first stretch to the last.
func length(all []stretch) int64 { return all[len(all)-1].to - all[0].from }

// stepTiles numbers the steps of a span: one begins wherever the local clock,
// less origin, shows a multiple of step. Where the clock is set back by whole
// steps they come twice, as the hour between 02 and 03 does; where it is set back
// by less the step lasts longer, as the day of 25 h does.
func stepTiles(all []stretch, origin, step int64) []tile {
	tiles := make([]tile, 0, length(all)/step+2)
	var last int64 // the step under way, as a multiple
	for i, s := range all {
		local := s.from + s.offset - origin
		if i == 0 {
			last = floorDiv(local, step) - 1
		} else if back := all[i-1].offset - s.offset; back > 0 && back%step == 0 {
			last = floorDiv(local-1, step)
		}
		k := floorDiv(local, step)
		for t := s.from; t < s.to; k++ {
			if k > last {
				tiles = append(tiles, tile{t, int32(len(tiles))})
				last = k
			}
			t = (k+1)*step + origin - s.offset
		}
	}
	return tiles
}

// slot is a clock hour, or the part of it that lies in one period.
type slot struct {
	from, to int64 // on the local clock, after midnight
	period   int   // index in the period set, -1 for none
}

// skip is a slot that the clock jumped over.
type skip struct {
	at   int64
	slot int
}

// slotTiles cuts a span into slots, the tiles' ids, and tells which slots the clock skipped whole.
func slotTiles(all []stretch, slots []slot) (tiles []tile, skipped []skip) {
	tiles = make([]tile, 0, (length(all)/day+2)*int64(len(slots)))
	for i, s := range all {
		local := s.from + s.offset
		if i > 0 {
			for c := s.from + all[i-1].offset; c < local; {
				n, end := slotAt(slots, c)
				if begin := end - (slots[n].to - slots[n].from); begin >= s.from+all[i-1].offset && end <= local {
					skipped = append(skipped, skip{s.from, n})
				}
				c = end
			}
		}
		n, end := slotAt(slots, local)
		for to := s.to + s.offset; local < to; {
			tiles = append(tiles, tile{local - s.offset, int32(n)})
			local = end
			if n++; n == len(slots) {
				n = 0
			}
			end += slots[n].to - slots[n].from
		}
	}
	return tiles, skipped
}

// slotAt returns the slot that a local clock is in and when that slot ends.
func slotAt(slots []slot, local int64) (n int, end int64) {
	midnight := floorDiv(local, day) * day
	n, _ = slices.BinarySearchFunc(slots, local-midnight, func(s slot, c int64) int {
		if s.to <= c {
			return -1
		}
		return 1
	})
	return n, midnight + slots[n].to
}

// spanTiles tells which of [from, to) lies inside spans: tiles are 1 inside, 0 outside.
func spanTiles(spans []series.Span, from int64) []tile {
	tiles := []tile{{at: from}}
	sorted := slices.SortedFunc(slices.Values(spans), func(a, b series.Span) int { return a.From.Compare(b.From) })
	end := from
	for _, s := range sorted {
		a, b := max(s.From.UnixMicro(), end), s.To.UnixMicro()
		if a >= b {
			continue
		}
		if last := &tiles[len(tiles)-1]; last.at == a {
			last.id = 1
		} else {
			tiles = append(tiles, tile{a, 1})
		}
		tiles = append(tiles, tile{b, 0})
		end = b
	}
	return tiles
}

// floorDiv returns ⌊a/b⌋ for b > 0.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
