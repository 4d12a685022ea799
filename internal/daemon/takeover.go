package daemon

import (
	"context"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"sealmanac/internal/coach"
	"sealmanac/internal/delivery"
	"sealmanac/internal/store"
)

// The job library rescues the jobs of a worker that died after a quarter of an
// hour. A notice need not wait so long: every replica looks for notices whose
// worker gave no sign of life for a lease and makes a new job for them.
const lookForOrphans = 3 * time.Second

// settleDown is how long nobody is taken over from after the database was away:
// workers that live first get the chance to say so.
const settleDown = lease

func (d *Daemon) keepTakingOver(ctx context.Context) {
	tick := time.NewTicker(lookForOrphans)
	defer tick.Stop()
	quiet := time.Time{} // until then nobody is taken over from
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if time.Now().Before(quiet) {
			if d.DB.Ping(ctx) != nil {
				quiet = time.Now().Add(settleDown)
			}
			continue
		}
		if err := d.takeOver(ctx); err != nil && ctx.Err() == nil {
			quiet = time.Now().Add(settleDown)
			d.opt.Log.Warn("store not reachable; no notice is taken over until it answers", "err", err)
		}
	}
}

// takeOver makes a job for each notice whose worker died: with the notice in hand,
// or with its job only, before it had claimed the notice. The latter shows when
// notices are due and no job waits for a worker. The job's name holds the time in
// steps of a lease, so that replicas make one job and a dead worker's job does not
// stand in the way; a job too many finds nothing to do.
func (d *Daemon) takeOver(ctx context.Context) error {
	var rows, waiting []store.NoticeRow
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		if rows, err = tx.Orphans(ctx, 1000); err != nil {
			return err
		}
		waiting, err = tx.Waiting(ctx, lease, 1000)
		return err
	})
	if err != nil {
		return err
	}
	rows = d.stillOrphans(rows)
	for _, r := range rows {
		d.opt.Log.Warn("a worker died with a notice; it is taken over and may arrive twice, with the same Message-ID",
			"message_id", r.MessageID, "try", r.Tries)
	}
	if len(waiting) > 0 {
		busy, err := d.river.JobList(ctx,
			river.NewJobListParams().Queues(queueNotices).States(rivertype.JobStateAvailable).First(1))
		if err != nil {
			return err
		}
		if len(busy.Jobs) == 0 {
			rows = append(rows, waiting...)
		}
	}
	if len(rows) == 0 {
		return nil
	}
	turn := time.Now().Unix() / int64(lease/time.Second)
	jobs := make([]river.InsertManyParams, len(rows))
	for i, r := range rows {
		jobs[i] = river.InsertManyParams{Args: noticeArgs{Account: coach.AccountID(r.Account), Key: r.Key, Turn: turn},
			InsertOpts: &river.InsertOpts{Queue: queueNotices, MaxAttempts: delivery.MaxAttempts,
				UniqueOpts: river.UniqueOpts{ByArgs: true}}}
	}
	_, err = d.river.InsertManyFast(ctx, jobs)
	return err
}

// seen is an orphan as first looked at.
type seen struct {
	lease int64
	at    time.Time
}

// stillOrphans returns the orphans whose lease has not moved for two beats of this
// replica's own clock: clocks of replicas differ, and are set.
func (d *Daemon) stillOrphans(rows []store.NoticeRow) (out []store.NoticeRow) {
	now := time.Now()
	next := map[string]seen{}
	for _, r := range rows {
		key := r.Account + "|" + r.Key
		s, ok := d.orphans[key]
		if !ok || r.LeaseEnd == nil || s.lease != *r.LeaseEnd {
			s = seen{at: now}
			if r.LeaseEnd != nil {
				s.lease = *r.LeaseEnd
			}
		}
		next[key] = s
		if now.Sub(s.at) > 2*delivery.Beat {
			out = append(out, r)
		}
	}
	d.orphans = next
	return out
}
