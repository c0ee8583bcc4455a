package persistence

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// foundTraits is what stands out in some samples of a series.
type foundTraits struct {
	Stretches          []series.Span // when those samples are: there are no others within
	RangeFrom, RangeTo *acoustic.Level
	Traits             series.Traits
}

// surveyedSeries is what is to be kept of the traits of a series.
type surveyedSeries struct {
	header   series.Series
	found    foundTraits
	surveyed series.Surveyed
}

// keepAfter is how many more samples make it worth to keep the traits of a series anew, or to count them with much memory.
const keepAfter = 3600

// queueTraits asks what is kept of the traits of the series of surveys.
func queueTraits(b *pgx.Batch, traits *map[uuid.UUID]foundTraits, all []knownSurvey) {
	var clients, ids []uuid.UUID
	for i := range all {
		for _, u := range all[i].Facts.Series {
			clients, ids = append(clients, all[i].ClientID), append(ids, u.ID)
		}
	}
	b.Queue(`
		select t.series_id, t.found from unnest($1::uuid[], $2::uuid[]) w (client_id, series_id)
		join series_trait t on (t.client_id, t.series_id) = (w.client_id, w.series_id)`, clients, ids).
		Query(func(rows pgx.Rows) error {
			of := map[uuid.UUID]foundTraits{}
			var id uuid.UUID
			var one *foundTraits
			_, err := pgx.ForEachRow(rows, []any{&id, &one}, func() error {
				of[id], one = *one, nil
				return nil
			})
			*traits = of
			return err
		})
}

// looking is a look at the samples of a series for what stands out.
type looking struct {
	at       *knownSurvey
	header   series.Series
	use      calibration.SeriesUse
	had      []series.Span // what was looked at before
	follows  bool          // what is new lies after that
	surveyor series.Surveyor
	added    int // samples
}

// addTraits adds to the facts of surveys what stands out in the samples of the series that no
// import tells. Samples are only ever added, so those of the same stretches are the same.
func addTraits(ctx context.Context, q conn, all []knownSurvey, kept map[uuid.UUID]foundTraits) error {
	var looks []*looking
	b := &pgx.Batch{}
	for i := range all {
		k := &all[i]
		for _, u := range k.Facts.Series {
			h := k.headers[u.ID]
			if len(u.Stretches) == 0 || slices.ContainsFunc(k.Facts.Data, func(d calibration.SeriesData) bool {
				return d.SeriesID == u.ID && d.Samples == samplesOf(u.Stretches, h.Interval())
			}) {
				continue
			}
			found, ok := kept[u.ID]
			if ok && slices.EqualFunc(found.Stretches, u.Stretches, sameSpan) && sameLevel(found.RangeFrom, h.RangeFromDB) && sameLevel(found.RangeTo, h.RangeToDB) {
				k.count(u.ID, found.Traits)
				continue
			}
			l := &looking{at: k, header: h, use: u, had: found.Stretches}
			l.queue(b, q)
			looks = append(looks, l)
		}
	}
	if looks == nil {
		return nil
	}
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("looking at samples: %w", err)
	}
	for _, l := range looks {
		s := surveyedSeries{l.header, foundTraits{l.use.Stretches, l.header.RangeFromDB, l.header.RangeToDB, l.surveyor.Traits()}, l.surveyor.Surveyed()}
		l.at.count(l.use.ID, s.found.Traits)
		// What was known at an earlier time is not kept in place of what is known since.
		if l.had == nil || l.added >= keepAfter && len(series.Subtract(l.had, l.use.Stretches)) == 0 {
			l.at.anew = append(l.at.anew, s)
		}
	}
	return nil
}

// queue asks for the samples that were not looked at before.
func (l *looking) queue(b *pgx.Batch, q conn) {
	h, todo := l.header, l.use.Stretches
	if len(l.had) > 0 && len(series.Subtract(l.had, todo)) == 0 {
		rest := series.Subtract(todo, l.had)
		if l.follows = len(rest) == 0 || !rest[0].From.Before(l.had[len(l.had)-1].To); l.follows {
			todo = rest
		}
	}
	l.surveyor = series.NewSurveyor(h.Interval(), h.RangeFromDB, h.RangeToDB, samplesOf(todo, h.Interval()) > keepAfter)
	if l.follows {
		b.Queue(`select surveyed from series_trait where client_id = $1 and series_id = $2`, h.ClientID, h.ID).
			QueryRow(func(row pgx.Row) error {
				var before series.Surveyed
				err := row.Scan(&before)
				l.surveyor.Resume(before)
				return err
			})
	}
	if len(todo) == 0 {
		return
	}
	c := &reader{conn: q, facts: series.Facts{Series: h}}
	c.queueBlocks(b, []series.Span{{From: todo[0].From, To: todo[len(todo)-1].To}}, func(_ int, runs []series.Run) bool {
		for _, r := range runs {
			end := endOf(r, h.Interval())
			for len(todo) > 0 && !todo[0].To.After(r.Start) {
				todo = todo[1:]
			}
			for _, span := range todo {
				if span.From.After(end) {
					break
				}
				if part, ok := r.Within(span, h.Interval()); ok {
					l.surveyor.Add(part)
					l.added += len(part.Levels)
				}
			}
		}
		return true
	})
}

// count takes over into the facts what stands out in the samples of a series.
func (k *knownSurvey) count(seriesID uuid.UUID, t series.Traits) {
	var d *calibration.SeriesData
	k.Facts.Data, d = dataOf(k.Facts.Data, seriesID)
	countTraits(d, t)
}

// keepTraits stores what was found anew.
func (s *Store) keepTraits(ctx context.Context, anew []surveyedSeries) error {
	if len(anew) == 0 {
		return nil
	}
	return s.write(ctx, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		for _, a := range anew {
			b.Queue(`
				insert into series_trait (client_id, series_id, found, surveyed) values ($1, $2, $3, $4)
				on conflict (client_id, series_id) do update set found = excluded.found, surveyed = excluded.surveyed`,
				a.header.ClientID, a.header.ID, a.found, a.surveyed)
		}
		return tx.SendBatch(ctx, b).Close()
	})
}

// samplesOf returns how many samples stretches hold: one each of spot readings, whose interval is zero.
func samplesOf(stretches []series.Span, interval time.Duration) (n int) {
	for _, s := range stretches {
		if interval == 0 {
			n++
		} else {
			n += int(s.To.Sub(s.From) / interval)
		}
	}
	return n
}

func sameSpan(a, b series.Span) bool { return a.From.Equal(b.From) && a.To.Equal(b.To) }

func sameLevel(a, b *acoustic.Level) bool { return a == b || a != nil && b != nil && *a == *b }

// countTraits takes over into d what stands out in its samples.
func countTraits(d *calibration.SeriesData, t series.Traits) {
	d.Samples, d.UnderRange, d.OverRange = int(t.Samples), int(t.Under), int(t.Over)
	d.AtLimit, d.NearFloor, d.LongestConstant = int(t.AtLower.Samples+t.AtUpper.Samples), int(t.Floor.Samples), int(t.Constant.Samples)
}
