package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"leveltrail/persistence"
)

// serveMetrics tells metrics at an address of their own, until stop is called. They need no key
// there, so the address is for the network to guard; the service's own address never tells them,
// as a proxy before it makes every stranger look near.
func serveMetrics(
	ctx context.Context, address string, registry *prometheus.Registry, store *persistence.Store, log *slog.Logger,
) (stop func(), err error) {
	registry.MustRegister(store.Metrics(), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("telling metrics: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn), ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4,
	}))
	log.InfoContext(ctx, "telling metrics", "address", listener.Addr().String())
	serving, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := serveHTTP(serving, listener, mux, log); err != nil {
			log.WarnContext(ctx, "telling metrics ended", "error", err.Error())
		}
	}()
	return func() { cancel(); <-done }, nil
}
