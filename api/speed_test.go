package api_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"leveltrail/api"
	"leveltrail/domain/survey"
	"leveltrail/persistence/pgtest"
)

// sink takes a log that is written out in full and kept nowhere.
type sink struct{}

// Write implements io.Writer.
func (sink) Write(b []byte) (int, error) { return len(b), nil }

// bareStore reads a project by nothing but its primary key.
type bareStore struct {
	api.Store
	pool *pgxpool.Pool
	sql  string
}

// Project is what pgx does at least to fetch the row.
func (b bareStore) Project(ctx context.Context, id uuid.UUID) (survey.Project, error) {
	rows, _ := b.pool.Query(ctx, b.sql, id)
	return pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[survey.Project])
}

// BenchmarkOneRecord asks for one record, through key, role and row-level security, of the
// same handler without them over a bare select, and of the pool alone, in turn.
func BenchmarkOneRecord(b *testing.B) {
	log := slog.New(slog.NewJSONHandler(sink{}, nil))
	s := serveWith(b, api.Config{Log: log, Now: time.Now, Limits: api.Limits{RequestsPerS: 1e9, Burst: 1e9, Reads: 8, InFlight: 8, BytesPerS: 1e9, BytesBurst: 1e9}})
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "Europe/Vienna"})
	secret, _ := s.newKey("mill", nil, client)
	bare := bareStore{pool: pgtest.Connect(b, s.db.Superuser)}
	var columns string
	if err := bare.pool.QueryRow(b.Context(), `
		select string_agg(column_name, ', ') from information_schema.columns where table_name = 'project'`).Scan(&columns); err != nil {
		b.Fatal(err)
	}
	bare.sql = `select ` + columns + ` from project where id = $1`
	unguarded := api.Unguarded(api.Config{Store: bare, Log: log, Now: time.Now})
	id := uuid.MustParse(project)

	request := httptest.NewRequestWithContext(b.Context(), http.MethodGet, "/v1/projects/"+project, nil)
	request.Header.Set("Authorization", "Bearer "+secret)
	called := func(h http.Handler) func() {
		return func() {
			w := httptest.NewRecorder()
			if h.ServeHTTP(w, request.Clone(b.Context())); w.Code != http.StatusOK {
				b.Errorf("%d %s", w.Code, w.Body)
			}
		}
	}
	// The client takes little of the processors that it shares: on each of its connections it writes
	// the same bytes and waits for the answer.
	sent := func(h http.Handler) func() {
		server := httptest.NewServer(h)
		b.Cleanup(server.Close)
		question := []byte("GET /v1/projects/" + project + " HTTP/1.1\r\nHost: " + server.Listener.Addr().String() +
			"\r\nAuthorization: Bearer " + secret + "\r\n\r\n")
		type line struct {
			net.Conn
			answers *bufio.Reader
		}
		lines := make(chan line, 8)
		for range cap(lines) {
			c, err := net.Dial("tcp", server.Listener.Addr().String())
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { c.Close() })
			lines <- line{c, bufio.NewReader(c)}
		}
		return func() {
			l := <-lines
			defer func() { lines <- l }()
			if _, err := l.Write(question); err != nil {
				b.Error(err)
				return
			}
			a, err := http.ReadResponse(l.answers, request)
			if err != nil {
				b.Error(err)
				return
			}
			if _, err := io.Copy(io.Discard, a.Body); err != nil || a.StatusCode != http.StatusOK {
				b.Error(a.Status)
			}
		}
	}
	pool := func() {
		if _, err := bare.Project(b.Context(), id); err != nil {
			b.Error(err)
		}
	}
	for _, way := range []struct {
		name          string
		guarded, bare func()
	}{
		{name: "handler", guarded: called(s.handler), bare: called(unguarded)},
		{name: "loopback", guarded: sent(s.handler), bare: sent(unguarded)},
	} {
		for _, atOnce := range []int{1, 8} {
			b.Run(fmt.Sprintf("%s,%d at once", way.name, atOnce), func(b *testing.B) {
				compare(b, atOnce, way.guarded, way.bare, pool)
			})
		}
	}
}

// compare runs the three in turn, and reports the medians of their rates to each other.
func compare(b *testing.B, atOnce int, guarded, bare, pool func()) {
	const each = 200
	run := func(f func()) float64 {
		began := time.Now()
		var wg sync.WaitGroup
		for range atOnce {
			wg.Go(func() {
				for range each / atOnce {
					f()
				}
			})
		}
		wg.Wait()
		return time.Since(began).Seconds() / each
	}
	var g, h, p []float64 // seconds a record
	var guardedToBare, bareToPool []float64
	for b.Loop() {
		g, h, p = append(g, run(guarded)), append(h, run(bare)), append(p, run(pool))
		guardedToBare = append(guardedToBare, h[len(h)-1]/g[len(g)-1])
		bareToPool = append(bareToPool, p[len(p)-1]/h[len(h)-1])
	}
	median := func(v []float64) float64 { slices.Sort(v); return v[len(v)/2] }
	b.ReportMetric(median(guardedToBare), "guarded/bare")
	b.ReportMetric(median(bareToPool), "bare/pool")
	b.ReportMetric(median(g)*1e6, "µs-guarded")
	b.ReportMetric(median(h)*1e6, "µs-bare")
	b.ReportMetric(median(p)*1e6, "µs-pool")
	b.ReportMetric(0, "ns/op")
}
