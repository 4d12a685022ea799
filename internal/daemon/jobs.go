package daemon

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/delivery"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// The queues: passes do not wait behind deliveries.
const (
	queueNotices = "notices"
	queuePasses  = "passes"
)

// lease is how long a notice stays with a worker that gives no sign of life. It
// beats every delivery.Beat.
const lease = 20 * time.Second

// noticeArgs asks for the delivery of one notice.
type noticeArgs struct {
	Account coach.AccountID `json:"account"`
	Key     string          `json:"key"`
	Turn    int64           `json:"turn,omitempty"` // above 0: takes over from a worker that died
}

func (noticeArgs) Kind() string { return "notice" }

// passArgs asks for an account's pass of a day, once.
type passArgs struct {
	Account coach.AccountID `json:"account"`
	Day     string          `json:"day"`
	Turn    int64           `json:"turn,omitempty"`  // above 0: repeated, as the first one may have died
	Again   int64           `json:"again,omitempty"` // above 0: repeated, as somebody changed what it depends on
}

func (passArgs) Kind() string { return "pass" }

// upkeepArgs asks for a look at what may have been lost.
type upkeepArgs struct{}

func (upkeepArgs) Kind() string { return "upkeep" }

func (d *Daemon) buildRiver() error {
	workers := river.NewWorkers()
	river.AddWorker(workers, &noticeWorker{daemon: d})
	river.AddWorker(workers, &passWorker{daemon: d})
	river.AddWorker(workers, &upkeepWorker{daemon: d})
	c, err := river.NewClient(d.DB.River(), &river.Config{
		Queues: map[string]river.QueueConfig{queueNotices: {MaxWorkers: d.opt.Config.Workers},
			queuePasses: {MaxWorkers: 2}},
		Workers:              workers,
		Logger:               slog.New(quiet{d.opt.Log.Handler()}),
		FetchPollInterval:    d.opt.Poll,
		FetchCooldown:        min(d.opt.Poll, 100*time.Millisecond),
		JobTimeout:           10 * time.Minute,
		RescueStuckJobsAfter: 15 * time.Minute,
		SoftStopTimeout:      20 * time.Second,
		PeriodicJobs: []*river.PeriodicJob{river.NewPeriodicJob(river.PeriodicInterval(d.opt.Config.Upkeep),
			func() (river.JobArgs, *river.InsertOpts) {
				return upkeepArgs{}, &river.InsertOpts{Queue: queuePasses, MaxAttempts: 1,
					UniqueOpts: river.UniqueOpts{ByPeriod: max(time.Second, d.opt.Config.Upkeep/2)}}
			}, &river.PeriodicJobOpts{ID: "upkeep", RunOnStart: true})},
	})
	d.river = c
	return err
}

// quiet lets only the job library's warnings through: it tells of every start
// and stop at the level of news.
type quiet struct{ slog.Handler }

func (q quiet) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && q.Handler.Enabled(ctx, l)
}

// enqueue makes a job for each notice in the transaction that made the notice.
func (d *Daemon) enqueue(ctx context.Context, tx *store.Tx, ns []reminder.Notice) error {
	if len(ns) == 0 {
		return nil
	}
	jobs := make([]river.InsertManyParams, len(ns))
	for i, n := range ns {
		opts := &river.InsertOpts{Queue: queueNotices, MaxAttempts: delivery.MaxAttempts,
			UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
				rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRunning, rivertype.JobStateRetryable,
				rivertype.JobStateScheduled}}}
		// The job library keeps its own clock; in the demo ours stands on another day.
		if n.NotBefore.After(tx.Now()) && n.NotBefore.After(time.Now()) {
			opts.ScheduledAt = n.NotBefore
		}
		jobs[i] = river.InsertManyParams{Args: noticeArgs{Account: n.Account, Key: n.Key}, InsertOpts: opts}
	}
	_, err := d.river.InsertManyFastTx(ctx, tx.SQL().Tx, jobs)
	return err
}

