package persistence

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// liveDelay is how long samples may take from their measurement to their arrival
// for a sender to count as live, and how late what it sent is known, see [appender.use].
const liveDelay = time.Minute

// usedStretch is a stretch of use as stored.
type usedStretch struct {
	From, To   time.Time
	RecordedAt time.Time
	Live       bool
}

// use records the stretches, in time order, in which the meter's channel was in use by the series.
//
// A stretch counts from the instant at which its samples were recorded, so each
// append has stretches of its own. A meter that sends every second must not leave a
// row a second: samples that arrive within liveDelay of their measurement lengthen one
// live stretch. Of that, what counts at an instant is what lies more than liveDelay
// before the instant. All of it had arrived by then, and no later append changes it.
func (a *appender) use(ctx context.Context, stretches []series.Span) error {
	had, err := a.stretchesNear(ctx, stretches)
	if err != nil {
		return err
	}
	if at, ok := a.outOfPhase(had, stretches); ok {
		return contradiction(at)
	}
	var longer, until, from, to []time.Time
	var live []bool
	for _, s := range a.unused(had, stretches) {
		if h, ok := endingAt(had, s.From); ok && a.header.IntervalUS > 0 && a.grows(h, s) {
			longer, until = append(longer, h.From), append(until, s.To)
		} else {
			from, to, live = append(from, s.From), append(to, s.To), append(live, a.live(s))
		}
	}
	b := &pgx.Batch{}
	if longer != nil {
		b.Queue(`
			update instrument_use set during = tstzrange(lower(during), n.t)
			from unnest($1::timestamptz[], $2::timestamptz[]) n (f, t) where series_id = $3 and lower(during) = n.f`,
			longer, until, a.header.ID)
	}
	if from != nil {
		b.Queue(`
			insert into instrument_use (instrument_id, channel, client_id, survey_id, series_id, quantity, during, recorded_at, live)
			select $1, $2, $3, $4, $5, $6, tstzrange(n.f, n.t, $7), $8, n.live
			from unnest($9::timestamptz[], $10::timestamptz[], $11::boolean[]) n (f, t, live)`,
			a.header.InstrumentID, a.header.Channel, a.header.ClientID, a.header.SurveyID, a.header.ID, a.header.Use(), a.bounds(), a.now, from, to, live)
	}
	if b.Len() == 0 {
		return nil
	}
	return a.tx.SendBatch(ctx, b).Close()
}

// bounds are those of a stretch: a reading takes no time, its range is its instant alone.
func (a *appender) bounds() string {
	if a.header.IntervalUS == 0 {
		return "[]"
	}
	return "[)"
}

