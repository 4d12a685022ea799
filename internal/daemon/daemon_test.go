package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/delivery"
	"sealmanac/internal/intake"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
	"sealmanac/internal/web"
)

var demoDay = civil.Of(2026, 2, 10)

// evening is an instant after everybody's sending hours of the demo's day.
func evening() time.Time { return demoDay.Time().Add(23 * time.Hour) }

// databases runs a test on both stores; conf fills in the store's settings.
func databases(t *testing.T, f func(t *testing.T, conf func(*settings.Config))) {
	t.Run("sqlite", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "x.db")
		f(t, func(c *settings.Config) { c.StorePath = path })
	})
	t.Run("postgres", func(t *testing.T) {
		dsn := testkit.Postgres(t)
		f(t, func(c *settings.Config) { c.StoreKind, c.StoreDSN = "postgres", settings.Secret(dsn) })
	})
}

func options(t *testing.T, box *mailbox.Mailbox, conf func(*settings.Config)) Options {
	t.Helper()
	c := settings.Default()
	conf(&c)
	c.OpsListen = "127.0.0.1:0"
	c.Listen, c.MailTLS, c.MailFrom, c.MailTimeout, c.Upkeep = "127.0.0.1:0", "none", "seals@shop.example.org",
		5*time.Second, time.Second
	if box != nil {
		c.MailAddress = box.Addr()
	}
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	r.Manners.SendUntil = 24 // the tests' clock stands in the evening
	return Options{Config: c, Rules: r, Tables: testkit.Tables(t), Log: slog.New(slog.DiscardHandler), Now: evening,
		Poll: 30 * time.Millisecond, Look: time.Hour}
}

func start(t *testing.T, o Options) *Daemon {
	t.Helper()
	d, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(context.Background()); err != nil {
			t.Errorf("closing: %v", err)
		}
	})
	return d
}

func box(t *testing.T, o mailbox.Options) *mailbox.Mailbox {
	t.Helper()
	m, err := mailbox.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = m.Close() })
	return m
}

func importDemo(t *testing.T, d *Daemon, id coach.AccountID) {
	t.Helper()
	c := intake.Read(intake.Options{Today: demoDay, Places: testkit.Tables(t)}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	if _, err := d.Desk.Import(t.Context(), id, c); err != nil {
		t.Fatal(err)
	}
	if err := d.Desk.Start(t.Context(), id, "t"); err != nil { // a new account is paused
		t.Fatal(err)
	}
}

// wait polls until f is true; a minute is against a hang only.
func wait(t *testing.T, what string, f func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if f() {
			return
		}
	}
	t.Fatalf("waited a minute for %s", what)
}

func stateCounts(t *testing.T, d *Daemon) map[string]int {
	t.Helper()
	rows, err := d.Desk.Notices(t.Context(), "demo", 1000)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	for _, r := range rows {
		out[r.State]++
	}
	return out
}

// A pass makes notices, they arrive once, and a second pass makes no more.
func TestPassDelivers(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{})
		d := start(t, options(t, m, conf))
		importDemo(t, d, "demo")
		_, added, err := d.RunPass(t.Context(), "demo", demoDay)
		if err != nil {
			t.Fatal(err)
		}
		if len(added) < 8 {
			t.Fatalf("%d notices", len(added))
		}
		if _, again, err := d.RunPass(t.Context(), "demo", demoDay); err != nil || len(again) != 0 {
			t.Errorf("the same pass again made %d more: %v", len(again), err)
		}
		wait(t, "delivery", func() bool { return stateCounts(t, d)["accepted"] == len(added) })
		ids := map[string]bool{}
		for _, msg := range m.Messages() {
			id, _ := msg.Header.MessageID()
			if ids[id] {
				t.Errorf("%s arrived twice", id)
			}
			ids[id] = true
		}
		if len(ids) != len(added) {
			t.Errorf("%d mails for %d notices", len(ids), len(added))
		}
		if v := testutil.ToFloat64(d.meters.attempts.WithLabelValues("mail", "accepted")); int(v) != len(added) {
			t.Errorf("metric says %v accepted", v)
		}
	})
}

