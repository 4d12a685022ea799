// Package demo runs the whole job on a scenario of invented people: import, one
// pass as of a fixed day, delivery over SMTP to a built-in mailbox.
//
// It imports daemon, desk, intake, mailbox and what they stand on; cli calls it.
package demo

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/intake"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
)

// Day is the day the demo plays on: a Tuesday in winter, with the season ahead.
var Day = civil.Of(2026, time.February, 10)

// Account is the demo's account.
const Account coach.AccountID = "demo"

// Options of a run.
type Options struct {
	Dir    string // where the embedded store goes; it is made if missing
	Rules  *rulebook.Rulebook
	Tables *climate.Tables
	Log    *slog.Logger
	Listen string // of the status page
}

// Demo is a loaded scenario with its daemon and its mailbox.
type Demo struct {
	Daemon  *daemon.Daemon
	Mailbox *mailbox.Mailbox
	Coaches []coach.Coach
	clock   clock
	pages   *http.Server
	pagesAt string
}

// The demo's clock stands still twice on its day: before dawn in every zone of the
// scenario, when the pass is made, and in the evening, when everybody's sending
// hours of that day have begun.
var (
	dawn    = Day.Time().Add(11 * time.Hour)
	evening = Day.Time().Add(23 * time.Hour)
)

// Who signs in to the demo's pages, as its manager.
const (
	Email    = "manager@juniperflat.example.org"
	Password = "juniper flat demo"
)

// clock is a hand that is moved once.
type clock struct{ at atomic.Int64 }

func (c *clock) set(t time.Time) { c.at.Store(t.UnixNano()) }
func (c *clock) now() time.Time  { return time.Unix(0, c.at.Load()).UTC() }

// Start loads the scenario and starts the mailbox; Pass lets the daemon run.
func Start(ctx context.Context, o Options) (_ *Demo, err error) {
	d := &Demo{}
	d.clock.set(dawn)
	defer func() {
		if err != nil {
			_ = d.Close(ctx)
		}
	}()
	if err := os.MkdirAll(o.Dir, 0o755); err != nil {
		return nil, err
	}
	if d.Mailbox, err = mailbox.Start(mailbox.Options{}); err != nil {
		return nil, err
	}
	c := settings.Default()
	c.StorePath = filepath.Join(o.Dir, "demo.db")
	c.MailAddress, c.MailTLS, c.MailFrom, c.MailHello = d.Mailbox.Addr(), "none", "seals@juniperflat.example.org",
		"localhost"
	c.Listen, c.OpsListen, c.MailTimeout = o.Listen, "127.0.0.1:0", 10*time.Second
	if d.Daemon, err = daemon.New(ctx, daemon.Options{Config: c, Rules: o.Rules, Tables: o.Tables, Log: o.Log,
		Now: d.clock.now, Poll: 50 * time.Millisecond}); err != nil {
		return nil, err
	}
	content := intake.Read(intake.Options{Today: Day, Places: o.Tables}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	if _, err := d.Daemon.Desk.Import(ctx, Account, content); err != nil {
		return nil, err
	}
	if err := d.Daemon.Desk.Start(ctx, Account, Email); err != nil { // a new account waits for that
		return nil, err
	}
	if err := d.Daemon.Access.Demo(ctx, Account, Email, Password); err != nil {
		return nil, err
	}
	d.Coaches = content.Coaches
	if err := d.servePages(); err != nil {
		return nil, err
	}
	return d, nil
}

// Close stops everything.
func (d *Demo) Close(ctx context.Context) error {
	if d.pages != nil {
		_ = d.pages.Close()
	}
	var err error
	if d.Daemon != nil {
		err = d.Daemon.Close(ctx)
	}
	if d.Mailbox != nil {
		_ = d.Mailbox.Close()
	}
	return err
}

// Pass evaluates the demo's day, lets the daemon deliver and waits until every
// notice of it is settled.
func (d *Demo) Pass(ctx context.Context) (res cycle.Result, rows []Row, err error) {
	res, _, err = d.Daemon.RunPass(ctx, Account, Day)
	if err != nil {
		return res, nil, err
	}
	d.clock.set(evening)
	if err := d.Daemon.Start(ctx); err != nil {
		return res, nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for {
		if rows, err = d.rows(ctx); err != nil {
			return res, nil, err
		}
		if settled(rows) {
			return res, rows, nil
		}
		select {
		case <-ctx.Done():
			return res, rows, fmt.Errorf("notices were still open after a minute: %w", ctx.Err())
		case <-time.After(25 * time.Millisecond):
		}
	}
}

// Row is one notice as the demo prints it.
type Row struct {
	Coach, Person, Subject, State, Reply string
}

func (d *Demo) rows(ctx context.Context) (out []Row, err error) {
	ns, err := d.Daemon.Desk.Notices(ctx, Account, 1000)
	for _, n := range ns {
		out = append(out, Row{n.Coach, n.Person, n.Subject, n.State, n.Reply})
	}
	return out, err
}

func settled(rows []Row) bool {
	for _, r := range rows {
		switch reminder.State(r.State) {
		case reminder.Queued, reminder.Sending, reminder.Retry:
			return false
		}
	}
	return true
}

// Count returns how many rows were accepted and how many were not.
func Count(rows []Row) (accepted, failed int) {
	for _, r := range rows {
		if reminder.State(r.State) == reminder.Accepted {
			accepted++
		} else {
			failed++
		}
	}
	return accepted, failed
}
