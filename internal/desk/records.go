package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// CoachRecord is a coach's document as a JSON object, with its version.
type CoachRecord struct {
	ID      coach.ID
	Version int64
	Text    json.RawMessage
}

// Parts returns the record by its fields.
func (r CoachRecord) Parts() (out map[string]json.RawMessage, err error) {
	err = json.Unmarshal(r.Text, &out)
	return out, err
}

// CoachesAfter returns coaches in the order of their last change, after a change time
// and name.
func (d *Desk) CoachesAfter(
	ctx context.Context, id coach.AccountID, at int64, after string, most int,
) (out []CoachRecord, err error) {
	var rows []store.ChangedCoach
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err = tx.ChangedCoaches(ctx, id, at, after, most)
		return err
	})
	if err != nil {
		return nil, err
	}
	return d.records(rows)
}

// CoachesByExternal returns the coaches to which another system gave a key.
func (d *Desk) CoachesByExternal(
	ctx context.Context, id coach.AccountID, external string,
) (out []CoachRecord, err error) {
	var rows []store.ChangedCoach
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err = tx.CoachesByExternal(ctx, id, external)
		return err
	})
	if err != nil {
		return nil, err
	}
	return d.records(rows)
}

// records writes documents as records, on all processors: that takes longer than to
// find them.
func (d *Desk) records(rows []store.ChangedCoach) ([]CoachRecord, error) {
	const share = 25
	out := make([]CoachRecord, len(rows))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for from := 0; from < len(rows); from += share {
		to := min(from+share, len(rows))
		g.Go(func() error { return d.write(out[from:to], rows[from:to]) })
	}
	return out, g.Wait()
}

func (d *Desk) write(out []CoachRecord, rows []store.ChangedCoach) error {
	cs := make([]coach.Coach, len(rows))
	for i, r := range rows {
		var err error
		if cs[i], err = r.Coach(); err != nil {
			return err
		}
	}
	texts, err := intake.Records(d.Places, cs...)
	for i := range texts {
		out[i] = CoachRecord{cs[i].ID, rows[i].Changed, texts[i]}
	}
	return err
}

// CoachRecord returns one coach's document.
func (d *Desk) CoachRecord(ctx context.Context, id coach.AccountID, c coach.ID) (r CoachRecord, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		doc, version, err := tx.CoachDoc(ctx, id, c)
		if err != nil {
			return err
		}
		text, err := intake.Records(d.Places, doc)
		if err == nil {
			r = CoachRecord{c, version, text[0]}
		}
		return err
	})
	return r, err
}

// Coach returns one coach's document with what people sent in since.
func (d *Desk) Coach(ctx context.Context, id coach.AccountID, c coach.ID) (out coach.Coach, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		out, _, err = tx.Coach(ctx, id, c)
		return err
	})
	return out, err
}

// ItemResult is what became of one coach of a bulk.
type ItemResult struct {
	Coach    coach.ID
	Saved    bool
	Changed  bool     // it is new, or differs from what was stored
	Problems []string // what has to be mended
	Warnings []string // what was accepted but is worth a look
}

// SaveMany reads coaches as trees and stores those that are sound; each has its own
// result. The first are stored while the last are read. Dates follow with the pass that
// is asked for.
func (d *Desk) SaveMany(
	ctx context.Context, id coach.AccountID, by string, items []intake.Text,
) (out []ItemResult, err error) {
	var a coach.Account
	if err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		a, err = tx.Account(ctx, id, false)
		return err
	}); err != nil {
		return nil, err
	}
	tools, err := d.tools(ctx, id)
	if err != nil {
		return nil, err
	}
	ready := make([]store.Prepared, len(items))
	read := intake.StartTrees(intake.Options{Today: d.today(a), Places: d.Places}, items, func(i int, x *intake.Item) {
		ready[i] = store.Prepare(&x.Coach)
	})
	defer read.Wait()
	out = make([]ItemResult, len(items))
	return out, d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, true); err != nil {
			return err
		}
		var news, stops []store.Happened
		for at, chunk := range read.Chunks() {
			rs, err := d.saveChunk(ctx, tx, a, chunk, ready[at:])
			if err != nil {
				return err
			}
			var changed []coach.ID
			for i, r := range rs {
				if r.Changed {
					news, changed = append(news, saved(r.Coach, by)), append(changed, r.Coach)
				}
				out[at+i] = r
			}
			hs, err := d.refreshStops(ctx, tx, tools, id, changed)
			if err != nil {
				return err
			}
			stops = append(stops, hs...)
		}
		if len(news) == 0 {
			return nil
		}
		if err := tx.AddAudit(ctx, id, by, "saved", fmt.Sprintf("%d coaches", len(news)), ""); err != nil {
			return err
		}
		if err := d.replan(ctx, tx, id); err != nil {
			return err
		}
		return tx.AddEvents(ctx, id, append(news, stops...)...)
	})
}

