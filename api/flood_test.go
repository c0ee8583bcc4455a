package api_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"leveltrail/api"
)

// BenchmarkFlood reads one record over and over with one key, alone and while another key's
// 64 connections ask as fast as they are answered, in turn; server, database and both clients
// share the machine. It reports the reader's median time in the flood to that alone.
func BenchmarkFlood(b *testing.B) {
	s := serveWith(b, api.Config{Log: slog.New(slog.NewJSONHandler(sink{}, nil)), Now: time.Now, Limits: api.DefaultLimits})
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "Europe/Vienna"})
	server := httptest.NewServer(s.handler)
	b.Cleanup(server.Close)
	transport := &http.Transport{MaxIdleConnsPerHost: 80}
	b.Cleanup(transport.CloseIdleConnections)
	ask := func(ctx context.Context, key, path string) int {
		r, _ := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+path, nil)
		r.Header.Set("Authorization", "Bearer "+key)
		a, err := transport.RoundTrip(r)
		if err != nil {
			return 0
		}
		defer a.Body.Close()
		if _, err := io.Copy(io.Discard, a.Body); err != nil {
			return 0
		}
		return a.StatusCode
	}
	position := s.create("/v1/projects/"+project+"/positions", aPosition)
	survey := s.create("/v1/projects/"+project+"/surveys", with(aSurvey, object{"ended_at": nil}))
	levels := make([]float64, 86400)
	for i := range levels {
		levels[i] = float64(4000+i*7919%3000) / 100
	}
	series := s.create("/v1/surveys/"+survey+"/series", object{
		"position_id": position, "instrument_id": s.create("/v1/instruments", aMeter), "quantity": "LAF", "interval_s": 1,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels,
	})
	for _, flood := range []struct{ name, path string }{
		{"the same record", "/v1/projects/" + project},
		{"lists", "/v1/projects?limit=200"},
		{"summaries of a day of seconds in steps", "/v1/series/" + series + "/summary?step=15m"},
		{"samples", "/v1/series/" + series + "/samples?limit=86400"},
	} {
		b.Run("flood of "+flood.name, func(b *testing.B) {
			var alone, flooded, alone95, flooded95 []float64
			var answered, refused atomic.Int64
			var flooding time.Duration
			for b.Loop() {
				time.Sleep(500 * time.Millisecond) // what the flood before left ends
				read := func() (median, p95 float64) {
					secret, _ := s.newKey("reader", nil, client) // with its whole allowance
					took := make([]float64, 300)
					for i := range took {
						began := time.Now()
						if status := ask(b.Context(), secret, "/v1/projects/"+project); status != http.StatusOK {
							b.Fatalf("the reader is answered %d", status)
						}
						took[i] = time.Since(began).Seconds() * 1e6
						time.Sleep(2 * time.Millisecond)
					}
					slices.Sort(took)
					return took[len(took)/2], took[len(took)*95/100]
				}
				m, p := read()
				alone, alone95 = append(alone, m), append(alone95, p)
				secret, _ := s.newKey("flood", nil, client)
				ctx, stop := context.WithCancel(b.Context())
				var wg sync.WaitGroup
				began := time.Now()
				for range 64 {
					wg.Go(func() {
						for ctx.Err() == nil {
							switch status := ask(ctx, secret, flood.path); status {
							case http.StatusOK:
								answered.Add(1)
							case http.StatusTooManyRequests:
								refused.Add(1)
							case 0: // the flood ends
							default:
								b.Errorf("the flood is answered %d", status)
							}
						}
					})
				}
				m, p = read()
				flooded, flooded95 = append(flooded, m), append(flooded95, p)
				stop()
				wg.Wait()
				flooding += time.Since(began)
			}
			median := func(v []float64) float64 { slices.Sort(v); return v[len(v)/2] }
			b.ReportMetric(median(flooded)/median(alone), "slower")
			b.ReportMetric(median(flooded95)/median(alone95), "slower-p95")
			b.ReportMetric(median(alone), "µs-alone")
			b.ReportMetric(median(flooded), "µs-flooded")
			b.ReportMetric(float64(answered.Load())/flooding.Seconds(), "answered/s")
			b.ReportMetric(float64(refused.Load())/flooding.Seconds(), "refused/s")
			b.ReportMetric(0, "ns/op")
		})
	}
}
