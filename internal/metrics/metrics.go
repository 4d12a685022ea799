// Package metrics makes the registry that every package registers its own
// metrics with, and its page. It imports buildinfo; daemon calls it.
package metrics

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"sealmanac/internal/buildinfo"
)

// New returns a registry with the process's own figures and the build's version.
func New() *prometheus.Registry {
	r := prometheus.NewRegistry()
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "sealmanac_build_info",
		Help: "1, labelled with the version that runs.", ConstLabels: prometheus.Labels{"version": buildinfo.Version()}})
	build.Set(1)
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), build)
	return r
}

// Handler serves the registry.
func Handler(r *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{Registry: r})
}
