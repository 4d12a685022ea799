package desk

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Task is a task of the last pass, and where it stands now.
type Task struct {
	store.TaskRow
	State       reminder.Standing
	PutOffUntil civil.Date // the last day until which somebody put it off; 0: nobody did
}

// task returns one task of a coach as it stands now.
func (d *Desk) task(ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, c coach.ID,
	key string) (Task, error) {
	row, err := tx.TaskByKey(ctx, id, c, key)
	if err != nil {
		return Task{}, err
	}
	out, err := d.standing(ctx, tx, t, id, []store.TaskRow{row})
	if err != nil {
		return Task{}, err
	}
	return out[0], nil
}

// standing tells where tasks stand, by what was answered and agreed since the pass.
func (d *Desk) standing(ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID,
	rows []store.TaskRow) ([]Task, error) {
	a, err := tx.Account(ctx, id, false)
	if err != nil {
		return nil, err
	}
	shop, err := tx.Workshop(ctx, id)
	if err != nil {
		return nil, err
	}
	var cs []coach.ID
	seen := map[string]bool{}
	for _, r := range rows {
		if !seen[r.Coach] {
			seen[r.Coach], cs = true, append(cs, coach.ID(r.Coach))
		}
	}
	answers, err := tx.AnswersOf(ctx, id, cs)
	if err != nil {
		return nil, err
	}
	pins := shop.Agreed()
	out := make([]Task, len(rows))
	for i, r := range rows {
		target, err := civil.Parse(r.Target)
		if err != nil {
			return nil, err
		}
		q := reminder.Question{Coach: coach.ID(r.Coach), Kind: coach.TaskKind(r.Kind), Key: r.Key, Target: target}
		out[i].TaskRow = r
		out[i].State, out[i].PutOffUntil = reminder.Stands(t.Engine.Rules, q, pins, answers[q.Coach], d.today(a))
	}
	return out, nil
}
