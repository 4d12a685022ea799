package desk

import (
	"context"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

// Question is what a link asks to be confirmed, and once it is answered what was stored.
type Question struct {
	Kind    reminder.AnswerKind
	Account coach.Account
	Notice  reminder.Notice
	Until   civil.Date     // for Later: not before this day
	Settled bool           // the same answer was given before
	Today   civil.Date     // the shop's day
	Words   *wording.Words // of the person asked
	Units   unit.System    // of the person asked
	Agreed  *coach.Pin     // the next day that is agreed for the coach; nil: none

	// Of an answer:
	Day     civil.Date // Done: of the work as recorded
	Product string     // Done: class of what was put on
	Where   string     // Moved: the place as the tables name it
	Undo    string     // token of the link that takes it back; "": it cannot be

	// What ends a link:
	Sold   civil.Date // the coach was sold on that day
	Others bool       // the coach has other people now

	coach coach.Coach
}

// Ended reports whether nothing is asked of this person about the coach any more.
func (q Question) Ended() bool { return q.Sold != 0 || q.Others }

// undoDays is how long "sold" can be taken back by who said it.
const undoDays = 30

// Ask reads a link and says what it would do. It changes nothing, so that link
// scanners do no harm.
func (d *Desk) Ask(ctx context.Context, token string) (q Question, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		q, err = d.ask(ctx, tx, token)
		return err
	})
	return q, err
}

func (d *Desk) ask(ctx context.Context, tx *store.Tx, token string) (q Question, err error) {
	link, err := d.Signer.Read(token, civil.FromTime(d.Now().UTC()))
	if err != nil {
		return q, err
	}
	row, err := tx.NoticeByLink(ctx, link.ID)
	if err != nil {
		if fault.KindOf(err) == fault.NotFound {
			return q, errLink
		}
		return q, err
	}
	again := link.Kind == reminder.Done || link.Kind == reminder.Book || link.Kind == reminder.Later
	q.Kind, q.Settled = link.Kind, row.AnsweredAt != nil && again
	if q.Notice, err = row.Notice(); err != nil {
		return q, err
	}
	q.Words = d.Words.In(q.Notice.Language)
	if q.Account, err = tx.Account(ctx, q.Notice.Account, false); err != nil {
		return q, err
	}
	q.Today = d.today(q.Account)
	q.Until = q.Today.Add(d.Snooze)
	if q.Notice.Task == coach.SafetyStop && q.Kind == reminder.Later {
		return q, errStop
	}
	if q.coach, _, err = tx.Coach(ctx, q.Account.ID, q.Notice.Coach); err != nil {
		return q, err
	}
	if p := q.person(); p != nil {
		q.Units = p.Units
	}
	shop, err := tx.Workshop(ctx, q.Account.ID)
	if err != nil {
		return q, err
	}
	q.Agreed = nextAgreed(shop, q.coach.ID, q.Today)
	return q, d.ended(ctx, tx, &q)
}

// ended notes what ends a link. A notice about a lot outlives a sale, and stopping is
// always possible.
func (d *Desk) ended(ctx context.Context, tx *store.Tx, q *Question) error {
	if q.Kind == reminder.Stop || q.Kind == reminder.Restart || q.Notice.IsLot() {
		return nil
	}
	said, err := d.soldSaid(ctx, tx, &q.coach, q.Account.ID, q.Today)
	if err != nil {
		return err
	}
	if q.Kind == reminder.NotSold {
		q.Settled = q.coach.Sold == 0
		if q.coach.Sold != 0 && !said {
			return errSaleStands
		}
		return nil
	}
	if q.coach.Sold != 0 && q.coach.Sold <= q.Today {
		q.Sold = q.coach.Sold
		if said {
			q.Undo = d.undoLink(reminder.NotSold, q.Notice.LinkID, q.Sold+undoDays)
		}
		return nil
	}
	q.Others = q.person() == nil
	return nil
}

// soldSaid reports whether one of a coach's people said so lately that it was sold that
// they may take it back. What the shop has recorded only the shop takes back.
func (d *Desk) soldSaid(
	ctx context.Context,
	tx *store.Tx,
	c *coach.Coach,
	id coach.AccountID,
	today civil.Date,
) (bool, error) {
	rs, err := tx.Reports(ctx, id, c.ID)
	return slices.ContainsFunc(rs, func(r store.Report) bool {
		return r.Kind == string(reminder.Sold) && r.Day == c.Sold.String() && today <= c.Sold+undoDays
	}), err
}

