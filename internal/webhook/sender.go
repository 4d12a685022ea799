package webhook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/store"
)

// Sender works off what waits for endpoints.
type Sender struct {
	DB     *store.DB
	Client *http.Client // guarded: see httpkit.Guarded
	Source string       // address of the pages, the root of events' sources
	Log    *slog.Logger
	Look   time.Duration // how often it looks; 0: a second
	// Tell tells the account's manager that an endpoint was paused, in the transaction.
	Tell func(ctx context.Context, tx *store.Tx, e store.Endpoint) error
	Seen func(outcome string) // for the metrics; nil: nobody counts
}

const (
	atATime = 16               // endpoints served side by side
	batch   = 200              // events of one endpoint before its place is written down
	lease   = 90 * time.Second // longer than one attempt; it is renewed with every batch
)

// Run looks for waiting endpoints until the context ends, and waits for those being
// served.
func (s *Sender) Run(ctx context.Context) {
	slots := make(chan struct{}, atATime)
	var wg sync.WaitGroup
	defer wg.Wait()
	look := s.Look
	if look == 0 {
		look = time.Second
	}
	for {
		var es []store.Endpoint
		err := s.DB.View(ctx, func(tx *store.Tx) (err error) {
			es, err = tx.WaitingEndpoints(ctx, 4*atATime)
			return err
		})
		if err != nil && ctx.Err() == nil {
			s.Log.Warn("endpoints not read", "err", err)
		}
		for _, e := range es {
			select {
			case slots <- struct{}{}:
			default:
				continue // the next look
			}
			wg.Go(func() {
				defer func() { <-slots }()
				if err := s.serve(ctx, e); err != nil && ctx.Err() == nil {
					s.Log.Warn("endpoint not served", "endpoint", e.ID, "err", err)
				}
			})
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(look):
		}
	}
}

// serve takes an endpoint and sends until nothing waits or something fails.
func (s *Sender) serve(ctx context.Context, e store.Endpoint) error {
	var mine int64
	renew := func() (ok bool, err error) {
		seen := e
		err = s.DB.Update(ctx, func(tx *store.Tx) error {
			mine = tx.Now().Add(lease).UnixMicro()
			if ok, err = tx.LeaseEndpoint(ctx, seen, mine); err != nil || !ok {
				return err
			}
			// Somebody may have sent since it was looked at.
			e, err = tx.EndpointByID(ctx, coach.AccountID(seen.Account), seen.ID)
			return err
		})
		return ok, err
	}
	for {
		if ok, err := renew(); err != nil || !ok {
			return err
		}
		var events []store.Event
		err := s.DB.View(ctx, func(tx *store.Tx) (err error) {
			events, err = tx.Events(ctx, coach.AccountID(e.Account), e.Seq, batch)
			return err
		})
		if err != nil || len(events) == 0 {
			return s.settle(ctx, e, mine, nil, err)
		}
		failed := s.batch(ctx, &e, events)
		if failed != nil || len(events) < batch {
			return s.settle(ctx, e, mine, failed, nil)
		}
		if err := s.settle(ctx, e, mine, nil, nil); err != nil {
			return err
		}
		e.LeaseEnd = 0
	}
}

// batch sends events in order and moves the cursor over those that were taken. It
// stops early to renew the lease when the receiver is slow.
func (s *Sender) batch(ctx context.Context, e *store.Endpoint, events []store.Event) *failure {
	begun := time.Now()
	kinds := strings.Fields(e.Kinds)
	for _, ev := range events {
		if time.Since(begun) > lease/3 {
			return nil
		}
		if wants(e, kinds, ev) {
			if f := s.send(ctx, *e, ev); f != nil {
				return f
			}
		}
		e.Seq, e.Tries = ev.Seq, 0
	}
	return nil
}

// wants reports whether an event is for an endpoint: of its kinds, by either name, and a
// test only when it is the endpoint's own.
func wants(e *store.Endpoint, kinds []string, ev store.Event) bool {
	if ev.Kind != "test" {
		return len(kinds) == 0 || slices.Contains(kinds, ev.Kind) || slices.Contains(kinds, presentKind(ev))
	}
	var of struct {
		Endpoint string `json:"endpoint"`
	}
	return json.Unmarshal([]byte(ev.Data), &of) == nil && of.Endpoint == e.ID
}

