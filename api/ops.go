package api

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"alike/internal/store"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are what the server counts of itself.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.HistogramVec
	takes    *prometheus.CounterVec
	verdicts *prometheus.CounterVec
	signals  prometheus.Counter
}

func newMetrics() *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "alike_request_seconds", Help: "Time to answer a request, by route, method and status.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10},
		}, []string{"route", "method", "status"}),
		takes: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "alike_takes_total", Help: "Takes received over HTTP, by what became of them.",
		}, []string{"status"}),
		verdicts: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "alike_verdicts_total", Help: "Verdicts given on takes received over HTTP.",
		}, []string{"verdict"}),
		signals: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "alike_signals_total", Help: "Chart signals raised by takes received over HTTP.",
		}),
	}
	m.registry.MustRegister(m.requests, m.takes, m.verdicts, m.signals, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// watch times every request by its route, not its address: serials are no labels.
func (m *metrics) watch(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if endless(c) { // how long somebody watched is no time to answer
			return next(c)
		}
		start := time.Now()
		err := next(c)
		status := c.Response().Status
		if err != nil {
			status = problem(err).Status
		}
		route := c.Path()
		if route == "" {
			route = "none"
		}
		m.requests.WithLabelValues(route, c.Request().Method, strconv.Itoa(status)).Observe(time.Since(start).Seconds())
		return err
	}
}

func (s *server) metricsPage(c echo.Context) error {
	promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{}).ServeHTTP(c.Response(), c.Request())
	return nil
}

// health says that the program runs.
func (s *server) health(c echo.Context) error {
	return c.JSON(http.StatusOK, map[string]string{"status": "ok", "version": s.Version})
}

// ready says that requests can be served, that is, that the database answers.
func (s *server) ready(c echo.Context) error {
	if err := s.DB.Ping(c.Request().Context()); err != nil {
		return errors.Join(store.ErrUnavailable, err)
	}
	return c.JSON(http.StatusOK, map[string]string{"status": "ready"})
}

func (s *server) getOpenAPI(c echo.Context) error {
	return c.JSONBlob(http.StatusOK, s.openapi)
}
