package desk

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Requests returns what an account's people wait for: bookings asked for in the
// last 90 days, as long as no day is agreed, and the call list: every safety stop until
// its people were reached, and everybody whom no message tells of a task that is due.
func (d *Desk) Requests(ctx context.Context, id coach.AccountID) (out []store.Request, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err == nil {
			out, err = waiting(ctx, tx, id, d.today(a))
		}
		return err
	})
	return out, err
}

func waiting(ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date) ([]store.Request, error) {
	rows, err := tx.Requests(ctx, id, today-90)
	if err != nil {
		return nil, err
	}
	moves, err := moved(ctx, tx, id)
	if err != nil {
		return nil, err
	}
	rows = append(rows, moves...)
	shop, err := tx.Workshop(ctx, id)
	if err != nil {
		return nil, err
	}
	known := map[coach.ID]*coach.Coach{}
	var out []store.Request
	for _, q := range rows {
		name := coach.ID(q.Coach)
		c, ok := known[name]
		if !ok {
			found, _, err := tx.Coach(ctx, id, name)
			if err != nil && fault.KindOf(err) != fault.NotFound {
				return nil, err
			}
			c = &found
			known[name] = c
		}
		if settled(q, c, shop, today) {
			continue
		}
		if q.Reason != StopCall {
			out = append(out, named(q, c))
			continue
		}
		stops, err := stopCalls(ctx, tx, id, q, c, today)
		if err != nil {
			return nil, err
		}
		out = append(out, stops...)
	}
	last, err := tx.LastMessages(ctx, id, slices.Collect(maps.Keys(known)))
	if err != nil {
		return nil, err
	}
	for i := range out {
		out[i].Last = last[[2]string{out[i].Coach, out[i].Person}]
	}
	return out, nil
}

// StopCall is the reason of a call about a safety stop.
const StopCall = "safety_stop"

// stopCalls gives a stop one call for each of the coach's people who was not reached yet,
// or one for nobody when no person is on record.
func stopCalls(
	ctx context.Context, tx *store.Tx, id coach.AccountID, q store.Request, c *coach.Coach, today civil.Date,
) ([]store.Request, error) {
	if c.Sold != 0 && c.Sold <= today {
		return nil, nil
	}
	calls, err := tx.Calls(ctx, id, coach.ID(q.Coach))
	if err != nil {
		return nil, err
	}
	people := c.People
	if len(people) == 0 {
		people = []coach.Person{{}}
	}
	var out []store.Request
	for _, p := range people {
		reached := slices.ContainsFunc(calls[coach.ID(q.Coach)], func(x reminder.Call) bool {
			return x.TaskKey == q.TaskKey && x.Person == p.Ref() && x.Outcome == reminder.CallReached
		})
		if !reached {
			q.Person = p.Ref()
			out = append(out, named(q, c))
		}
	}
	return out, nil
}

// named adds what the coach's record says of a request's person.
func named(q store.Request, c *coach.Coach) store.Request {
	q.Label = c.Name()
	k := slices.IndexFunc(c.People, func(p coach.Person) bool { return q.Person != "" && p.Ref() == q.Person })
	if k >= 0 {
		q.Name, q.Phone, q.Speaks = c.People[k].Name, c.People[k].Phone, c.People[k].Language
	}
	return q
}

