package storetest

import (
	"context"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// heldStays holds a notice against everything that could let it leave.
func heldStays(t *testing.T, open func() *store.DB) {
	db := open()
	now := noon
	db.Now = func() time.Time { return now }
	seed(t, db)
	held := notice("held", noon.Add(-time.Hour))
	held.Hold = reminder.HoldUnusual
	add(t, db, held, notice("free", noon.Add(-time.Hour)))
	if _, ok := claim(t, db, "held"); ok {
		t.Error("a held notice was claimed")
	}
	now = now.Add(time.Hour)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		for name, look := range map[string]func() ([]store.NoticeRow, error){
			"waiting": func() ([]store.NoticeRow, error) { return tx.Waiting(ctx, 0, 10) },
			"stuck":   func() ([]store.NoticeRow, error) { return tx.Stuck(ctx, 0, 10) },
		} {
			rows, err := look()
			if err != nil {
				return err
			}
			if len(rows) != 1 || rows[0].Key != "free" {
				t.Errorf("%s: %d notices", name, len(rows))
			}
		}
		if _, ok, err := tx.Hurry(ctx, shop.ID, "free", now.Add(time.Minute)); err != nil || !ok {
			t.Errorf("hurried: %v %v", ok, err)
		}
		if to, err := tx.MessagesOn(ctx, shop.ID, civil.Of(2026, 6, 2)); err != nil || to["ana@example.org"] != 1 {
			t.Errorf("%v messages of the day, %v", to, err)
		}
		if days, err := tx.SendingDays(ctx, shop.ID, civil.Of(2026, 6, 3), 10); err != nil || len(days) != 1 || days[0] != 1 {
			t.Errorf("sending days %v, %v", days, err)
		}
		days, err := tx.SendingDays(ctx, shop.ID, civil.Of(2026, 6, 2), 10)
		if len(days) != 0 {
			t.Errorf("a day counts as one before itself: %v", days)
		}
		return err
	})
	if n, ok := claim(t, db, "free"); !ok || n.NotBefore.After(now) {
		t.Error("hurrying put a notice off that was due")
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if _, ok, err := tx.Hurry(ctx, shop.ID, "free", now); err != nil || ok {
			t.Errorf("one that is being sent was hurried: %v", err)
		}
		hs, err := tx.Held(ctx, shop.ID)
		if len(hs) != 1 || hs[0].Messages != 1 || hs[0].People != 1 {
			t.Errorf("held: %+v", hs)
		}
		if n, err := tx.WithdrawHeld(ctx, shop.ID, reminder.HoldPaused, ""); err != nil || n != 0 {
			t.Errorf("another hold withdrew %d", n)
		}
		_, ok, e := tx.Release(ctx, shop.ID, "held")
		if e != nil || !ok {
			t.Errorf("released by hand: %v %v", ok, e)
		}
		return err
	})
	if _, ok := claim(t, db, "held"); !ok {
		t.Error("one that was released by hand stays held")
	}
}

// leastLives tells a correction of a date from a new part.
func leastLives(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	was := sample.Slides[0].Runs[0].Parts[0].Fitted
	for _, c := range []struct{ days, lives int }{{179, 0}, {180, 1}, {181, 1}} {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			k := sample
			k.ID = coach.ID("life")
			fitted := func(on civil.Date) {
				k.Slides = []coach.Slide{sample.Slides[0]}
				k.Slides[0].Runs = []coach.Run{sample.Slides[0].Runs[0]}
				k.Slides[0].Runs[0].Parts = []coach.Part{sample.Slides[0].Runs[0].Parts[0]}
				k.Slides[0].Runs[0].Parts[0].Fitted = on
			}
			if _, err := tx.SQL().ExecContext(ctx, `DELETE FROM life`); err != nil {
				return err
			}
			for _, on := range []civil.Date{was, was.Add(c.days)} {
				if _, err := tx.SQL().ExecContext(ctx,
					`DELETE FROM coach WHERE coach_id = 'life' AND '`+on.String()+`' = '`+was.String()+`'`); err != nil {
					return err
				}
				fitted(on)
				if _, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{k}); err != nil {
					return err
				}
			}
			lives, err := tx.Lives(ctx, shop.ID)
			if len(lives) != c.lives {
				t.Errorf("a date %d days later: %d lives, want %d", c.days, len(lives), c.lives)
			}
			if _, err := tx.SQL().ExecContext(ctx, `DELETE FROM part WHERE coach_id = 'life'`); err != nil {
				return err
			}
			return err
		})
	}
}