// RunPass makes an account's pass of a day now.
func (d *Daemon) RunPass(
	ctx context.Context, id coach.AccountID, on civil.Date,
) (cycle.Result, []reminder.Notice, error) {
	begun := time.Now()
	tools, err := d.toolsOf(ctx, id)
	if err != nil {
		d.meters.passed(time.Since(begun), cycle.Result{}, err)
		return cycle.Result{}, nil, err
	}
	d.refreshFeeds(ctx, id)
	res, added, err := cycle.Pass(ctx, d.DB, tools, id, on, d.enqueue)
	d.meters.passed(time.Since(begun), res, err)
	return res, added, err
}

// refreshFeeds reads the account's booking feeds anew. What cannot be read is told
// to the log and keeps its earlier bookings: the pass goes on.
func (d *Daemon) refreshFeeds(ctx context.Context, id coach.AccountID) {
	trouble, err := d.Desk.RefreshFeeds(ctx, id, d.fetch)
	if err != nil {
		trouble = append(trouble, err.Error())
	}
	for _, t := range trouble {
		d.opt.Log.Warn("rental calendar not read", "account", id, "trouble", t)
	}
}

func (d *Daemon) fetch(ctx context.Context, address string) ([]byte, error) {
	return httpkit.Get(ctx, d.feeds, address)
}

// replan asks for an account's pass of today once more: what somebody changed shows in
// its plan a moment later. Changes within a second of each other are one pass.
func (d *Daemon) replan(ctx context.Context, tx *store.Tx, id coach.AccountID) error {
	a, err := tx.Account(ctx, id, false)
	if err != nil {
		return err
	}
	now := d.opt.Now()
	_, err = d.river.InsertTx(ctx, tx.SQL().Tx, passArgs{Account: id, Day: civil.FromTime(now.In(a.Location())).String(),
		Again: time.Now().UnixMilli()/1000 + 1},
		&river.InsertOpts{Queue: queuePasses, MaxAttempts: 3, ScheduledAt: time.Now().Add(time.Second),
			UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
				rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateScheduled, rivertype.JobStateRetryable,
				rivertype.JobStateRunning}}})
	return err
}

// passed reports whether an account's pass of a day is on record.
func (d *Daemon) passed(ctx context.Context, id coach.AccountID, day string) (done bool, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		p, err := tx.LastPass(ctx, id)
		done = p != nil && p.Day >= day
		return err
	})
	return done, err
}

type passWorker struct {
	river.WorkerDefaults[passArgs]
	daemon *Daemon
}

// Work runs one pass.
func (w *passWorker) Work(ctx context.Context, j *river.Job[passArgs]) error {
	on, err := civil.Parse(j.Args.Day)
	if err != nil {
		return river.JobCancel(err)
	}
	if j.Args.Turn > 0 {
		if done, err := w.daemon.passed(ctx, j.Args.Account, j.Args.Day); err != nil || done {
			return err
		}
	}
	key := passArgs{Account: j.Args.Account, Day: j.Args.Day}
	w.daemon.passing.Store(key, true)
	defer w.daemon.passing.Delete(key)
	begun := time.Now()
	res, added, err := w.daemon.RunPass(ctx, j.Args.Account, on)
	if err != nil {
		w.daemon.opt.Log.Warn("pass failed", "account", j.Args.Account, "day", on.String(), "attempt", j.Attempt,
			"seconds", time.Since(begun).Seconds(), "err", err)
	}
	if fault.KindOf(err) == fault.NotFound {
		return river.JobCancel(err) // the account is gone
	}
	if err == nil {
		w.daemon.opt.Log.Info("pass finished", "account", j.Args.Account, "day", on.String(), "coaches", len(res.Outcomes),
			"notices", len(added))
		w.daemon.sayHeld(ctx, j.Args.Account)
	}
	return err
}

// sayHeld logs what waits for a decision after a pass: nobody else tells the operator of a
// new account that nothing leaves yet.
func (d *Daemon) sayHeld(ctx context.Context, id coach.AccountID) {
	s, err := d.Desk.Sending(ctx, id)
	if err != nil {
		return // the pass itself is done
	}
	for _, h := range s.Held {
		d.opt.Log.Warn("messages wait for a decision: read them on the page /held, or run 'sealmanac held'",
			"account", id, "why", h.Hold, "messages", h.Messages, "people", h.People, "most_to_one", h.Most)
	}
}

