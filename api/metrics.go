package api

import (
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"
)

// metrics count what is asked and how long it takes.
type metrics struct {
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
}

// newMetrics returns metrics that registry tells of; nil: none are kept.
func newMetrics(registry prometheus.Registerer) *metrics {
	if registry == nil {
		return nil
	}
	m := &metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "leveltrail_http_requests_total", Help: "Requests answered.",
		}, []string{"method", "route", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "leveltrail_http_request_duration_seconds", Help: "From the head of a request to the end of its answer.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 60},
		}, []string{"method", "route"}),
	}
	registry.MustRegister(m.requests, m.seconds)
	return m
}

// observe counts a request that was answered. What no route serves counts together, whatever it was
// called: strangers must not make series without end.
func (m *metrics) observe(c *gin.Context, took time.Duration) {
	if m == nil {
		return
	}
	method, route := c.Request.Method, c.FullPath()
	if route == "" {
		method, route = "other", "none"
	}
	m.requests.WithLabelValues(method, route, strconv.Itoa(c.Writer.Status())).Inc()
	m.seconds.WithLabelValues(method, route).Observe(took.Seconds())
}
