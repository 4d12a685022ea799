// Package desk is everything a person can do: import coaches, answer a message,
// look at the state of things. Each action checks that it is allowed.
//
// It imports cycle, store, intake and the packages below; web, api, demo and cli
// call it, never the store itself.
package desk

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"html"
	"maps"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// Desk acts on one store.
type Desk struct {
	DB         *store.DB
	Signer     *Signer
	Words      *wording.Catalogue // languages; nil: English
	Snooze     int                // days that "not now" lasts
	Now        func() time.Time
	Domain     string          // right side of Message-IDs of mails to the shop
	HooksAllow []string        // hosts that events may be sent to although they lie inside
	Places     *climate.Tables // for coach files written on the pages
	// ToolsFor returns what an account's coaches are dated with; nil: pages that date
	// are off.
	ToolsFor func(ctx context.Context, id coach.AccountID) (cycle.Tools, error)
	Titles   func(coach.TaskKind) string // of tasks, in English; nil: their words
	// Replan asks for a new plan of an account soon; nil: the nightly pass makes it.
	Replan func(ctx context.Context, tx *store.Tx, id coach.AccountID) error
	// Enqueue makes the jobs of new notices; nil: upkeep finds them.
	Enqueue func(ctx context.Context, tx *store.Tx, ns []reminder.Notice) error
}

func (d *Desk) replan(ctx context.Context, tx *store.Tx, id coach.AccountID) error {
	if d.Replan == nil {
		return nil
	}
	return d.Replan(ctx, tx, id)
}

// Import stores what was read into an account, all of it or nothing, and tells what of it
// people would hear of. The account must exist or come with the file.
func (d *Desk) Import(ctx context.Context, id coach.AccountID, c intake.Content) (o Outlook, err error) {
	if err := c.Problems.Err(); err != nil {
		return o, err
	}
	tools, err := d.toolsIfAny(ctx, id)
	if err != nil {
		return o, err
	}
	return o, d.DB.Update(ctx, func(tx *store.Tx) error {
		o, err = d.importInto(ctx, tx, tools, id, c)
		return err
	})
}

// TryImport does what Import does and stores nothing: what Import would refuse, it
// refuses. Where the account is missing the rest is tried all the same, and known is
// false.
func (d *Desk) TryImport(ctx context.Context, id coach.AccountID, c intake.Content) (o Outlook, known bool, err error) {
	if err := c.Problems.Err(); err != nil {
		return o, false, err
	}
	tools, err := d.toolsIfAny(ctx, id)
	if err != nil {
		return o, false, err
	}
	errTried := errors.New("tried") // ends the transaction without a commit
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		free, err := tx.Empty(ctx, id)
		if err != nil {
			return err
		}
		if known = !free || c.Shop != nil; !known {
			if err := addAccount(ctx, tx, coach.Account{ID: id}); err != nil {
				return err
			}
		}
		if o, err = d.importInto(ctx, tx, tools, id, c); err != nil {
			return err
		}
		return errTried
	})
	if errors.Is(err, errTried) {
		err = nil
	}
	return o, known, err
}

func (d *Desk) importInto(
	ctx context.Context, tx *store.Tx, tools *cycle.Tools, id coach.AccountID, c intake.Content,
) (o Outlook, err error) {
	if c.Shop != nil {
		shop := *c.Shop
		shop.ID = id
		if err := addAccount(ctx, tx, shop); err != nil {
			return o, err
		}
	}
	account, err := tx.Account(ctx, id, true)
	if err != nil {
		return o, err
	}
	today := d.today(account)
	if err := keepWorkshop(ctx, tx, id, c.Workshop, today); err != nil {
		return o, err
	}
	cs, err := d.onto(ctx, tx, id, today, c)
	if err != nil {
		return o, err
	}
	if err := keepStops(ctx, tx, id, today, cs); err != nil {
		return o, err
	}
	if err := keepExternals(ctx, tx, id, cs); err != nil {
		return o, err
	}
	if _, err := tx.SaveCoaches(ctx, id, cs); err != nil {
		return o, err
	}
	if err := d.markBatch(ctx, tx, account, cs); err != nil {
		return o, err
	}
	if err := saveBooked(ctx, tx, id, c.BookingFiles, c.Booked); err != nil {
		return o, err
	}
	if o.Paused, err = tx.Quiet(ctx, id); err != nil || tools == nil {
		return o, err
	}
	ids := make([]coach.ID, len(cs))
	for i := range cs {
		ids[i] = cs[i].ID
	}
	if err := o.look(ctx, tx, *tools, id, today, ids); err != nil {
		return o, err
	}
	news, err := d.refreshStops(ctx, tx, *tools, id, ids)
	if err != nil {
		return o, err
	}
	if len(news) > 0 && tools.Links == nil { // the daemon writes to their people
		if err := tx.ForgetPass(ctx, id, today); err != nil {
			return o, err
		}
	}
	return o, tx.AddEvents(ctx, id, news...)
}

// addAccount saves what an account says of itself. A new one begins paused: nobody is
// written to before a person has read what would leave, and started it.
func addAccount(ctx context.Context, tx *store.Tx, a coach.Account) error {
	_, err := tx.Account(ctx, a.ID, false)
	fresh := fault.KindOf(err) == fault.NotFound
	if err != nil && !fresh {
		return err
	}
	if err := tx.SaveAccount(ctx, a); err != nil || !fresh {
		return err
	}
	return tx.SetQuiet(ctx, a.ID, true)
}