type noticeWorker struct {
	river.WorkerDefaults[noticeArgs]
	daemon *Daemon
}

// Timeout leaves room to record the outcome after the attempt itself.
func (w *noticeWorker) Timeout(*river.Job[noticeArgs]) time.Duration {
	return w.daemon.opt.Config.MailTimeout + 30*time.Second
}

// NextRetry spaces attempts as delivery.Wait says.
func (w *noticeWorker) NextRetry(j *river.Job[noticeArgs]) time.Time {
	return time.Now().Add(delivery.Wait(j.Attempt))
}

// Work makes one attempt at one notice.
func (w *noticeWorker) Work(ctx context.Context, j *river.Job[noticeArgs]) error {
	d := w.daemon
	v, err := delivery.Step(ctx, outbox{d.DB}, d.opt.Channel, j.Args.Account, j.Args.Key, j.Attempt, d.opt.Log)
	d.meters.attempts.WithLabelValues(d.opt.Channel.Name(), string(v)).Inc()
	switch v {
	case delivery.Taken, delivery.Idle:
		return nil
	case delivery.Never:
		return river.JobCancel(err)
	case delivery.Ours:
		d.opt.Log.Error("mail server refused our login or TLS; notices wait", "err", err)
		return river.JobSnooze(delivery.PauseOurs)
	case delivery.Busy:
		busy, _ := errors.AsType[*delivery.BusyError](err)
		return river.JobSnooze(busy.Wait)
	case delivery.Broken:
		return river.JobSnooze(30 * time.Second)
	default:
		return err
	}
}

type upkeepWorker struct {
	river.WorkerDefaults[upkeepArgs]
	daemon *Daemon
}

// Work gives lost notices a new job; those whose job lives on keep it.
func (w *upkeepWorker) Work(ctx context.Context, _ *river.Job[upkeepArgs]) error {
	d := w.daemon
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Lapse(ctx); err != nil {
			return err
		}
		stuck, err := tx.Stuck(ctx, 30*time.Minute, 1000)
		if err != nil {
			return err
		}
		var ns []reminder.Notice
		for _, r := range stuck {
			n, err := r.Notice()
			if err != nil {
				return err
			}
			ns = append(ns, n)
		}
		return d.enqueue(ctx, tx, ns)
	})
}

// outbox gives delivery the store's notices.
type outbox struct {
	db *store.DB
}

// Claim gives a notice to the caller, or tells whether it is still open.
func (o outbox) Claim(
	ctx context.Context, account coach.AccountID, key string,
) (n reminder.Notice, ok, open bool, err error) {
	err = o.db.Update(ctx, func(tx *store.Tx) error {
		if n, ok, err = tx.Claim(ctx, account, key, lease); err != nil || ok {
			return err
		}
		row, err := tx.NoticeByKey(ctx, account, key)
		if fault.KindOf(err) == fault.NotFound {
			return nil
		}
		switch reminder.State(row.State) {
		case reminder.Queued, reminder.Retry, reminder.Sending:
			open = true
		}
		return err
	})
	return n, ok, open, err
}

// Extend keeps a notice with its worker.
func (o outbox) Extend(ctx context.Context, n *reminder.Notice) error {
	return o.db.Update(ctx, func(tx *store.Tx) error { return tx.Extend(ctx, n.Account, n.Key, n.Try, lease) })
}

// Settle records the outcome.
func (o outbox) Settle(
	ctx context.Context, n *reminder.Notice, s reminder.State, reply string, wait time.Duration,
) error {
	return o.db.Update(ctx, func(tx *store.Tx) error {
		if err := tx.Settle(ctx, n.Account, n.Key, n.Try, s, reply, wait); err != nil || n.Task == desk.AccessTask ||
			strings.HasPrefix(n.TaskKey, "shop|") {
			return err
		}
		h := store.Happened{Coach: n.Coach, Data: map[string]any{"notice": reminder.Short(n.LinkID), "person": n.Person,
			"task": n.Task, "words": reply}}
		switch s {
		case reminder.Accepted:
			h.Kind = "notice.sent"
		case reminder.GivenUp:
			h.Kind = "notice.failed"
		default:
			return nil
		}
		return tx.AddEvents(ctx, n.Account, h)
	})
}
