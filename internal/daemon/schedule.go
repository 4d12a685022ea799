package daemon

import (
	"context"
	"encoding/json"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
	"github.com/robfig/cron/v3"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// keepSchedules gives every account its nightly pass in its own zone, looks for
// new and changed accounts, and makes up for passes that nobody was there to run.
// Every replica does it; only the leader's schedules make jobs, and a pass job is
// unique per account and day.
func (d *Daemon) keepSchedules(ctx context.Context) {
	zones := map[coach.AccountID]string{}
	tick := time.NewTicker(d.opt.Look)
	defer tick.Stop()
	for {
		if err := d.syncSchedules(ctx, zones); err != nil && ctx.Err() == nil {
			d.opt.Log.Warn("accounts could not be read; schedules stay as they are", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (d *Daemon) syncSchedules(ctx context.Context, zones map[coach.AccountID]string) error {
	var accounts []coach.Account
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		accounts, err = tx.Accounts(ctx)
		return err
	})
	if err != nil {
		return err
	}
	for _, a := range accounts {
		if have, ok := zones[a.ID]; ok && have == a.Zone {
			continue
		}
		s, err := d.nightly(a)
		if err != nil {
			return err
		}
		id := "pass-" + string(a.ID)
		d.river.PeriodicJobs().RemoveByID(id)
		job := river.NewPeriodicJob(s, func() (river.JobArgs, *river.InsertOpts) {
			return d.passJob(a)
		}, &river.PeriodicJobOpts{ID: id})
		if _, err := d.river.PeriodicJobs().AddSafely(job); err != nil {
			return err
		}
		zones[a.ID] = a.Zone
	}
	return d.catchUp(ctx, accounts)
}

// nightly is the schedule of an account's pass, in its own zone.
func (d *Daemon) nightly(a coach.Account) (cron.Schedule, error) {
	return cron.ParseStandard("CRON_TZ=" + a.Location().String() + " " + d.opt.Config.PassCron)
}

// passJob is today's pass of an account, as its own zone dates today.
func (d *Daemon) passJob(a coach.Account) (passArgs, *river.InsertOpts) {
	today := civil.FromTime(d.opt.Now().In(a.Location()))
	return passArgs{Account: a.ID, Day: today.String()}, &river.InsertOpts{Queue: queuePasses, MaxAttempts: 10,
		UniqueOpts: river.UniqueOpts{ByArgs: true}}
}

// asked is how often an account's pass of a day was asked for, and when it may be asked
// for again.
type asked struct {
	day   string
	times int
	next  time.Time
}

// turn tells whether to ask for a pass now, and its number: 0 at first, then a new
// number at growing distances, so that a job whose worker died does not stand in
// the way and a pass that fails does not pile up jobs.
func (d *Daemon) turn(id coach.AccountID, day string) (n int64, now bool) {
	a := d.asked[id]
	if a == nil || a.day != day { // the day before is forgotten
		d.asked[id] = &asked{day: day, next: time.Now().Add(lease)}
		return 0, true
	}
	if time.Now().Before(a.next) {
		return 0, false
	}
	a.times++
	a.next = time.Now().Add(min(30*time.Minute, lease<<min(a.times, 10)))
	return time.Now().Unix() / int64(lease/time.Second), true
}

// passesUnderWay returns the passes, by account and day alone, that have a job which waits
// or runs.
func (d *Daemon) passesUnderWay(ctx context.Context) (map[passArgs]rivertype.JobState, error) {
	open := []rivertype.JobState{
		rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateScheduled, rivertype.JobStateRunning,
	}
	res, err := d.river.JobList(ctx, river.NewJobListParams().Kinds(passArgs{}.Kind()).First(mostListed).States(open...))
	if err != nil {
		return nil, err
	}
	out := make(map[passArgs]rivertype.JobState, len(res.Jobs))
	for _, j := range res.Jobs {
		var a passArgs
		if err := json.Unmarshal(j.EncodedArgs, &a); err != nil {
			return nil, err
		}
		key := passArgs{Account: a.Account, Day: a.Day}
		if state := out[key]; state == "" || state == rivertype.JobStateRunning {
			out[key] = j.State // one that waits will be done, whatever became of one that ran
		}
	}
	return out, nil
}

// mostListed is how many jobs are looked at; of those beyond, some are asked for twice.
const mostListed = 10_000

// works tells whether a pass need not be asked for again: its job waits for a worker, or a
// worker that lives has it. A job whose process died looks the same as one that runs, but
// nobody holds its account.
func (d *Daemon) works(ctx context.Context, args passArgs, state rivertype.JobState) (held bool, err error) {
	switch state {
	case "":
		return false, nil
	case rivertype.JobStateRunning:
		if _, ours := d.passing.Load(args); ours {
			return true, nil
		}
		err = d.DB.Update(ctx, func(tx *store.Tx) error {
			held, err = tx.Locked(ctx, args.Account)
			return err
		})
		return held, err
	}
	return true, nil
}

// waiting is how long a pass has been due that did not come, by the day of the last one
// and the time where the account is. An account that never had one waits for its first,
// which is asked for at once.
func waiting(s cron.Schedule, last string, here time.Time) time.Duration {
	day, err := civil.Parse(last)
	if err != nil {
		return 0
	}
	due := s.Next(day.Add(1).In(here.Location(), 0, 0).Add(-time.Second))
	return max(0, here.Sub(due))
}

// catchUp asks for the passes whose time has come today without a pass: the
// schedules live in memory and miss what falls into a stop. An account that never had
// one does not wait for the hour: somebody has just made it, and looks for its dates.
func (d *Daemon) catchUp(ctx context.Context, accounts []coach.Account) error {
	done := map[string]string{}
	err := d.DB.View(ctx, func(tx *store.Tx) error {
		passes, err := tx.Passes(ctx)
		for _, p := range passes {
			done[p.Account] = p.Day
		}
		return err
	})
	if err != nil {
		return err
	}
	var under map[passArgs]rivertype.JobState
	longest := time.Duration(0)
	defer func() { d.meters.overdue.Set(longest.Seconds()) }()
	for _, a := range accounts {
		s, err := d.nightly(a)
		if err != nil {
			return err
		}
		here := d.opt.Now().In(a.Location())
		longest = max(longest, waiting(s, done[string(a.ID)], here))
		midnight := civil.FromTime(here).In(a.Location(), 0, 0)
		last, passed := done[string(a.ID)]
		if last >= civil.FromTime(here).String() || passed && s.Next(midnight.Add(-time.Second)).After(here) {
			continue
		}
		args, opts := d.passJob(a)
		if under == nil { // most looks find nothing to catch up with
			if under, err = d.passesUnderWay(ctx); err != nil {
				return err
			}
		}
		if works, err := d.works(ctx, args, under[args]); err != nil {
			return err
		} else if works {
			continue
		}
		turn, now := d.turn(a.ID, args.Day)
		if !now {
			continue
		}
		if args.Turn = turn; turn > 0 {
			opts.MaxAttempts = 1
		}
		if _, err := d.river.Insert(ctx, args, opts); err != nil {
			return err
		}
	}
	return nil
}