// What the server says is kept: refused for good, put off, accepted.
func TestServersWordsAreKept(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{Refuse: func(to string) error {
			switch {
			case strings.HasPrefix(to, "bea@"):
				return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such person here"}
			case strings.HasPrefix(to, "lena@"):
				return &smtp.SMTPError{Code: 450, EnhancedCode: smtp.EnhancedCode{4, 2, 0}, Message: "come back later"}
			}
			return nil
		}})
		d := start(t, options(t, m, conf))
		importDemo(t, d, "demo")
		_, added, err := d.RunPass(t.Context(), "demo", demoDay)
		if err != nil {
			t.Fatal(err)
		}
		wait(t, "outcomes", func() bool {
			s := stateCounts(t, d)
			return s["accepted"] == len(added)-2 && s["given_up"] == 1 && s["retry"] == 1
		})
		rows, err := d.Desk.Notices(t.Context(), "demo", 100)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			want := map[string]string{"accepted": "250", "given_up": "no such person here", "retry": "come back later"}[r.State]
			if !strings.Contains(r.Reply, want) {
				t.Errorf("%s: %s says %q", r.Person, r.State, r.Reply)
			}
		}
	})
}

// A notice exists if and only if its pass was committed.
func TestNoticeAndJobShareThePass(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{})
		d, err := New(t.Context(), options(t, m, conf))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close(t.Context()) //nolint:errcheck // the test is over
		importDemo(t, d, "demo")
		before := stateCounts(t, d) // the import tells dangers by itself
		stop := errors.New("the process dies here")
		err = d.DB.Update(t.Context(), func(tx *store.Tx) error {
			n := reminder.Notice{Key: "k", Account: "demo", Coach: "wren-02", Person: "a@example.org", MessageID: "<a@b>",
				LinkID: "x", Target: demoDay, NotBefore: evening()}
			if _, err := tx.AddNotices(t.Context(), demoDay, []reminder.Notice{n}); err != nil {
				return err
			}
			if err := d.enqueue(t.Context(), tx, []reminder.Notice{n}); err != nil {
				return err
			}
			return stop
		})
		if !errors.Is(err, stop) {
			t.Fatal(err)
		}
		var jobs int
		err = d.DB.Update(t.Context(), func(tx *store.Tx) error {
			return tx.SQL().GetContext(t.Context(), &jobs, `SELECT COUNT(*) FROM river_job WHERE kind = 'notice'`)
		})
		if now := stateCounts(t, d); err != nil || jobs != 0 || !maps.Equal(now, before) {
			t.Errorf("%d jobs and %v, before %v: a pass that was not committed left them (%v)", jobs, now, before, err)
		}
	})
}

// Two daemons on one database: every notice arrives once.
func TestTwoDaemons(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{Delay: 5 * time.Millisecond})
		a := start(t, options(t, m, conf))
		b := start(t, options(t, m, conf))
		importDemo(t, a, "demo")
		var wg sync.WaitGroup
		var total int
		var mu sync.Mutex
		for _, d := range []*Daemon{a, b} {
			wg.Go(func() {
				_, added, err := d.RunPass(t.Context(), "demo", demoDay)
				if err != nil {
					t.Error(err)
				}
				mu.Lock()
				total += len(added)
				mu.Unlock()
			})
		}
		wg.Wait()
		wait(t, "delivery", func() bool { return stateCounts(t, a)["accepted"] == total })
		time.Sleep(200 * time.Millisecond) // a second copy would come now
		if got := len(m.Messages()); got != total || total < 8 {
			t.Errorf("%d mails for %d notices", got, total)
		}
	})
}

// A notice whose job was lost, and a nightly pass that nobody ran, are made up
// for by upkeep.
func TestUpkeepFindsWhatWasLost(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{})
		o := options(t, m, conf)
		o.Look = 100 * time.Millisecond
		d := start(t, o)
		importDemo(t, d, "demo") // no pass was asked for: the night of the demo's day is over
		wait(t, "the missed pass", func() bool { return stateCounts(t, d)["accepted"] >= 8 })
		err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
			n := reminder.Notice{Key: "lost", Account: "demo", Coach: "wren-02", Person: "lost@example.org",
				MessageID: "<lost@b>", LinkID: "lost", Target: demoDay, NotBefore: evening().Add(-2 * time.Hour), Subject: "s",
				Text: "t", HTML: "h"}
			_, err := tx.AddNotices(t.Context(), demoDay, []reminder.Notice{n})
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		wait(t, "the lost notice", func() bool {
			for _, msg := range m.Messages() {
				if msg.To == "lost@example.org" {
					return true
				}
			}
			return false
		})
	})
}

