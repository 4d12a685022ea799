package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

// A pass that fails says so in the log, with what an operator asks first.
func TestFailedPassIsLogged(t *testing.T) {
	var log bytes.Buffer
	o := options(t, nil, func(c *settings.Config) { c.StorePath = t.TempDir() + "/x.db" })
	o.Log = slog.New(slog.NewJSONHandler(&log, nil))
	d, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close(t.Context()) //nolint:errcheck // the test is over
	importDemo(t, d, "main")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	job := &river.Job[passArgs]{JobRow: &rivertype.JobRow{Attempt: 3}, Args: passArgs{Account: "main", Day: "2026-02-10"}}
	log.Reset()
	if err := (&passWorker{daemon: d}).Work(ctx, job); err == nil {
		t.Fatal("it went well")
	}
	var line map[string]any
	if err := json.Unmarshal(log.Bytes(), &line); err != nil {
		t.Fatalf("%v: %s", err, log.String())
	}
	said := line["seconds"] != nil && line["err"] != nil
	if line["level"] != "WARN" || line["account"] != "main" || line["day"] != "2026-02-10" || line["attempt"] != 3.0 ||
		!said {
		t.Errorf("logged %s", log.String())
	}
}

// What was asked for on past days is forgotten.
func TestAskedIsSwept(t *testing.T) {
	d := &Daemon{asked: map[coach.AccountID]*asked{}}
	for _, day := range []string{"2026-02-10", "2026-02-11", "2026-02-12"} {
		if n, now := d.turn("main", day); n != 0 || !now {
			t.Errorf("%s: turn %d, now %v", day, n, now)
		}
		if _, now := d.turn("main", day); now {
			t.Errorf("%s is asked for twice at once", day)
		}
	}
	if len(d.asked) != 1 {
		t.Errorf("%d days are remembered", len(d.asked))
	}
}

// Every reason for silence has its series from the start.
func TestReasonsAreMetered(t *testing.T) {
	m := newMeters(prometheus.NewRegistry(), nil)
	if n := testutil.CollectAndCount(m.suppressed); n != len(reminder.Reasons) {
		t.Errorf("%d series for %d reasons", n, len(reminder.Reasons))
	}
}

// Somebody who waits for changes is answered when the daemon ends, and does not hold it
// up: the guard is shorter than the wait.
func TestWaitingEndsWithTheDaemon(t *testing.T) {
	d, err := New(t.Context(), options(t, nil, func(c *settings.Config) { c.StorePath = t.TempDir() + "/x.db" }))
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	importDemo(t, d, "main")
	w := access.Who{Account: "main", Email: "m", Role: access.Manager}
	key, err := d.Access.MakeToken(t.Context(), w, "poll", []string{"read"}, 30)
	if err != nil {
		t.Fatal(err)
	}
	answered := make(chan int, 1)
	go func() {
		req, _ := http.NewRequest("GET", "http://"+d.Addr()+"/api/v1/changes?after=now&wait=30", nil)
		req.Header.Set("Authorization", "Bearer "+key)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Error(err)
			answered <- 0
			return
		}
		_ = resp.Body.Close() // the status is enough
		answered <- resp.StatusCode
	}()
	for used := false; !used; time.Sleep(5 * time.Millisecond) {
		err := d.DB.View(t.Context(), func(tx *store.Tx) error {
			ts, err := tx.Tokens(t.Context(), "main")
			used = len(ts) == 1 && ts[0].UsedAt != nil && *ts[0].UsedAt > 0
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	closed := make(chan error, 1)
	go func() { closed <- d.Close(context.Background()) }()
	select {
	case err := <-closed:
		if status := <-answered; err != nil || status != http.StatusOK {
			t.Errorf("closed: %v; who waited was answered %d", err, status)
		}
	case <-time.After(20 * time.Second):
		t.Error("the daemon waits for somebody who waits for changes")
		<-closed
	}
}