// markBatch notes on coaches which import stored them, by its time at the shop.
func (d *Desk) markBatch(ctx context.Context, tx *store.Tx, a coach.Account, cs []coach.Coach) error {
	ids := make([]coach.ID, len(cs))
	for i := range cs {
		ids[i] = cs[i].ID
	}
	return tx.MarkBatch(ctx, a.ID, tx.Now().In(a.Location()).Format("2006-01-02 15:04:05"), ids)
}

// onto returns the coaches of what was read: those of lists upon what is on record, with
// which they must make a sound record.
func (d *Desk) onto(
	ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date, c intake.Content,
) ([]coach.Coach, error) {
	out := slices.Clone(c.Coaches)
	var bad []string
	for i := range out {
		l, listed := c.Listed[out[i].ID]
		if !listed {
			continue
		}
		old, _, err := tx.CoachDoc(ctx, id, out[i].ID)
		if fault.KindOf(err) == fault.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		out[i] = l.Onto(old, out[i], today)
		text, err := intake.Records(d.Places, out[i])
		if err != nil {
			return nil, err
		}
		// Old fittings were confirmed when the record, or this list, was read.
		opt := intake.Options{Today: today, Places: d.Places, ConfirmOld: true}
		whole := intake.ReadTrees(opt, []intake.Text{intake.TextOf(text[0])})[0]
		for _, line := range whole.Problems.Wrong().Lines() {
			bad = append(bad, strings.TrimPrefix(line, "item 0: "))
		}
	}
	if len(bad) > 0 {
		return nil, fault.New(fault.Invalid, "with what is on record the list does not fit: "+strings.Join(bad, "; "),
			"Correct the list or the record. Nothing was stored.")
	}
	return out, nil
}

// saveBooked stores the bookings that came beside the coaches. Each file replaces
// what it said before, also when it says nothing now.
func saveBooked(
	ctx context.Context, tx *store.Tx, id coach.AccountID, files []string, booked map[coach.ID][]coach.Booking,
) error {
	for _, f := range files {
		if err := tx.DropBookings(ctx, id, f); err != nil {
			return err
		}
	}
	for _, c := range slices.Sorted(maps.Keys(booked)) {
		by := map[string][]coach.Booking{}
		for _, b := range booked[c] {
			by[b.Source] = append(by[b.Source], b)
		}
		for _, source := range slices.Sorted(maps.Keys(by)) {
			if err := tx.SaveBookings(ctx, id, c, source, by[source]); err != nil {
				return err
			}
		}
	}
	return nil
}

// today is the shop's day: what an owner says is dated by it.
func (d *Desk) today(a coach.Account) civil.Date {
	return civil.FromTime(d.Now().In(a.Location()))
}

// toShop sends a mail to the shop at once; sum makes its identity, so that the same
// thing is not told twice.
func (d *Desk) toShop(ctx context.Context, tx *store.Tx, a coach.Account, sum [32]byte, m reminder.Notice) error {
	return d.enqueue(ctx, tx, a, d.letter(tx, a, sum, m))
}

// letter completes a mail that is no reminder; it goes to the shop unless its person
// is changed.
func (d *Desk) letter(tx *store.Tx, a coach.Account, sum [32]byte, m reminder.Notice) reminder.Notice {
	m.Account, m.Person, m.PersonName, m.From, m.NotBefore = a.ID, a.Email, a.Name, a.Name, tx.Now()
	m.LinkID = hex.EncodeToString(sum[:16])
	m.MessageID = "<" + m.LinkID + "@" + d.Domain + ">"
	m.HTML = "<pre style=\"white-space: pre-wrap; font: 16px/1.5 Georgia, serif\">" + html.EscapeString(m.Text) + "</pre>"
	return m
}

func (d *Desk) enqueue(ctx context.Context, tx *store.Tx, a coach.Account, m reminder.Notice) error {
	added, err := tx.AddNotices(ctx, d.today(a), []reminder.Notice{m})
	if err != nil || d.Enqueue == nil {
		return err
	}
	return d.Enqueue(ctx, tx, added)
}

// Resume switches a person's reminders on again, also after an address was found
// not to work.
func (d *Desk) Resume(ctx context.Context, id coach.AccountID, person string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		good, err := tx.MarkGood(ctx, id, person)
		if err != nil {
			return err
		}
		outs, err := tx.OptOuts(ctx, id)
		said, e := tx.DropReports(ctx, id, person)
		if err == nil {
			err = e
		}
		if err != nil || (good || said > 0) && !outs[person] {
			return err
		}
		if !outs[person] {
			return fault.New(fault.NotFound, fmt.Sprintf("%s has not stopped the reminders of account %q", person, id),
				"Write the address as it stands in the coach file, in lower case.")
		}
		return tx.OptIn(ctx, id, person)
	})
}

// Care reports whether "done" alone re-dates a kind of task. A replacement needs
// the new part's particulars, which the shop records.
func Care(k coach.TaskKind) bool {
	switch k {
	case coach.Clean, coach.Lubricate, coach.Exercise, coach.Inspect, coach.WaterTest:
		return true
	}
	return false
}

// Status is what an operator sees at a glance; it names no person.
type Status struct {
	Store  string
	Passes []store.PassRow
	Counts map[reminder.State]int
	Oldest time.Time // when the oldest open notice was due; zero: none is open
}

// Status reads the state of the store.
func (d *Desk) Status(ctx context.Context) (s Status, err error) {
	s.Store = d.DB.Name()
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if s.Passes, err = tx.Passes(ctx); err != nil {
			return err
		}
		s.Counts, s.Oldest, err = tx.Counts(ctx)
		return err
	})
	return s, err
}

// Notices returns an account's newest notices.
func (d *Desk) Notices(ctx context.Context, id coach.AccountID, most int) (rows []store.NoticeRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err = tx.Notices(ctx, id, most)
		return err
	})
	return rows, err
}
