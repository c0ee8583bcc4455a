package persistence

import (
	"context"
	"fmt"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
	"leveltrail/persistence/pgtest"
)

// counted counts what is sent: the driver sends, and then waits for what comes back.
type counted struct {
	net.Conn
	sent *atomic.Int64
}

// Write implements net.Conn.
func (c counted) Write(b []byte) (int, error) {
	c.sent.Add(1)
	return c.Conn.Write(b)
}

// countingPool returns a pool of one connection that counts what is sent.
func countingPool(t *testing.T, url string) (*pgxpool.Pool, *atomic.Int64) {
	t.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	sent := new(atomic.Int64)
	dial := config.ConnConfig.DialFunc
	config.ConnConfig.DialFunc = func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := dial(ctx, network, address)
		return counted{c, sent}, err
	}
	config.MaxConns, config.AfterConnect = 1, scanUTC
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool, sent
}

// TestRoundTripsOfFigures counts how often figures of whole days wait for the database: once,
// for the series and its days together; a commit for which no one waits follows. Days of which
// quarter hours are asked, or which lie elsewhere than expected, take another.
func TestRoundTripsOfFigures(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "UTC")
	h := b.series(t, time.Minute, series.Run{Start: t0, Levels: noise(1, 3*1440, 10, 0)})
	pool, sent := countingPool(t, b.db.App)
	s := &Store{pool: pool, now: b.store.now}
	for _, step := range []struct {
		length time.Duration
		sends  int64
	}{{24 * time.Hour, 2}, {time.Hour, 2}, {15 * time.Minute, 3}} {
		ask := series.Ask{Groups: 1}
		for from := t0; from.Before(t0.AddDate(0, 0, 3)); from = from.Add(step.length) {
			ask.Cells = append(ask.Cells, series.Cell{Span: series.Span{From: from, To: from.Add(step.length)}})
		}
		elsewhere := series.Span{From: t0.AddDate(1, 0, 0), To: t0.AddDate(2, 0, 0)}
		for _, span := range []series.Span{{}, {From: t0, To: t0.AddDate(0, 0, 3)}, elsewhere} {
			var sends int64
			for range 3 { // the first makes the days, the second prepares the statements
				before := sent.Load()
				a := ok(s.CollectSeries(b.ctx, h.ID, span, func(series.Facts) (series.Ask, error) { return ask, nil }))(t)
				if n := a.Histograms[0].Samples(); n != 3*1440 {
					t.Fatalf("%d samples", n)
				}
				ok(0, pool.AcquireFunc(b.ctx, func(*pgxpool.Conn) error { return nil }))(t) // once it is given back
				sends = sent.Load() - before
			}
			want := step.sends
			if span == elsewhere {
				want = 3
			}
			if sends != want {
				t.Errorf("steps of %v expected in %v: %d sent; want %d", step.length, span, sends, want)
			}
		}
	}
}

// TestRoundTrips counts how often a read of one record, and of a list, waits for the
// database: once, from the setting of row-level security to the end of the transaction.
func TestRoundTrips(t *testing.T) {
	t.Parallel()
	pool, sent := countingPool(t, pgtest.New(t).App)
	s := &Store{pool: pool, now: time.Now}
	all := access.With(t.Context(), access.Caller{All: true})
	mill, err := s.CreateClient(all, survey.Client{Name: "Invented Mill"})
	if err != nil {
		t.Fatal(err)
	}
	quarry, err := s.CreateClient(all, survey.Client{Name: "Invented Quarry"})
	if err != nil {
		t.Fatal(err)
	}
	var related survey.RelatedIDs
	for i := range 40 {
		for _, of := range []uuid.UUID{mill.ID, quarry.ID} { // the second is another's
			p, err := s.CreateProject(all, survey.Project{ClientID: of, Reference: fmt.Sprintf("J-%d-%s", i, of), Title: "Days", TimeZone: "UTC"})
			if err != nil {
				t.Fatal(err)
			}
			related.Clients, related.Projects = append(related.Clients, of), append(related.Projects, p.ID)
		}
	}
	own := access.With(t.Context(), access.Caller{Clients: []uuid.UUID{mill.ID}})
	for name, read := range map[string]func() error{
		"one record": func() error {
			c, err := s.Client(own, mill.ID)
			if c.Name != mill.Name {
				t.Errorf("client = %+v", c)
			}
			return err
		},
		"a list": func() error {
			cs, err := s.Clients(own, request.Page{Limit: 10})
			if len(cs) != 1 {
				t.Errorf("clients = %+v; want one", cs)
			}
			return err
		},
		"what a list of records refers to": func() error {
			r, err := s.Related(own, related)
			if len(r.Clients) != 1 || len(r.Projects) != 40 || r.Clients[0].Name != mill.Name {
				t.Errorf("related = %d clients, %d projects; want one with 40", len(r.Clients), len(r.Projects))
			}
			return err
		},
		"no record": func() error {
			if _, err := s.Project(own, mill.ID); fault.KindOf(err) != fault.NotFound {
				t.Errorf("a project that there is not = %v; want not found", err)
			}
			return nil
		},
	} {
		var trips int64
		for range 2 { // the first prepares the statements on the connection
			before := sent.Load()
			if err := read(); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			trips = sent.Load() - before
		}
		if trips != 1 {
			t.Errorf("%s takes %d round trips; want 1", name, trips)
		}
	}
	// What was set for one reader holds for none after.
	if cs, err := s.Clients(t.Context(), request.Page{Limit: 10}); err != nil || len(cs) != 0 {
		t.Errorf("a caller without clients sees %+v, %v", cs, err)
	}
}