// failure is why an event was not taken.
type failure struct {
	words string
	gone  bool          // 410: nobody wants them any more
	after time.Duration // Retry-After
}

// send makes one attempt at one event.
func (s *Sender) send(ctx context.Context, e store.Endpoint, ev store.Event) *failure {
	body, err := Envelope(s.Source, coach.AccountID(e.Account), ev, e.Names)
	if err != nil {
		return &failure{words: err.Error()}
	}
	var keys []string
	if err := json.Unmarshal([]byte(e.Keys), &keys); err != nil {
		return &failure{words: err.Error()}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, e.URL, bytes.NewReader(body))
	if err != nil {
		return &failure{words: err.Error()}
	}
	now := time.Now()
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("User-Agent", "Sealmanac")
	req.Header.Set("webhook-id", ev.ID)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	req.Header.Set("webhook-signature", Sign(keys, ev.ID, now, body))
	resp, err := s.Client.Do(req)
	if err != nil {
		s.seen("unreached")
		if errors.Is(err, httpkit.ErrInside) {
			return &failure{words: "the address leads into a private network"}
		}
		return &failure{words: clip(err.Error())}
	}
	defer resp.Body.Close() //nolint:errcheck // read only
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 300))
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10)) // so that the connection is kept
	if resp.StatusCode/100 == 2 {
		s.seen("taken")
		return nil
	}
	s.seen("refused")
	f := &failure{words: clip(resp.Status + " " + string(said)), gone: resp.StatusCode == http.StatusGone}
	if n, err := strconv.Atoi(resp.Header.Get("Retry-After")); err == nil && n > 0 {
		f.after = min(time.Duration(n)*time.Second, 24*time.Hour)
	} else if at, err := http.ParseTime(resp.Header.Get("Retry-After")); err == nil {
		f.after = min(max(0, time.Until(at)), 24*time.Hour)
	}
	return f
}

func (s *Sender) seen(outcome string) {
	if s.Seen != nil {
		s.Seen(outcome)
	}
}

func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	if r := []rune(s); len(r) > 200 {
		s = string(r[:200])
	}
	return s
}

// settle writes down where an endpoint stands and when it is looked at next.
func (s *Sender) settle(ctx context.Context, e store.Endpoint, mine int64, f *failure, cause error) error {
	ctx = context.WithoutCancel(ctx) // what was taken is written down, also at the end
	before := e
	err := s.DB.Update(ctx, func(tx *store.Tx) error {
		e := before // the transaction may run again, and a failed attempt counts once
		e.LeaseEnd, e.State = 0, "live"
		if f == nil {
			e.Trouble = ""
			e.NextAt = 0
		} else {
			e.Trouble = f.words
			e.Tries++
			switch {
			case f.gone:
				e.State = "gone"
			case int(e.Tries) > len(waits):
				e.State = "paused"
			default:
				e.NextAt = tx.Now().Add(max(f.after, jitter(waits[e.Tries-1]))).UnixMicro()
			}
		}
		ok, err := tx.SettleEndpoint(ctx, e, mine)
		if err != nil || !ok || e.State == "live" || s.Tell == nil {
			return err
		}
		return s.Tell(ctx, tx, e)
	})
	if cause != nil {
		return cause
	}
	return err
}

// jitter spreads attempts over a tenth more than the wait.
func jitter(d time.Duration) time.Duration { return d + rand.N(d/10+1) }

// Words says a state of an endpoint and its trouble.
func Words(e store.Endpoint) string {
	switch e.State {
	case "gone":
		return "the receiver said that nobody wants the events any more (410)"
	case "paused":
		return fmt.Sprintf("paused after %d attempts: %s", e.Tries, e.Trouble)
	}
	if e.Trouble != "" {
		return fmt.Sprintf("attempt %d failed: %s", e.Tries, e.Trouble)
	}
	return ""
}