// From a paused account nothing leaves but mails to members, and what passes make is held;
// started, it sends what waited, and a pass makes again what was held.
func TestQuietAccount(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		m := box(t, mailbox.Options{})
		o := options(t, m, conf)
		o.Look = 100 * time.Millisecond
		d := start(t, o)
		importDemo(t, d, "demo")
		if err := d.Desk.Pause(t.Context(), "demo", "t"); err != nil {
			t.Fatal(err)
		}
		wait(t, "the missed pass", func() bool {
			b, err := d.Desk.Board(t.Context(), "demo", "", store.BoardFilter{}, 1)
			return err == nil && b.Last != nil && b.Quiet
		})
		if _, added, err := d.RunPass(t.Context(), "demo", demoDay); err != nil || len(added) != 0 {
			t.Errorf("a pass made %d notices: %v", len(added), err)
		}
		if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
			var ns []reminder.Notice
			for to, kind := range map[string]coach.TaskKind{"owner": coach.Inspect, "member": "access"} {
				ns = append(ns, reminder.Notice{Key: to, Account: "demo", Coach: "wren-02", Task: kind, Person: to + "@example.org",
					MessageID: "<" + to + "@b>", LinkID: to, Target: demoDay, NotBefore: evening().Add(-2 * time.Hour), Subject: "s",
					Text: "t", HTML: "h"})
			}
			_, err := tx.AddNotices(t.Context(), demoDay, ns)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		got := func(to string) func() bool {
			return func() bool {
				return slices.ContainsFunc(m.Messages(), func(msg mailbox.Message) bool { return msg.To == to+"@example.org" })
			}
		}
		wait(t, "the member's mail", got("member"))
		wait(t, "that nothing counts as late", func() bool {
			_, oldest, err := counts(t, d)
			return err == nil && oldest.IsZero()
		})
		if n := len(m.Messages()); n != 1 {
			t.Errorf("%d mails left a quiet account", n)
		}
		if err := d.Desk.Start(t.Context(), "demo", "t"); err != nil {
			t.Fatal(err)
		}
		wait(t, "what waited", got("owner"))
		wait(t, "what was held, made again by the pass that was asked for", func() bool {
			ns, err := d.Desk.Notices(t.Context(), "demo", 100)
			if err != nil {
				t.Fatal(err)
			}
			free := 0
			for _, n := range ns {
				if n.Hold == "" && n.State != string(reminder.Withdrawn) {
					free++
				}
			}
			return free >= 9
		})
	})
}

func counts(t *testing.T, d *Daemon) (n map[reminder.State]int, oldest time.Time, err error) {
	t.Helper()
	err = d.DB.View(t.Context(), func(tx *store.Tx) error {
		n, oldest, err = tx.Counts(t.Context())
		return err
	})
	return n, oldest, err
}

// Stopping lets a running attempt finish and record its outcome.
func TestStopIsGraceful(t *testing.T) {
	m := box(t, mailbox.Options{Delay: 300 * time.Millisecond})
	path := filepath.Join(t.TempDir(), "x.db")
	o := options(t, m, func(c *settings.Config) { c.StorePath = path })
	d, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	importDemo(t, d, "demo")
	if _, _, err := d.RunPass(t.Context(), "demo", demoDay); err != nil {
		t.Fatal(err)
	}
	wait(t, "the first attempt", func() bool { return stateCounts(t, d)["sending"] > 0 })
	if err := d.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	d2 := start(t, o)
	if s := stateCounts(t, d2); s["sending"] > 0 && len(m.Messages()) > s["accepted"] {
		t.Errorf("%d mails left, the store knows %v", len(m.Messages()), s)
	}
	wait(t, "the rest after the restart", func() bool {
		s := stateCounts(t, d2)
		return s["queued"]+s["sending"]+s["retry"] == 0
	})
	if n := stateCounts(t, d2)["accepted"]; n != len(m.Messages()) {
		t.Errorf("%d accepted, %d mails", n, len(m.Messages()))
	}
}