func (d *Desk) undoLink(k reminder.AnswerKind, linkID string, last civil.Date) string {
	return "/a/" + d.Signer.Token(k, linkID, last)
}

// person returns who is asked, as the coach's record has them; nil: they are none of its
// people.
func (q *Question) person() *coach.Person {
	k := slices.IndexFunc(q.coach.People, func(p coach.Person) bool { return p.Email == q.Notice.Person })
	if k < 0 {
		return nil
	}
	return &q.coach.People[k]
}

// nextAgreed returns the next day that is agreed for a coach.
func nextAgreed(shop *coach.Workshop, c coach.ID, today civil.Date) (next *coach.Pin) {
	for _, p := range shop.Agreed() {
		if p.Coach == c && p.Day >= today && (next == nil || p.Day < next.Day) {
			next = &p
		}
	}
	return next
}

// Answer does what a link says, with what the person added. Doing it twice changes
// nothing more and makes no second event.
func (d *Desk) Answer(ctx context.Context, token string, details Details) (q Question, err error) {
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		if q, err = d.ask(ctx, tx, token); err != nil {
			return err
		}
		// From here on no pass runs and nobody else answers. What was said before this
		// transaction had its turn is read anew.
		if _, err := tx.Account(ctx, q.Account.ID, true); err != nil {
			return err
		}
		if q, err = d.ask(ctx, tx, token); err != nil || q.Ended() {
			return err
		}
		x, err := details.read(d, &q)
		if err != nil {
			return err
		}
		var news bool
		switch q.Kind {
		case reminder.Stop:
			q.Undo = d.undoLink(reminder.Restart, q.Notice.LinkID, q.Today+linkDays)
			news, err = d.stop(ctx, tx, q)
		case reminder.NotSold, reminder.Restart:
			news, err = d.undo(ctx, tx, &q)
		case reminder.Sold, reminder.Moved:
			q.Where = x.where
			if q.Kind == reminder.Sold {
				q.Undo = d.undoLink(reminder.NotSold, q.Notice.LinkID, q.Today+undoDays)
			}
			news, err = d.ofCoach(ctx, tx, &q, x)
		default:
			news, err = d.answer(ctx, tx, &q, x)
		}
		if err != nil || !news {
			return err
		}
		return tx.AddEvents(ctx, q.Account.ID, answered(q))
	})
	return q, err
}

// undo takes back that a coach was sold, or that a person wants no reminders. What was
// withdrawn for it comes again with the next pass if it is still due.
func (d *Desk) undo(ctx context.Context, tx *store.Tx, q *Question) (changed bool, err error) {
	n, what := q.Notice, "not sold after all"
	if q.Kind == reminder.NotSold {
		changed, err = tx.DropReport(ctx, n.Account, n.Coach, reminder.Sold)
	} else {
		what = "reminders on again"
		var outs map[string]bool
		if outs, err = tx.OptOuts(ctx, n.Account); err == nil && outs[n.Person] {
			changed, err = true, tx.OptIn(ctx, n.Account, n.Person)
		}
	}
	if err != nil || !changed {
		return false, err
	}
	return true, tx.AddAudit(ctx, n.Account, n.Person, what, string(n.Coach), "by a link")
}

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
		h.Kind, h.Data["place"] = "coach.moved", q.Where
	case reminder.NotSold:
		h.Kind = "coach.transfer_undone"
	case reminder.Restart:
		h.Kind = "notice.opted_in"
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
func (d *Desk) answer(ctx context.Context, tx *store.Tx, q *Question, x detailed) (news bool, err error) {
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
	if q.Product = x.class; x.class == Petroleum {
		if err := d.tellPetroleum(ctx, tx, q); err != nil {
			return false, err
		}
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
	ctx context.Context, tx *store.Tx, q *Question, a reminder.Answer, run string, x detailed,
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
	q.Day = x.day
	s.Slide, s.Run = slideRun(run) // "galley/outer/top", or a slide alone
	return false, tx.AddService(ctx, n.Account, n.Coach, s)
}
