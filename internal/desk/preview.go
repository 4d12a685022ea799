package desk

import (
	"context"
	"fmt"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// InLanguage writes a stored notice anew in another language, from what is stored
// now, as of the day it was made. Nothing is kept. Notices about a lot and mails to
// the shop are told in the shop's own words and are refused.
func (d *Desk) InLanguage(
	ctx context.Context, id coach.AccountID, t cycle.Tools, n *reminder.Notice, language string,
) (out reminder.Notice, err error) {
	if n.IsLot() || strings.HasPrefix(n.TaskKey, "shop|") {
		return out, fault.New(fault.Invalid, "this notice is told in the shop's own words", "Preview it without --language.")
	}
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		row, err := tx.NoticeByKey(ctx, id, n.Key)
		if err != nil {
			return err
		}
		day, err := civil.Parse(row.MadeOn)
		if err != nil {
			return err
		}
		snap, err := cycle.Load(ctx, tx, id, day, false)
		if err != nil {
			return err
		}
		if t, err = toolsOf(ctx, tx, id, t); err != nil {
			return err
		}
		t.Words = d.Words
		again, ok := rewrite(t, snap, n, language)
		if !ok {
			return fault.New(fault.NotFound,
				fmt.Sprintf("the reason for this notice of %s is gone: what is known of the coach has changed since", day),
				"Preview it without --language, or another notice.")
		}
		out = again
		return nil
	})
	return out, err
}

// rewrite evaluates the notice's coach as if its person had been told nothing and
// spoke the language.
func rewrite(t cycle.Tools, snap cycle.Snapshot, n *reminder.Notice, language string) (reminder.Notice, bool) {
	for _, m := range snap.Members {
		if m.Coach.ID != n.Coach {
			continue
		}
		var known []reminder.Past
		for _, p := range m.Past {
			if p.Day < snap.Today {
				known = append(known, p)
			}
		}
		m.Past, m.Answers = known, nil
		people := append([]coach.Person(nil), m.Coach.People...)
		for i := range people {
			people[i].Language = language
		}
		m.Coach.People = people
		snap.Members, snap.OptedOut, snap.Bad = []cycle.Member{m}, nil, nil
		t.Links = nil
		for _, x := range cycle.Evaluate(t, snap).Notices() {
			if x.Key == n.Key {
				return x, true
			}
		}
	}
	return reminder.Notice{}, false
}
