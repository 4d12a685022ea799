package desk

import (
	"context"
	"fmt"
	"slices"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// DayChange is what is to become of a day on which a coach comes.
type DayChange struct {
	Was      civil.Date // the day it replaces; 0: a new one
	Day      civil.Date // 0: Was is given up
	At       int        // minutes after midnight; 0: any time
	Planned  bool       // only the plan changes: nobody was asked, and nobody is reminded of the day
	Week     bool       // with Planned: any open day of the week that begins with Day
	ClosedOK bool       // also on a day on which the shop is closed
}

// ClosedError tells that the shop is closed on a day somebody chose.
type ClosedError struct {
	error
	Weekday time.Weekday
}

// Unwrap returns the sentence and the hint.
func (e *ClosedError) Unwrap() error { return e.error }

// check refuses what cannot be and finds the day of a week.
func (m *DayChange) check(shop *coach.Workshop, today civil.Date) error {
	if m.Was == 0 && m.Day == 0 {
		return fault.New(fault.Invalid, "there is no day to cancel", "Choose the day first.")
	}
	if m.Day == 0 {
		return nil
	}
	if m.Week {
		last := m.Day.Monday().Add(6)
		m.Day = max(m.Day.Monday(), today)
		for m.Day <= last && !shop.Opens(m.Day.Weekday()) {
			m.Day++
		}
		if m.Day > last {
			return fault.New(fault.Invalid, "the shop is not open any more in that week", "Choose a later week.")
		}
	}
	if m.Day < today || m.Day > today.Add(2*365) {
		return fault.New(
			fault.Invalid,
			fmt.Sprintf("%s is not a day of the next two years", m.Day),
			"Give a day from today on.",
		)
	}
	if wd := m.Day.Weekday(); !shop.Opens(wd) && !m.ClosedOK {
		return &ClosedError{
			fault.New(
				fault.Invalid,
				"the shop is closed on "+wd.String()+"s",
				"Choose another day, or say that the closed day is meant (closed_ok).",
			),
			wd,
		}
	}
	return nil
}

// Pin agrees on a day with a coach's people: the plan keeps it, they are reminded of
// it, and nothing else is asked of them for what is done then. A day that is only
// planned is kept by the plan and told to nobody.
func (d *Desk) Pin(ctx context.Context, id coach.AccountID, by string, c coach.ID, m DayChange) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		if _, _, err := tx.CoachDoc(ctx, id, c); err != nil {
			return err
		}
		shop, err := tx.Workshop(ctx, id)
		if err != nil {
			return err
		}
		if shop == nil {
			shop = &coach.Workshop{Travel: -1}
		}
		if err := m.check(shop, d.today(a)); err != nil {
			return err
		}
		vs, err := visits(ctx, tx, id, c, d.today(a).String(), "9999")
		if err != nil {
			return err
		}
		was, changed, err := m.apply(shop, c, d.today(a), vs)
		if err != nil || !changed {
			return err
		}
		if err := tx.SaveWorkshop(ctx, id, shop); err != nil {
			return err
		}
		what, news := m.happened(c, was)
		if err := tx.AddAudit(ctx, id, by, what, string(c), m.Was.String()+" "+m.Day.String()); err != nil {
			return err
		}
		if err := d.replan(ctx, tx, id); err != nil {
			return err
		}
		return d.settle(ctx, tx, tools, id, c, news...)
	})
}

// apply changes the days of a shop. was is the day it replaced, agreed or planned; an
// empty one: it is new.
func (m *DayChange) apply(
	shop *coach.Workshop,
	c coach.ID,
	today civil.Date,
	plan []season.Visit,
) (was coach.Pin, changed bool, err error) {
	inPlan := func(day civil.Date) bool {
		return slices.ContainsFunc(plan, func(v season.Visit) bool { return v.Day == day })
	}
	var rest []coach.Pin
	for _, p := range shop.Pins {
		switch {
		case p.Coach == c && p.Day == m.Was && m.Was != 0:
			was = p
		case p.Planned && (p.Day < today || p.Coach == c && m.Day != 0 && p.Day.Monday() == m.Day.Monday()):
			// It is over, or this day takes its place.
		case p.Planned && p.Coach == c && m.Week && !inPlan(p.Day):
			// The visit is dragged once more before the plan was made anew.
		default:
			rest = append(rest, p)
		}
	}
	next := coach.Pin{Coach: c, Day: m.Day, Task: was.Task, At: m.At, Planned: m.Planned}
	if was.Day != 0 && !was.Planned {
		next.Name = was.VisitName()
	}
	same := func(p coach.Pin) bool { p.Name = next.Name; return p == next }
	sameWeek := func(p coach.Pin) bool { return p.Coach == c && m.Day != 0 && p.Day.Monday() == m.Day.Monday() }
	switch k := slices.IndexFunc(rest, sameWeek); {
	case m.Was != 0 && was.Day == 0:
		return was, false, fault.New(
			fault.Conflict,
			fmt.Sprintf("%s is not agreed for %s any more", c, m.Was),
			"Somebody changed it meanwhile; look again.",
		)
	case m.Planned && was.Day != 0 && !was.Planned:
		return was, false, fault.New(
			fault.Conflict,
			fmt.Sprintf("%s is agreed with the people of %s", was.Day.Long(), c),
			"Call them first, then agree the new day or cancel this one.",
		)
	case k >= 0 && m.Was == 0 && same(rest[k]):
		return was, false, nil // asked twice
	case k >= 0:
		return was, false, fault.New(
			fault.Conflict,
			fmt.Sprintf("%s comes already on %s", c, rest[k].Day.Long()),
			"Move that day instead: one day a week for a coach.",
		)
	}
	if shop.Pins = rest; m.Day != 0 {
		shop.Pins = nameVisits(append(shop.Pins, next))
	}
	return was, true, nil
}

// happened says what a change was, for the list of changes and for programs. Plans are
// no news to programs: the next plan tells its visits.
func (m *DayChange) happened(c coach.ID, was coach.Pin) (what string, news []store.Happened) {
	agreed := was.Day != 0 && !was.Planned
	switch {
	case m.Planned:
		return "planned a day", nil
	case m.Day == 0 && !agreed:
		return "gave up a planned day", nil
	case m.Day == 0:
		return "canceled a day", []store.Happened{
			{Kind: "visit.cancelled", Coach: c, Data: map[string]any{"day": m.Was}},
		}
	}
	h := store.Happened{Kind: "visit.booked", Coach: c, Data: map[string]any{"day": m.Day}}
	if m.At > 0 {
		h.Data["time"] = ClockText(m.At)
	}
	if agreed {
		h.Kind, h.Data["was"] = "visit.moved", m.Was
	}
	return "agreed a day", []store.Happened{h}
}

// ClockText shows minutes after midnight as HH:MM.
func ClockText(at int) string { return fmt.Sprintf("%02d:%02d", at/60, at%60) }

// Clock reads HH:MM as minutes after midnight; "" is 0, any time.
func Clock(s string) (int, error) {
	if s == "" {
		return 0, nil
	}
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("%q is not a time of day", s), "Write HH:MM, such as 09:30.")
	}
	return t.Hour()*60 + t.Minute(), nil
}

// nameVisits gives a pin another name when one before it, which moved away, has the name
// of its day.
func nameVisits(pins []coach.Pin) []coach.Pin {
	taken := map[string]bool{}
	for i := range pins {
		p := &pins[i]
		for n := 2; taken[p.VisitName()]; n++ {
			p.Name = fmt.Sprintf("%s-%s-%d", p.Coach, p.Day, n)
		}
		taken[p.VisitName()] = true
	}
	return pins
}
