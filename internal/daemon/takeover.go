package daemon

import (
	"context"
	"time"

	"github.com/riverqueue/river"

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
			d.opt.Log.Warn("the store does not answer; nothing is taken over for a while", "err", err)
		}
	}
}

// takeOver makes a job for each orphan. Its name holds the try that was cut off,
// so that two replicas make one job and the dead worker's job does not stand in
// the way.
func (d *Daemon) takeOver(ctx context.Context) error {
	var rows []store.NoticeRow
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		rows, err = tx.Orphans(ctx, 1000)
		return err
	})
	if err != nil || len(rows) == 0 {
		return err
	}
	jobs := make([]river.InsertManyParams, len(rows))
	for i, r := range rows {
		d.opt.Log.Warn("a worker died with a notice; it is taken over and may arrive twice, with the same Message-ID", "message_id", r.MessageID, "try", r.Tries)
		jobs[i] = river.InsertManyParams{Args: noticeArgs{Account: coach.AccountID(r.Account), Key: r.Key, Turn: r.Tries},
			InsertOpts: &river.InsertOpts{Queue: queueNotices, MaxAttempts: delivery.MaxAttempts, UniqueOpts: river.UniqueOpts{ByArgs: true}}}
	}
	_, err = d.river.InsertManyFast(ctx, jobs)
	return err
}