// saveChunk stores those of some coaches that are sound, lose no safety stop and take no
// other coach's external_id.
func (d *Desk) saveChunk(
	ctx context.Context, tx *store.Tx, a coach.Account, chunk []intake.Item, ready []store.Prepared,
) ([]ItemResult, error) {
	var read []*coach.Coach
	for i := range chunk {
		if chunk[i].Problems.Err() == nil {
			read = append(read, &chunk[i].Coach)
		}
	}
	lost, err := lostStops(ctx, tx, a.ID, d.today(a), read)
	if err != nil {
		return nil, err
	}
	read = slices.DeleteFunc(read, func(c *coach.Coach) bool { return lost[c.ID] != "" })
	taken, err := takenExternals(ctx, tx, a.ID, read)
	if err != nil {
		return nil, err
	}
	out := make([]ItemResult, len(chunk))
	var sound []store.Prepared
	for i, x := range chunk {
		r := ItemResult{Coach: x.Coach.ID, Saved: x.Problems.Err() == nil, Problems: x.Problems.Wrong().Lines(),
			Warnings: x.Problems.Warnings()}
		if said, stop := lost[r.Coach]; stop && r.Saved {
			r.Saved, r.Problems = false, append(r.Problems, said+"; "+stopsHint)
		}
		if said, other := taken[r.Coach]; other && r.Saved {
			r.Saved, r.Problems = false, append(r.Problems, said+"; "+externalHint)
		}
		if r.Saved {
			sound = append(sound, ready[i])
		}
		out[i] = r
	}
	changed, err := tx.SavePrepared(ctx, a.ID, sound)
	for i, r := range out {
		out[i].Changed = r.Saved && changed[r.Coach]
	}
	return out, err
}

// TasksAfter returns tasks by target, after a target and a place in the list.
func (d *Desk) TasksAfter(
	ctx context.Context, id coach.AccountID, c coach.ID, target, key, until string, most int,
) (out []Task, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return nil, err
	}
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err := tx.TasksAfter(ctx, id, c, target, key, until, most)
		if err != nil {
			return err
		}
		out, err = d.standing(ctx, tx, tools, id, rows)
		return err
	})
	return out, err
}

// AnswerTask records what a program of the shop says about a task: done, or not before
// a day. The task must still be as the caller saw it: aimed at target.
func (d *Desk) AnswerTask(
	ctx context.Context, id coach.AccountID, by string, c coach.ID, key, target string, kind reminder.AnswerKind, day,
	until civil.Date,
) (now Task, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return now, err
	}
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		account, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		if now, err = d.task(ctx, tx, tools, id, c, key); err != nil {
			if fault.KindOf(err) == fault.NotFound {
				return fault.New(fault.NotFound, fmt.Sprintf("%s has no task %q (any more)", c, key), "Read its tasks again.")
			}
			return err
		}
		if k := coach.TaskKind(now.Kind); k == coach.SafetyStop {
			return errStop
		} else if kind == reminder.Done && k.Renews() {
			return ErrRenews
		}
		if target != "" && now.Target != target {
			return fault.New(fault.Conflict, fmt.Sprintf("the task is aimed at %s now, not at %s", now.Target, target),
				"Look at the present one and decide again.")
		}
		today := d.today(account)
		if day == 0 {
			day = today
		}
		if day > today || kind == reminder.Later && until <= today {
			return fault.New(fault.Invalid, "the day does not fit", "Done: a day up to today. Later: a day after today.")
		}
		a := reminder.Answer{TaskKey: key, Kind: kind, Day: today, Until: until}
		said, err := tx.SaidBefore(ctx, id, c, by, a)
		if err != nil {
			return err
		}
		if err := tx.AddAnswer(ctx, id, c, by, a); err != nil {
			return err
		}
		if _, err := tx.Withdraw(ctx, id, "", key); err != nil {
			return err
		}
		var news []store.Happened
		if kind == reminder.Later {
			if !said { // the same again is no news
				news = append(news, store.Happened{Kind: "task.declined", Coach: c,
					Data: map[string]any{"task": now.Kind, "run": now.Run, "until": until, "by": by}})
			}
		} else {
			news = append(news, store.Happened{Kind: "task.done", Coach: c,
				Data: map[string]any{"task": now.Kind, "run": now.Run, "day": day, "by": by}})
			s := coach.Service{Day: day, Kind: coach.TaskKind(now.Kind), By: "shop", Note: by}
			s.Slide, s.Run = slideRun(now.Run)
			if err := tx.AddService(ctx, id, c, s); err != nil {
				return err
			}
		}
		if err := tx.AddAudit(ctx, id, by, string(kind), string(c), key); err != nil {
			return err
		}
		if err := d.settle(ctx, tx, tools, id, c, news...); err != nil {
			return err
		}
		after, err := d.task(ctx, tx, tools, id, c, key)
		if fault.KindOf(err) == fault.NotFound {
			now.State, now.PutOffUntil = reminder.StandsDone, 0
			return nil
		}
		now = after
		return err
	})
	return now, err
}

func slideRun(address string) (coach.SlideID, string) {
	slide, run, _ := strings.Cut(address, "/")
	return coach.SlideID(slide), run
}

// SaveCoach stores one coach and dates it anew; with a version it must not have changed
// since.
func (d *Desk) SaveCoach(ctx context.Context, id coach.AccountID, by string, c coach.Coach, version int64) error {
	_, _, err := d.save(ctx, id, by, c.ID, version, intake.Content{Coaches: []coach.Coach{c}})
	return err
}

// LotParts returns every part that carries a lot.
func (d *Desk) LotParts(ctx context.Context, id coach.AccountID, lot string) (out []LotPart, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		out, err = tx.PartsOfLot(ctx, id, lot)
		return err
	})
	return out, err
}