// Called records what came of a call to a person about tasks of a coach: they were
// reached, or the shop will call instead of writing. Messages to the person about these
// tasks that have not left are withdrawn.
func (d *Desk) Called(
	ctx context.Context, id coach.AccountID, by string, c coach.ID, person string, keys []string,
	outcome reminder.CallOutcome, note string,
) error {
	if outcome != reminder.CallReached && outcome != reminder.PhoneOnly {
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not an outcome of a call", outcome),
			"Outcomes: reached, by_phone.")
	}
	if len(keys) == 0 {
		return fault.New(fault.Invalid, "the call names no task", "Name the tasks that the call was about.")
	}
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		record, _, err := tx.CoachDoc(ctx, id, c)
		if err != nil {
			return err
		}
		if person != "" && !slices.ContainsFunc(record.People, func(p coach.Person) bool { return p.Ref() == person }) {
			return fault.New(fault.NotFound, fmt.Sprintf("%s has no person %q", c, person),
				"Open the coach again: its people have changed.")
		}
		for _, key := range keys {
			if _, err := tx.TaskByKey(ctx, id, c, key); err != nil {
				if fault.KindOf(err) == fault.NotFound {
					return fault.New(fault.NotFound, fmt.Sprintf("%s has no task %q any more", c, key),
						"Open the list of calls again.")
				}
				return err
			}
			x := reminder.Call{Person: person, TaskKey: key, Outcome: outcome, Day: d.today(a)}
			if err := tx.SetCall(ctx, id, c, x, oneLine(note, 500), by); err != nil {
				return err
			}
		}
		what := map[reminder.CallOutcome]string{reminder.CallReached: "reached by phone",
			reminder.PhoneOnly: "will call"}[outcome]
		if err := tx.AddAudit(ctx, id, by, what, string(c), strings.TrimSuffix(person+": "+oneLine(note, 200),
			": ")); err != nil {
			return err
		}
		return d.settle(ctx, tx, tools, id, c)
	})
}

// SendStop lets the message about a danger leave that waits for the shop to look at it
// first: now, or in the morning when its person sleeps.
func (d *Desk) SendStop(
	ctx context.Context, id coach.AccountID, by string, c coach.ID, word string,
) (morning bool, err error) {
	row, err := d.Find(ctx, id, word)
	if err != nil {
		return false, err
	}
	return morning, d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		record, _, err := tx.CoachDoc(ctx, id, c)
		if err != nil {
			return err
		}
		k := slices.IndexFunc(record.People, func(p coach.Person) bool { return p.Email == row.Person })
		if row.Task != string(coach.SafetyStop) || row.Coach != string(c) || k < 0 {
			return fault.New(fault.Conflict, "this message is not about a danger on this coach", "Open the coach again.")
		}
		at := reminder.StopTimeFor(&a, &record, &record.People[k], d.today(a), tx.Now())
		morning = at.After(tx.Now())
		n, ok, err := tx.Hurry(ctx, id, row.Key, at)
		if err != nil {
			return err
		}
		if !ok {
			return fault.New(fault.Conflict, "this message has left already, or was withdrawn", "Open the coach again.")
		}
		if err := tx.AddAudit(ctx, id, by, "sent the safety message", row.Coach, row.Person); err != nil || d.Enqueue == nil {
			return err
		}
		return d.Enqueue(ctx, tx, []reminder.Notice{n})
	})
}

// settled reports whether nobody waits any more: a day is agreed, the work was done on
// the day of the answer or later, or the danger is over.
func settled(q store.Request, c *coach.Coach, shop *coach.Workshop, today civil.Date) bool {
	kind, address, _ := strings.Cut(q.TaskKey, "|")
	address, _, _ = strings.Cut(address, "|")
	slide, run := slideRun(address)
	said, err := civil.Parse(q.Day)
	if q.Kind == "call" || err != nil || kind == "lot" || kind == string(coach.BookedVisit) {
		return false
	}
	if q.Kind == "book" && nextAgreed(shop, coach.ID(q.Coach), today) != nil {
		return true
	}
	if kind == string(coach.SafetyStop) {
		_, held := c.DangerOn(slide, today)
		return !held
	}
	if coach.TaskKind(kind).Renews() && renewed(c, slide, run, said) {
		return true
	}
	return slices.ContainsFunc(c.Services, func(s coach.Service) bool {
		return s.By == "shop" && s.Day >= said && s.Covers(slide, run) &&
			(string(s.Kind) == kind || s.Kind == coach.ReplaceSeal && coach.TaskKind(kind).Renews())
	})
}

// renewed reports whether a run carries a part that was fitted on a day or later.
func renewed(c *coach.Coach, slide coach.SlideID, run string, since civil.Date) bool {
	s := c.FindSlide(slide)
	return s != nil && slices.ContainsFunc(s.Runs, func(r coach.Run) bool {
		return (run == "" || r.Key() == run) && slices.ContainsFunc(r.Parts, func(p coach.Part) bool {
			return p.Fitted >= since
		})
	})
}
