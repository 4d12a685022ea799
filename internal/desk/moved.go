package desk

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// moved returns the coaches of which somebody says that they stand elsewhere, as
// requests: the shop accepts the new place, or knows better.
func moved(ctx context.Context, tx *store.Tx, id coach.AccountID) (out []store.Request, err error) {
	rs, err := tx.Reports(ctx, id, "")
	for _, r := range rs {
		if r.Kind == string(reminder.Moved) {
			out = append(
				out,
				store.Request{
					Coach:   r.Coach,
					Person:  r.Person,
					TaskKey: "moved||",
					Kind:    r.Kind,
					Day:     r.Day,
					Place:   r.Note,
				},
			)
		}
	}
	return out, err
}

// AcceptMove lets a coach stand at a place from a day on, as its people said: the new stay
// has the shelter and the use of the one before. A place of "" drops what they said.
func (d *Desk) AcceptMove(
	ctx context.Context,
	id coach.AccountID,
	by string,
	c coach.ID,
	place string,
	since civil.Date,
) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		doc, _, err := tx.CoachDoc(ctx, id, c)
		if err != nil {
			return err
		}
		said, err := tx.DropReport(ctx, id, c, reminder.Moved)
		if err == nil && !said {
			err = fault.New(
				fault.Conflict,
				fmt.Sprintf("nobody reports any more that %s has moved", c),
				"Somebody settled it meanwhile; look at the coach.",
			)
		}
		if err != nil {
			return err
		}
		if place == "" {
			return tx.AddAudit(ctx, id, by, "dropped a move", string(c), "")
		}
		if err := d.move(&doc, place, since, d.today(a)); err != nil {
			return err
		}
		if _, err := tx.SaveCoaches(ctx, id, []coach.Coach{doc}); err != nil {
			return err
		}
		if err := tx.AddAudit(ctx, id, by, "accepted a move", string(c), place+" since "+since.String()); err != nil {
			return err
		}
		if err := d.replan(ctx, tx, id); err != nil {
			return err
		}
		h := saved(c, by)
		h.Data["place"], h.Data["since"] = place, since
		return d.settle(ctx, tx, tools, id, c, h)
	})
}

// move adds a stay. One that began the same day gives way to it; stays that were
// planned for later stay planned.
func (d *Desk) move(c *coach.Coach, place string, since, today civil.Date) error {
	if since > today || since < today.Add(-2*365) {
		return fault.New(
			fault.Invalid,
			fmt.Sprintf("%s is not a day of the last two years", since),
			"Give the day since which it stands there.",
		)
	}
	p, err := d.Places.Lookup(place)
	if err != nil {
		return fault.New(
			fault.Invalid,
			fmt.Sprintf("%q is not a place we know", place),
			"Write a town with its state, province or country, or a ZIP.",
		)
	}
	next, ok := c.StayOn(since)
	if !ok && len(c.Stays) > 0 {
		next = c.Stays[0]
	}
	next.Shelter, next.Rooms = cmp.Or(next.Shelter, coach.Open), cmp.Or(next.Rooms, coach.RoomsIn)
	next.Site = coach.Site{Name: p.Label(), Lat: p.Lat, Lon: p.Lon, Elev: p.Elev, Zone: p.Zone}
	next.From, next.Until, next.External, next.Coastal, next.Heading = since, 0, "", false, -1
	c.Stays = slices.DeleteFunc(c.Stays, func(s coach.Stay) bool { return s.From == since })
	for i := range c.Stays {
		switch s := &c.Stays[i]; {
		case s.From < since && (s.Until == 0 || s.Until >= since):
			s.Until = since - 1
		case s.From > since && (next.Until == 0 || s.From <= next.Until):
			next.Until = s.From - 1
		}
	}
	c.Stays = append(c.Stays, next)
	slices.SortStableFunc(c.Stays, func(a, b coach.Stay) int { return int(a.From - b.From) })
	return nil
}
