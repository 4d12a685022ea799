package desk

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/store"
)

// Outlook is what people would hear at once of coaches that are imported.
type Outlook struct {
	Known    bool   // whether it was worked out
	Paused   bool   // the account sends nothing yet
	Coaches  int    // that were read
	Messages int    // that the next pass makes about these coaches
	People   int    // who get them
	Most     int    // messages to one person
	ToOne    string // that person
}

// look works out an outlook. Coaches that are in the store already count with what their
// people were told before.
func (o *Outlook) look(
	ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, today civil.Date, ids []coach.ID,
) error {
	snap, err := cycle.LoadSome(ctx, tx, id, ids, today)
	if err != nil {
		return err
	}
	o.Known, o.Coaches = true, len(ids)
	to := map[string]int{}
	for _, n := range cycle.Evaluate(t, snap).Notices() {
		o.Messages++
		if to[n.Person]++; to[n.Person] > o.Most {
			o.Most, o.ToOne = to[n.Person], n.Person
		}
	}
	o.People = len(to)
	return nil
}

// toolsIfAny returns what coaches are dated with, or nil where there is nothing.
func (d *Desk) toolsIfAny(ctx context.Context, id coach.AccountID) (*cycle.Tools, error) {
	if d.ToolsFor == nil {
		return nil, nil
	}
	t, err := d.ToolsFor(ctx, id)
	return &t, err
}

// refreshStops dates those of some coaches anew that have a reading which can mean danger:
// a stop is told and called about at once, whatever brought it.
func (d *Desk) refreshStops(
	ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, ids []coach.ID,
) (news []store.Happened, err error) {
	read, err := tx.DangersRead(ctx, id, ids)
	if err != nil {
		return nil, err
	}
	for _, c := range ids {
		if !read[c] {
			continue
		}
		hs, err := d.refresh(ctx, tx, t, id, c)
		if err != nil {
			return nil, err
		}
		news = append(news, hs...)
	}
	return news, nil
}