// stretchesNear returns, in time order, the stored stretches of the series that may meet those given.
// It is a Conflict with code samples_duplicate where another series of the survey
// has the same of the same channel; who may find so waits for whoever may cause it.
func (a *appender) stretchesNear(ctx context.Context, stretches []series.Span) (had []usedStretch, err error) {
	froms, tos := make([]time.Time, len(stretches)), make([]time.Time, len(stretches))
	for i, s := range stretches {
		froms[i], tos[i] = s.From, s.To
	}
	b := &pgx.Batch{}
	b.Queue(`select pg_advisory_xact_lock(hashtextextended($1, 1))`,
		fmt.Sprintf("%s %s %d %s", a.header.SurveyID, a.header.InstrumentID, a.header.Channel, a.header.Use()))
	b.Queue(`
		select u.series_id, greatest(lower(u.during), n.f) from series s
		join instrument_use u on u.series_id = s.id and u.quantity = $1 and u.withdrawn_at is null
		join unnest($2::timestamptz[], $3::timestamptz[]) n (f, t) on u.during && tstzrange(n.f, n.t, $4)
		where s.client_id = $5 and s.survey_id = $6 and s.id <> $7 and s.instrument_id = $8 and s.channel = $9 and s.quantity = $10
			and u.during && tstzrange($11, $12, '[]')
		order by 2 limit 1`,
		a.header.Use(), froms, tos, a.bounds(), a.header.ClientID, a.header.SurveyID, a.header.ID, a.header.InstrumentID, a.header.Channel,
		a.header.Quantity, froms[0], tos[len(tos)-1]).
		QueryRow(func(row pgx.Row) error {
			var other uuid.UUID
			var at time.Time
			if err := row.Scan(&other, &at); err != nil {
				if errors.Is(err, pgx.ErrNoRows) {
					return nil
				}
				return err
			}
			return &fault.Error{
				Kind: fault.Conflict, Code: "samples_duplicate",
				Message: fmt.Sprintf("series %s of this survey has %s of the same instrument and channel at %s",
					other, a.header.Use(), at.UTC().Format(time.RFC3339Nano)),
			}
		})
	b.Queue(`
		select lower(during) as "from", upper(during) as "to", recorded_at, live from instrument_use
		where series_id = $1 and lower(during) between
			coalesce((select max(lower(during)) from instrument_use where series_id = $1 and lower(during) <= $2), $2) and $3
		order by 1`,
		a.header.ID, froms[0], tos[len(tos)-1]).
		Query(func(rows pgx.Rows) (err error) {
			had, err = pgx.CollectRows(rows, pgx.RowToStructByName[usedStretch])
			return err
		})
	return had, a.tx.SendBatch(ctx, b).Close()
}

// outOfPhase returns the first instant at which a stretch overlaps a stored one without beginning with a sample of it.
func (a *appender) outOfPhase(had []usedStretch, stretches []series.Span) (at time.Time, found bool) {
	interval := a.header.Interval()
	if interval == 0 {
		return at, false
	}
	for _, s := range stretches {
		for len(had) > 0 && !had[0].To.After(s.From) {
			had = had[1:]
		}
		for _, h := range had {
			if !h.From.Before(s.To) {
				break
			}
			if s.From.Sub(h.From)%interval != 0 {
				return later(s.From, h.From).UTC(), true
			}
		}
	}
	return at, false
}

// unused returns what of stretches is not stored.
func (a *appender) unused(had []usedStretch, stretches []series.Span) []series.Span {
	if a.header.IntervalUS == 0 {
		at := make(map[int64]bool, len(had))
		for _, h := range had {
			at[h.From.UnixMicro()] = true
		}
		return slices.DeleteFunc(slices.Clone(stretches), func(s series.Span) bool { return at[s.From.UnixMicro()] })
	}
	spans := make([]series.Span, len(had))
	for i, h := range had {
		spans[i] = series.Span{From: h.From, To: h.To}
	}
	return series.Subtract(stretches, spans)
}

// endingAt returns the stretch that ends at t.
func endingAt(had []usedStretch, t time.Time) (usedStretch, bool) {
	i, ok := slices.BinarySearchFunc(had, t, func(h usedStretch, t time.Time) int { return h.To.Compare(t) })
	if !ok {
		return usedStretch{}, false
	}
	return had[i], true
}

// grows reports whether the stretch h, which ends where s begins, takes s in
// without any view of the past being altered.
func (a *appender) grows(h usedStretch, s series.Span) bool {
	return h.Live == a.live(s) && (h.Live || h.RecordedAt.Equal(a.now))
}

// live reports whether the samples of s arrive as they are measured.
func (a *appender) live(s series.Span) bool {
	return a.header.IntervalUS > 0 && a.now.Sub(s.From) <= liveDelay && s.To.Sub(a.now) <= liveDelay
}

// withSpan adds to spans one that begins no earlier than the last, joined to it where they meet.
func withSpan(spans []series.Span, s series.Span) []series.Span {
	if n := len(spans); n > 0 && !spans[n-1].To.Before(s.From) {
		spans[n-1].To = later(spans[n-1].To, s.To)
		return spans
	}
	return append(spans, s)
}
