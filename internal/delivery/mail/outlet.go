package mail

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"sealmanac/internal/delivery"
	"sealmanac/internal/reminder"
)

// Limits bound what leaves at a time. Zero values: no limit.
type Limits struct {
	PerMinute       int // messages a minute, all together
	PerDomain       int // messages at a time to one domain
	DomainPerMinute int // messages a minute to one domain
}

// Outlet is the mail channel: relays in order behind our own limits. A relay that
// was not reached, or would not have us, is passed over for the next.
type Outlet struct {
	Relays []*Relay
	Limits Limits

	once    sync.Once
	all     *rate.Limiter
	mu      sync.Mutex
	domains map[string]*domain
}

// domain is the state of one receiving domain.
type domain struct {
	busy  int
	pace  *rate.Limiter
	since time.Time
}

// Name returns "mail".
func (o *Outlet) Name() string { return "mail" }

// busyWait is how long a notice waits for a place at its domain.
const busyWait = 5 * time.Second

// Send sends one notice through the first relay that takes the conversation.
func (o *Outlet) Send(ctx context.Context, n *reminder.Notice) (reply string, err error) {
	leave, wait := o.enter(n.Person)
	if wait > 0 {
		return "", &delivery.BusyError{Wait: wait}
	}
	defer leave()
	for i, r := range o.Relays {
		reply, err = r.Send(ctx, n)
		if _, unreached := errors.AsType[*delivery.UnreachedError](err); !unreached || i == len(o.Relays)-1 ||
			ctx.Err() != nil {
			return reply, err
		}
	}
	return reply, err
}

// enter takes a place for a message, or says how long to wait for one.
func (o *Outlet) enter(to string) (leave func(), wait time.Duration) {
	o.once.Do(func() {
		o.domains = map[string]*domain{}
		o.all = pace(o.Limits.PerMinute)
	})
	name := strings.ToLower(to[strings.LastIndexByte(to, '@')+1:])
	now := time.Now()
	o.mu.Lock()
	defer o.mu.Unlock()
	d := o.domains[name]
	if d == nil {
		o.forget(now)
		d = &domain{pace: pace(o.Limits.DomainPerMinute)}
		o.domains[name] = d
	}
	d.since = now
	if o.Limits.PerDomain > 0 && d.busy >= o.Limits.PerDomain {
		return nil, busyWait
	}
	var taken []*rate.Reservation
	for _, l := range []*rate.Limiter{d.pace, o.all} {
		if l == nil {
			continue
		}
		r := l.ReserveN(now, 1)
		taken = append(taken, r)
		wait = max(wait, r.DelayFrom(now))
	}
	if wait > 0 { // nothing leaves, so nothing is used up
		for _, r := range taken {
			r.CancelAt(now)
		}
		return nil, max(time.Second, wait)
	}
	d.busy++
	return func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		d.busy--
	}, 0
}

// forget drops domains that nothing was sent to for an hour.
func (o *Outlet) forget(now time.Time) {
	for name, d := range o.domains {
		if d.busy == 0 && now.Sub(d.since) > time.Hour {
			delete(o.domains, name)
		}
	}
}

// pace is a limiter of so many a minute, a sixth of them at once; nil for none.
func pace(perMinute int) *rate.Limiter {
	if perMinute <= 0 {
		return nil
	}
	return rate.NewLimiter(rate.Limit(float64(perMinute)/60), max(1, perMinute/6))
}

// Close ends the connections that wait.
func (o *Outlet) Close() error {
	for _, r := range o.Relays {
		_ = r.Close() // ends idle connections; nothing is lost with them
	}
	return nil
}

// Check signs in to every relay; the first trouble is returned.
func (o *Outlet) Check(ctx context.Context) error {
	for _, r := range o.Relays {
		if err := r.Check(ctx); err != nil {
			return err
		}
	}
	return nil
}
