package persistence

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	"leveltrail/domain/access"
)

// Metrics tell how busy the database's connections are and what is left to do in the background.
type Metrics struct{ store *Store }

// Metrics returns those of the store.
func (s *Store) Metrics() Metrics { return Metrics{s} }

var (
	connectionsDesc = prometheus.NewDesc("leveltrail_db_connections", "Connections to the database.", []string{"state"}, nil)
	connectionsMax  = prometheus.NewDesc("leveltrail_db_connections_max", "Connections to the database at most.", nil, nil)
	acquiredDesc    = prometheus.NewDesc("leveltrail_db_acquired_total", "Connections taken from the pool.", nil, nil)
	waitedDesc      = prometheus.NewDesc("leveltrail_db_acquire_waited_total", "Connections that had to be waited for.", nil, nil)
	waitDesc        = prometheus.NewDesc("leveltrail_db_acquire_seconds_total", "Time spent on taking connections from the pool.", nil, nil)
	jobsDesc        = prometheus.NewDesc("leveltrail_jobs", "Background jobs kept, by state.", []string{"kind", "state"}, nil)
	unsealedDesc    = prometheus.NewDesc("leveltrail_journal_unsealed", "Entries of the journal that are not sealed yet.", nil, nil)
	deliveriesDesc  = prometheus.NewDesc("leveltrail_webhook_deliveries_pending", "Messages that webhooks are still owed.", nil, nil)
)

// Describe implements prometheus.Collector.
func (m Metrics) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		connectionsDesc, connectionsMax, acquiredDesc, waitedDesc, waitDesc, jobsDesc, unsealedDesc, deliveriesDesc,
	} {
		to <- d
	}
}

// Collect implements prometheus.Collector.
func (m Metrics) Collect(to chan<- prometheus.Metric) {
	pool := m.store.pool.Stat()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v float64) {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v)
	}
	gauge(connectionsDesc, float64(pool.AcquiredConns()), "in_use")
	gauge(connectionsDesc, float64(pool.IdleConns()), "idle")
	gauge(connectionsMax, float64(pool.MaxConns()))
	counter(acquiredDesc, float64(pool.AcquireCount()))
	counter(waitedDesc, float64(pool.EmptyAcquireCount()))
	counter(waitDesc, pool.AcquireDuration().Seconds())

	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	ctx = access.With(ctx, access.Caller{Name: "the service", All: true})
	var kind, state string
	var count float64
	err := m.store.ask(ctx, func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, []any{&kind, &state, &count}, func() error {
			switch kind {
			case "journal":
				gauge(unsealedDesc, count)
			case "webhook":
				gauge(deliveriesDesc, count)
			default:
				gauge(jobsDesc, count, kind, state)
			}
			return nil
		})
		return err
	}, `
		select 'journal', '', count(*)::float8 from journal_open
		union all select 'webhook', '', count(*) from webhook_delivery where state = 'pending'
		union all select kind, state::text, count(*) from river_job group by kind, state`)
	if err != nil {
		to <- prometheus.NewInvalidMetric(jobsDesc, err)
	}
}