func TestPagesForMachines(t *testing.T) {
	m := box(t, mailbox.Options{})
	path := filepath.Join(t.TempDir(), "x.db")
	d := start(t, options(t, m, func(c *settings.Config) { c.StorePath = path }))
	get := func(addr, p string) (int, string, http.Header) {
		resp, err := http.Get("http://" + addr + p)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(b), resp.Header
	}
	for path, want := range map[string]string{"/livez": "ok", "/readyz": "ok", "/status": "No pass has run yet",
		"/metrics": `sealmanac_notice_attempts_total{channel="mail",outcome="accepted"} 0`} {
		code, body, head := get(d.OpsAddr(), path)
		if code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: %d, lacks %q", path, code, want)
		}
		if !strings.Contains(head.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("%s has no content security policy", path)
		}
	}
	for path, want := range map[string]int{"/nothing": 404, "/status": 404, "/metrics": 404, "/livez": 200,
		"/readyz": 200} {
		if code, body, _ := get(d.Addr(), path); code != want || strings.Contains(body, "sealmanac_") {
			t.Errorf("everybody gets %d at %s", code, path)
		}
	}
	for _, path := range []string{"/nothing", "/board", "/enter"} {
		if code, _, _ := get(d.OpsAddr(), path); code != http.StatusNotFound {
			t.Errorf("the operator's address gives %d at %s", code, path)
		}
	}
	problems, err := testutil.GatherAndLint(d.registry)
	if err != nil || len(problems) > 0 {
		t.Errorf("metrics: %v %v", problems, err)
	}
}

// Every answer carries the headers that keep other sites and robots out. That browsers
// come back by https only is said where people come by https.
func TestHeaders(t *testing.T) {
	d := start(t, options(t, box(t, mailbox.Options{}), func(c *settings.Config) {
		c.StorePath = filepath.Join(t.TempDir(), "x.db")
	}))
	for secure, hsts := range map[bool]string{true: "max-age=31536000", false: ""} {
		h := d.handler(&web.Site{Desk: d.Desk, Access: d.Access, Log: d.opt.Log, Secure: secure}, nil)
		for _, path := range []string{"/livez", "/enter", "/a/x", "/api/v1", "/nothing"} {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
			for name, want := range map[string]string{"Strict-Transport-Security": hsts, "X-Robots-Tag": "noindex, nofollow",
				"X-Content-Type-Options":     "nosniff",
				"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"} {
				if got := w.Header().Get(name); got != want {
					t.Errorf("%s, over TLS %v: %s is %q", path, secure, name, got)
				}
			}
			if !strings.Contains(w.Header().Get("Permissions-Policy"), "geolocation=()") {
				t.Errorf("%s has no permissions policy", path)
			}
		}
	}
}

// The nightly schedule follows the account's own zone through a clock change.
func TestNightlyInItsOwnZone(t *testing.T) {
	d := &Daemon{opt: Options{Config: settings.Default()}}
	s, err := d.nightly(coach.Account{Zone: "America/Denver"})
	if err != nil {
		t.Fatal(err)
	}
	loc, _ := time.LoadLocation("America/Denver")
	// 8 March 2026: 02:30 does not exist there; the pass of the next day does.
	at := time.Date(2026, 3, 7, 12, 0, 0, 0, loc)
	var got []string
	for range 3 {
		at = s.Next(at)
		got = append(got, at.In(loc).Format("01-02 15:04 MST"))
	}
	if got[0] != "03-08 03:30 MDT" && got[0] != "03-09 02:30 MDT" {
		t.Errorf("schedule: %v", got)
	}
	if _, err := d.nightly(coach.Account{}); err != nil {
		t.Errorf("an account without a zone: %v", err)
	}
}

func TestLoginTroublePausesNotKills(t *testing.T) {
	calls := 0
	ch := channelFunc(func() (string, error) { calls++; return "", &delivery.LoginError{Err: fmt.Errorf("535 no")} })
	path := filepath.Join(t.TempDir(), "x.db")
	o := options(t, nil, func(c *settings.Config) { c.StorePath = path })
	o.Channel, o.Config.Workers = ch, 1
	d := start(t, o)
	importDemo(t, d, "demo")
	_, added, err := d.RunPass(t.Context(), "demo", demoDay)
	if err != nil {
		t.Fatal(err)
	}
	wait(t, "the refusals", func() bool { return stateCounts(t, d)["retry"] == len(added) })
	if s := stateCounts(t, d); s["given_up"] > 0 {
		t.Errorf("our own login trouble killed notices: %v", s)
	}
}

type channelFunc func() (string, error)

func (channelFunc) Name() string                                             { return "mail" }
func (f channelFunc) Send(context.Context, *reminder.Notice) (string, error) { return f() }