// revivedIsUnanswered lets a withdrawn notice be made again: what was said to it before
// was said to another message.
func revivedIsUnanswered(t *testing.T, open func() *store.DB) {
	db := open()
	db.Now = func() time.Time { return noon }
	seed(t, db)
	n := notice("n", noon)
	add(t, db, n)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if err := tx.AddAnswer(ctx, shop.ID, sample.ID, n.Person, reminder.Answer{TaskKey: n.TaskKey, Kind: reminder.Later,
			Day: civil.Of(2026, 6, 2)}); err != nil {
			return err
		}
		_, err := tx.WithdrawOne(ctx, shop.ID, "n")
		return err
	})
	if add(t, db, n) != 1 {
		t.Fatal("the withdrawn notice was not made again")
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		r, err := tx.NoticeByKey(ctx, shop.ID, "n")
		if r.AnsweredAt != nil || r.State != string(reminder.Queued) {
			t.Errorf("made again it is %s, answered %v", r.State, r.AnsweredAt)
		}
		return err
	})
}

// callReasons holds the list of calls against what the reasons themselves say.
func callReasons(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	for _, r := range reminder.Reasons {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			s := []reminder.Suppressed{{Coach: sample.ID, Person: "ana@example.org", TaskKey: "inspect|galley|2025-05-01",
				Reason: r}}
			task := []plan.Task{{Kind: coach.Inspect, Slide: "galley", Run: "galley", Anchor: civil.Of(2025, 5, 1),
				Target: civil.Of(2026, 6, 1)}}
			if err := tx.SaveOutcome(ctx, shop.ID, sample.ID, civil.Of(2026, 6, 2), "v", nil, task, s); err != nil {
				return err
			}
			rs, err := tx.Requests(ctx, shop.ID, 0)
			if (len(rs) == 1) != r.Calls() {
				t.Errorf("%s: %d calls", r, len(rs))
			}
			if len(rs) == 1 && rs[0].Target != "2026-06-01" {
				t.Errorf("%s: target %q", r, rs[0].Target)
			}
			return err
		})
	}
}

// takenOverExtends lets a worker whose notice was taken over try to keep it.
func takenOverExtends(t *testing.T, open func() *store.DB) {
	db := open()
	now := noon
	db.Now = func() time.Time { return now }
	seed(t, db)
	add(t, db, notice("n", noon))
	first, ok := claim(t, db, "n")
	if !ok {
		t.Fatal("not claimed")
	}
	now = now.Add(2 * time.Minute) // its lease is over
	second, ok := claim(t, db, "n")
	if !ok || second.Try == first.Try {
		t.Fatal("not taken over")
	}
	lease := func() (end int64) {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			r, err := tx.NoticeByKey(ctx, shop.ID, "n")
			if r.LeaseEnd != nil {
				end = *r.LeaseEnd
			}
			return err
		})
		return end
	}
	was := lease()
	extend := func(try int) int64 {
		update(t, db, func(ctx context.Context, tx *store.Tx) error { return tx.Extend(ctx, shop.ID, "n", try, time.Hour) })
		return lease()
	}
	if extend(first.Try) != was {
		t.Error("the worker that was taken over from kept the notice")
	}
	if extend(second.Try) == was {
		t.Error("the worker that has the notice could not keep it")
	}
}
