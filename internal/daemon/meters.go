package daemon

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"sealmanac/internal/cycle"
	"sealmanac/internal/delivery"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// meters are the daemon's own figures.
type meters struct {
	attempts   *prometheus.CounterVec
	passes     *prometheus.CounterVec
	seconds    prometheus.Histogram
	suppressed *prometheus.CounterVec
	returned   *prometheus.CounterVec
	hooks      *prometheus.CounterVec
	overdue    prometheus.Gauge
}

func newMeters(r *prometheus.Registry, db *store.DB) *meters {
	m := &meters{
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sealmanac_notice_attempts_total",
			Help: "Attempts to send a notice, by channel and outcome."}, []string{"channel", "outcome"}),
		passes: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sealmanac_passes_total",
			Help: "Evaluation passes over an account, by outcome."}, []string{"outcome"}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "sealmanac_pass_seconds",
			Help: "Time of one pass over an account.", Buckets: prometheus.ExponentialBuckets(.01, 4, 9)}),
		suppressed: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sealmanac_suppressed_total",
			Help: "Tasks for which a pass sent nobody a reminder, by reason."}, []string{"reason"}),
	}
	m.returned = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sealmanac_returns_total",
		Help: "Mails that came back at the return path, by kind."}, []string{"kind"})
	for _, k := range desk.ReturnKinds {
		m.returned.WithLabelValues(string(k))
	}
	for _, v := range delivery.Verdicts { // present from second zero
		m.attempts.WithLabelValues("mail", string(v))
	}
	for _, o := range []string{"ok", "failed"} {
		m.passes.WithLabelValues(o)
	}
	for _, x := range reminder.Reasons {
		m.suppressed.WithLabelValues(string(x))
	}
	m.hooks = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sealmanac_events_total",
		Help: "Attempts to send an event to an endpoint, by outcome."}, []string{"outcome"})
	for _, o := range []string{"taken", "refused", "unreached"} {
		m.hooks.WithLabelValues(o)
	}
	m.overdue = prometheus.NewGauge(prometheus.GaugeOpts{Name: "sealmanac_pass_overdue_seconds",
		Help: "How long a pass whose time has come has not run, of the account that waits longest; 0 when none waits."})
	r.MustRegister(m.overdue, m.hooks, m.attempts, m.passes, m.seconds, m.suppressed, m.returned, &states{db: db,
		count: prometheus.NewDesc("sealmanac_notices", "Notices in the store, by state.", []string{"state"}, nil),
		ends: prometheus.NewDesc("sealmanac_endpoints", "Endpoints to which events are sent, by state.", []string{"state"},
			nil),
		oldest: prometheus.NewDesc("sealmanac_oldest_due_seconds",
			"How long the oldest open notice has been due; 0 when none is.", nil, nil)})
	return m
}

func (m *meters) passed(took time.Duration, res cycle.Result, err error) {
	m.seconds.Observe(took.Seconds())
	if err != nil {
		m.passes.WithLabelValues("failed").Inc()
		return
	}
	m.passes.WithLabelValues("ok").Inc()
	for i := range res.Outcomes {
		for _, s := range res.Outcomes[i].Suppressed {
			m.suppressed.WithLabelValues(string(s.Reason)).Inc()
		}
	}
}

// states reads the store when it is asked.
type states struct {
	db                  *store.DB
	count, oldest, ends *prometheus.Desc
}

// Describe names the figures.
func (s *states) Describe(ch chan<- *prometheus.Desc) { ch <- s.count; ch <- s.oldest; ch <- s.ends }

// Collect reads them. When the store does not answer there are none: a gap in a
// graph is truer than a zero.
func (s *states) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var counts map[reminder.State]int
	var oldest time.Time
	var ends map[string]int
	err := s.db.View(ctx, func(tx *store.Tx) (err error) {
		if counts, oldest, err = tx.Counts(ctx); err != nil {
			return err
		}
		ends, err = tx.EndpointStates(ctx)
		return err
	})
	if err != nil {
		return
	}
	for _, st := range []reminder.State{reminder.Queued, reminder.Sending, reminder.Retry, reminder.Accepted,
		reminder.GivenUp, reminder.Withdrawn} {
		ch <- prometheus.MustNewConstMetric(s.count, prometheus.GaugeValue, float64(counts[st]), string(st))
	}
	for _, st := range []string{"live", "paused", "gone"} {
		ch <- prometheus.MustNewConstMetric(s.ends, prometheus.GaugeValue, float64(ends[st]), st)
	}
	age := 0.0
	if !oldest.IsZero() {
		age = max(0, s.db.Now().Sub(oldest).Seconds())
	}
	ch <- prometheus.MustNewConstMetric(s.oldest, prometheus.GaugeValue, age)
}
