package desk

import (
	"context"
	"fmt"
	"slices"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// Pin agrees on a day with a coach's people: the plan keeps it, they are reminded of
// it, and nothing else is asked of them for what is done then. was is the day it
// replaces; 0: a new one. at is the time in minutes after midnight; 0: any. A day of 0 takes was back.
func (d *Desk) Pin(ctx context.Context, id coach.AccountID, by string, c coach.ID, was, day civil.Date, at int) error {
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
		today := d.today(a)
		if was == 0 && day == 0 {
			return fault.New(fault.Invalid, "no day was chosen to be cancelled", "Choose the day first.")
		}
		if day != 0 && (day < today || day > today.Add(2*365)) {
			return fault.New(fault.Invalid, fmt.Sprintf("%s is not a day of the next two years", day), "Give a day from today on.")
		}
		shop, err := tx.Workshop(ctx, id)
		if err != nil {
			return err
		}
		if shop == nil {
			shop = &coach.Workshop{Travel: -1}
		}
		pins, found := movePin(shop.Pins, c, was, day, at)
		if was != 0 && !found {
			return fault.New(fault.Conflict, fmt.Sprintf("%s is not agreed for %s any more", c, was), "Somebody changed it meanwhile; look again.")
		}
		if was == 0 && slices.ContainsFunc(shop.Pins, func(p coach.Pin) bool { return p.Coach == c && p.Day == day && p.At == at }) {
			return nil // asked twice
		}
		if k := slices.IndexFunc(shop.Pins, func(p coach.Pin) bool {
			return p.Coach == c && p.Day != was && day != 0 && p.Day.Monday() == day.Monday()
		}); k >= 0 {
			return fault.New(fault.Conflict, fmt.Sprintf("%s comes already on %s", c, shop.Pins[k].Day.Long()), "Move that day instead: one day a week for a coach.")
		}
		shop.Pins = pins
		if err := tx.SaveWorkshop(ctx, id, shop); err != nil {
			return err
		}
		what := "agreed a day"
		if day == 0 {
			what = "cancelled a day"
		}
		if err := tx.AddAudit(ctx, id, by, what, string(c), was.String()+" "+day.String()); err != nil {
			return err
		}
		if err := d.replan(ctx, tx, id); err != nil {
			return err
		}
		h := store.Happened{Kind: "visit.booked", Coach: c, Data: map[string]any{"day": day}}
		if at > 0 {
			h.Data["time"] = ClockText(at)
		}
		switch {
		case day == 0:
			h = store.Happened{Kind: "visit.cancelled", Coach: c, Data: map[string]any{"day": was}}
		case was != 0:
			h.Kind, h.Data["was"] = "visit.moved", was
		}
		return d.settle(ctx, tx, tools, id, c, h)
	})
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

func movePin(pins []coach.Pin, c coach.ID, was, day civil.Date, at int) (out []coach.Pin, found bool) {
	task := coach.TaskKind("")
	for _, p := range pins {
		if p.Coach == c && p.Day == was && was != 0 {
			found, task = true, p.Task
			continue
		}
		out = append(out, p)
	}
	if day != 0 {
		out = append(out, coach.Pin{Coach: c, Day: day, Task: task, At: at})
	}
	return out, found
}
