package desk

import (
	"context"

	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// answered is the event of an answer.
func answered(q Question) store.Happened {
	n := q.Notice
	h := store.Happened{Kind: "task.answered", Coach: n.Coach, Data: map[string]any{
		"answer": q.Kind, "person": n.Person, "task": n.Task, "run": n.Run, "notice": reminder.Short(n.LinkID),
	}}
	switch q.Kind {
	case reminder.Stop:
		h.Kind, h.Data = "notice.opted_out", map[string]any{"person": n.Person}
	case reminder.Done:
		h.Kind = "task.done"
	case reminder.Later:
		h.Kind, h.Data["until"] = "task.declined", q.Until
	case reminder.Book:
		h.Kind = "visit.asked"
	case reminder.Sold:
		h.Kind = "coach.transferred"
	case reminder.Moved:
		h.Kind = "coach.moved"
	}
	return h
}

// stop ends the reminders of a person; it reports whether that is news.
func (d *Desk) stop(ctx context.Context, tx *store.Tx, q Question) (news bool, err error) {
	outs, err := tx.OptOuts(ctx, q.Account.ID)
	if err != nil {
		return false, err
	}
	if err := tx.OptOut(ctx, q.Account.ID, q.Notice.Person); err != nil {
		return false, err
	}
	_, err = tx.Withdraw(ctx, q.Account.ID, q.Notice.Person, "")
	return !outs[q.Notice.Person], err
}

// answer records the answer for every task of the leading kind that the message
// named; work that is done is recorded as a service, which re-dates the task. It
// reports whether that is news.
func (d *Desk) answer(ctx context.Context, tx *store.Tx, q Question, x detailed) (news bool, err error) {
	n, today := q.Notice, d.today(q.Account)
	news = q.Kind == reminder.Book && !q.Settled // each message can ask for an appointment
	a := reminder.Answer{Kind: q.Kind, Day: today}
	if n.IsLot() {
		a.TaskKey = n.TaskKey
		said, err := tx.SaidBefore(ctx, n.Account, n.Coach, n.Person, a)
		if err != nil {
			return false, err
		}
		if err := tx.AddAnswer(ctx, n.Account, n.Coach, n.Person, a); err != nil {
			return false, err
		}
		if q.Kind == reminder.Book {
			err = d.tellShop(ctx, tx, q)
		}
		return news || !said, err
	}
	if q.Kind == reminder.Later {
		a.Until = q.Until
	}
	for _, key := range n.Covers {
		taskKey, run, ok := reminder.Covered(key, n.Task)
		if !ok {
			continue
		}
		a.TaskKey = taskKey
		said, err := d.answerTask(ctx, tx, q, a, run, x)
		if err != nil {
			return false, err
		}
		news = news || !said
	}
	if q.Kind == reminder.Book {
		return news, d.tellShop(ctx, tx, q)
	}
	if x.height > 0 {
		slide, run := slideRun(n.Run)
		err = tx.AddReading(ctx, n.Account, n.Coach, coach.Reading{Day: x.day, Slide: slide, Run: run, Part: coach.Bulb,
			Kind: coach.BulbHeight, Value: float64(x.height), By: "owner", Note: "answered by mail, " + n.Person})
	}
	return news, err
}

// answerTask records an answer about one task. It reports whether the same was said
// before: by the person, or by anybody that the work is done.
func (d *Desk) answerTask(
	ctx context.Context, tx *store.Tx, q Question, a reminder.Answer, run string, x detailed,
) (said bool, err error) {
	n := q.Notice
	if q.Kind == reminder.Done {
		said, err = tx.HasAnswer(ctx, n.Account, n.Coach, a.TaskKey, reminder.Done)
	} else {
		said, err = tx.SaidBefore(ctx, n.Account, n.Coach, n.Person, a)
	}
	if err != nil {
		return false, err
	}
	if err := tx.AddAnswer(ctx, n.Account, n.Coach, n.Person, a); err != nil {
		return false, err
	}
	if _, err := tx.Withdraw(ctx, n.Account, "", a.TaskKey); err != nil {
		return false, err
	}
	if q.Kind != reminder.Done || said || !Care(n.Task) {
		return said, nil
	}
	s := coach.Service{Day: x.day, Kind: n.Task, By: "owner", Note: "answered by mail, " + n.Person}
	if x.product != "" {
		s.Note += "; " + x.product
	}
	s.Slide, s.Run = slideRun(run) // "galley/outer/top", or a slide alone
	return false, tx.AddService(ctx, n.Account, n.Coach, s)
}
