package desk

import (
	"context"
	"crypto/sha256"
	"fmt"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// PersonError is a failure that is told to somebody without a sign-in here, in their
// language.
type PersonError struct {
	error
	Sentence, Hint wording.Text
}

// Unwrap returns the same in English.
func (e *PersonError) Unwrap() error { return e.error }

func forPerson(kind fault.Kind, sentence, hint wording.Text) *PersonError {
	return &PersonError{fault.New(kind, sentence.String(), hint.String()), sentence, hint}
}

var (
	errLink error = forPerson(fault.NotFound, wording.Say("This link is not valid, or not any more."),
		wording.Say("Use the newest message, or call or write to the shop."))
	errSaleStands error = forPerson(fault.Conflict, wording.Say("This sale cannot be undone here any more."),
		wording.Say("If the coach is still yours, call or write to the shop."))
)

// Greeting is how somebody is spoken to whose link does not work, as far as it is known.
type Greeting struct {
	Shop  *coach.Account // nil: not known
	Words *wording.Words // nil: not known
}

// Greet finds out from a link that does not work who may hold it: a signed link that is
// out of date names its notice. Where one shop alone is served, it is that shop's.
func (d *Desk) Greet(ctx context.Context, token string) (g Greeting) {
	_ = d.DB.View(ctx, func(tx *store.Tx) error { // only makes a page of errors friendlier
		id, ok := d.Signer.LinkID(token)
		if row, err := tx.NoticeByLink(ctx, id); ok && err == nil {
			if a, err := tx.Account(ctx, coach.AccountID(row.Account), false); err == nil {
				g.Shop, g.Words = &a, d.Words.In(row.Language)
			}
			return nil
		}
		if all, err := tx.Accounts(ctx); err == nil && len(all) == 1 {
			g.Shop = &all[0]
		}
		return nil
	})
	return g
}

// day says a day to the shop.
func day(d civil.Date) string { return wording.Say("%s", wording.Date{Day: d}).String() }

// lines are what the shop reads about who said something of which coach.
func (d *Desk) lines(q *Question, more ...[2]string) string {
	n := q.Notice
	out := [][2]string{{"Person", fmt.Sprintf("%s <%s>", n.PersonName, n.Person)}}
	if p := q.person(); p != nil && p.Phone != "" {
		out = append(out, [2]string{"Phone", p.Phone})
	}
	name := string(n.Coach)
	if label := q.coach.Name(); label != name {
		name = label + " (" + name + ")"
	}
	out = append(out, [2]string{"Coach", name})
	out = append(out, more...)
	if q.Agreed != nil {
		agreed := day(q.Agreed.Day)
		if q.Agreed.At > 0 {
			agreed += " at " + ClockText(q.Agreed.At)
		}
		out = append(out, [2]string{"Agreed", agreed})
	}
	out = append(out, [2]string{"Page", d.Signer.BaseURL + "/coach/" + string(n.Coach)})
	var b strings.Builder
	for _, l := range out {
		if l[1] != "" {
			fmt.Fprintf(&b, "%-9s%s\n", l[0]+":", l[1])
		}
	}
	return b.String()
}

// edges says all edges that a message was about.
func (q *Question) edges() string {
	var tasks []*plan.Task
	for _, key := range q.Notice.Covers {
		if _, run, ok := reminder.Covered(key, q.Notice.Task); ok && run != "" {
			slide, _ := slideRun(run)
			tasks = append(tasks, &plan.Task{Kind: q.Notice.Task, Slide: slide, Run: run})
		}
	}
	return reminder.Where(nil, &q.coach, tasks)
}

// title says in English what a message was about.
func (d *Desk) title(q *Question) string {
	if d.Titles != nil && !q.Notice.IsLot() {
		if t := d.Titles(q.Notice.Task); t != "" {
			return t
		}
	}
	return q.Notice.Subject
}

// tellShop writes to the shop that somebody asks for an appointment, cannot come, or
// wants to be called about a danger.
func (d *Desk) tellShop(ctx context.Context, tx *store.Tx, q *Question) error {
	if q.Account.Email == "" {
		return nil // the page of calls shows it
	}
	n, name := q.Notice, q.coach.Name()
	subject := "Appointment asked for: " + name + ": " + d.title(q)
	first := fmt.Sprintf("%s asks for an appointment.", n.PersonName)
	more := [][2]string{{"About", d.title(q)}, {"Where", q.edges()}, {"Due by", day(n.Target)}, {"Because", n.Why}}
	last := "All who wait for an answer: " + d.Signer.BaseURL + "/calls"
	switch n.Task {
	case coach.BookedVisit:
		subject = fmt.Sprintf("Cannot come on %s: %s", day(n.Target), name)
		first = fmt.Sprintf("%s cannot come on %s and needs another day.", n.PersonName, day(n.Target))
		more = nil
		last = "The day stays agreed until you change or cancel it on the coach's page."
	case coach.SafetyStop:
		subject = "Safety stop, please call: " + name
		first = fmt.Sprintf(
			"%s answered the safety stop and wants a call. This slide must not be used until it is checked.",
			n.PersonName,
		)
		more = [][2]string{{"Where", q.edges()}, {"Because", n.Why}}
	}
	return d.toShop(ctx, tx, q.Account, sha256.Sum256([]byte("book|"+n.Key)), reminder.Notice{
		Key: "book|" + n.Key, Coach: n.Coach, Task: n.Task, TaskKey: "shop|" + n.TaskKey, Run: n.Run, Target: n.Target,
		Why: n.Why, ReplyTo: n.Person, Subject: oneLine(subject, 200),
		Text: first + "\n\n" + d.lines(q, more...) + "\nAnswer this mail to write to them. " + last + "\n",
	})
}

// tellPetroleum tells the shop that something stands on seals that can swell or soften
// them.
func (d *Desk) tellPetroleum(ctx context.Context, tx *store.Tx, q *Question) error {
	row, err := tx.NoticeByKey(ctx, q.Account.ID, q.Notice.Key)
	if err != nil {
		return err
	}
	text := q.Notice.PersonName + " put something with petroleum, grease or solvent on the seals. " +
		"Our page asked them to wash it off with mild soap and water.\n\n" + d.lines(q, [2]string{"Where", q.edges()}) +
		"\nCall them, and look at the seals when the coach comes.\n"
	return d.tell(
		ctx,
		tx,
		q.Account,
		row,
		"petroleum",
		"Petroleum or solvent on the seals: "+q.coach.Name(),
		text,
		q.Notice.Person,
	)
}
