package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

func rollbackKeepsNothing(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	stop := fault.New(fault.Invalid, "stop", "")
	err := db.Update(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.AddNotices(t.Context(), civil.Of(2026, 6, 2), []reminder.Notice{notice("k", noon)}); err != nil {
			return err
		}
		return stop
	})
	if fault.KindOf(err) != fault.Invalid {
		t.Fatal(err)
	}
	if add(t, db, notice("k", noon)) != 1 {
		t.Error("a notice outlived its transaction")
	}
}

// A reader sees what was committed while a writer is at work, and neither waits.
func viewsDoNotWait(t *testing.T, open func() *store.DB) {
	db, other := open(), open()
	seed(t, db)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Account(ctx, shop.ID, true); err != nil {
			return err
		}
		if _, err := tx.AddNotices(ctx, civil.Of(2026, 6, 2), []reminder.Notice{notice("k", noon)}); err != nil {
			return err
		}
		short, cancel := context.WithTimeout(ctx, 2*time.Second)
		defer cancel()
		return other.View(short, func(tx *store.Tx) error {
			n, _, err := tx.Counts(short)
			if len(n) != 0 {
				t.Errorf("a reader sees what is not committed: %v", n)
			}
			return err
		})
	})
}

// A reader sees one moment, whatever is committed while it reads.
func viewIsOneMoment(t *testing.T, open func() *store.DB) {
	db, other := open(), open()
	seed(t, db)
	must(t, db.View(t.Context(), func(tx *store.Tx) error {
		before, err := tx.Coaches(t.Context(), shop.ID)
		if err != nil {
			return err
		}
		update(t, other, func(ctx context.Context, tx *store.Tx) error {
			if _, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{{ID: "later"}}); err != nil {
				return err
			}
			return tx.AddService(ctx, shop.ID, "later", coach.Service{Day: civil.Of(2026, 6, 2), Kind: coach.Clean, By: "shop"})
		})
		after, err := tx.Coaches(t.Context(), shop.ID)
		if len(before) != 1 || len(after) != 1 {
			t.Errorf("one reader sees %d coaches, then %d", len(before), len(after))
		}
		return err
	}))
}

func accountsAreWalls(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	add(t, db, notice("k", noon))
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		other := shop
		other.ID = "other"
		if err := tx.SaveAccount(ctx, other); err != nil {
			return err
		}
		if _, ok, err := tx.Claim(ctx, "other", "k", time.Minute); err != nil || ok {
			t.Errorf("another account claimed it: %v %v", ok, err)
		}
		cs, err := tx.Coaches(ctx, "other")
		if len(cs) != 0 {
			t.Errorf("another account sees %d coaches", len(cs))
		}
		if _, err := tx.NoticeByKey(ctx, "other", "k"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("another account reads the notice: %v", err)
		}
		if n, err := tx.Withdraw(ctx, "other", "", ""); err != nil || n != 0 {
			t.Errorf("another account withdrew %d: %v", n, err)
		}
		if _, err := tx.Account(ctx, "nobody", false); fault.KindOf(err) != fault.NotFound {
			t.Errorf("an unknown account: %v", err)
		}
		return err
	})
}

func answersMarkNotices(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	n := notice("k", noon)
	add(t, db, n)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		a := reminder.Answer{TaskKey: n.TaskKey, Kind: reminder.Later, Day: civil.Of(2026, 6, 3),
			Until: civil.Of(2026, 6, 24)}
		if err := tx.AddAnswer(ctx, shop.ID, sample.ID, n.Person, a); err != nil {
			return err
		}
		past, err := tx.Past(ctx, shop.ID, "")
		if err != nil || len(past[sample.ID]) != 1 || !past[sample.ID][0].Answered {
			t.Errorf("past %+v %v", past, err)
		}
		got, err := tx.Answers(ctx, shop.ID, "")
		if err != nil || len(got[sample.ID]) != 1 || got[sample.ID][0] != a {
			t.Errorf("answers %+v %v", got, err)
		}
		if err := tx.OptOut(ctx, shop.ID, n.Person); err != nil {
			return err
		}
		outs, err := tx.OptOuts(ctx, shop.ID)
		if !outs[n.Person] {
			t.Error("the opt-out is lost")
		}
		if k, err := tx.Withdraw(ctx, shop.ID, n.Person, ""); err != nil || k != 1 {
			t.Errorf("withdrew %d: %v", k, err)
		}
		return err
	})
}

func outcomeIsReplaced(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	on := civil.Of(2026, 6, 2)
	f := projection.Forecast{Run: "galley/outer/top", Part: coach.Bulb, Early: on, Likely: on + 1, Late: on + 2}
	task := plan.Task{Kind: coach.Inspect, Run: "galley", Target: on, Anchor: on}
	for range 2 {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			err := tx.SaveOutcome(ctx, shop.ID, sample.ID, on, "v1", []projection.Forecast{f}, []plan.Task{task},
				[]reminder.Suppressed{{Coach: sample.ID, Person: "a", TaskKey: "x", Reason: reminder.NotYet}})
			if err != nil {
				return err
			}
			return tx.SavePass(ctx, shop.ID, on, "v1", 1, 2)
		})
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		p, err := tx.Passes(ctx)
		if len(p) != 1 || p[0].Notices != 4 || p[0].Day != "2026-06-02" {
			t.Errorf("passes %+v", p)
		}
		return err
	})
}

// Tasks are read page by page in one order, also those of one day and of coaches whose
// names begin alike.
func tasksPageByPage(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	on := civil.Of(2026, 6, 2)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		cs := []coach.Coach{{ID: "wren"}, {ID: "wren-0"}, {ID: "Wren"}}
		if _, err := tx.SaveCoaches(ctx, shop.ID, cs); err != nil {
			return err
		}
		for i, c := range append(cs, sample) {
			ts := []plan.Task{
				{Kind: coach.Inspect, Run: "galley", Target: on, Anchor: on},
				{Kind: coach.Clean, Run: "galley", Target: on, Anchor: on},
				{Kind: coach.Clean, Run: "bed", Target: on.Add(i), Anchor: on},
			}
			if err := tx.SaveOutcome(ctx, shop.ID, c.ID, on, "v1", nil, ts, nil); err != nil {
				return err
			}
		}
		all, err := tx.TasksAfter(ctx, shop.ID, "", "", "", "9999-12-31", 100)
		if err != nil {
			return err
		}
		if len(all) != 12 {
			t.Errorf("%d tasks", len(all))
		}
		for most := 1; most <= 5; most++ {
			var pages []store.TaskRow
			var last store.TaskRow
			for {
				page, err := tx.TasksAfter(ctx, shop.ID, "", last.Target, last.Coach+"|"+last.Key, "9999-12-31", most)
				if err != nil {
					return err
				}
				if len(page) == 0 {
					break
				}
				pages, last = append(pages, page...), page[len(page)-1]
			}
			if diff := cmp.Diff(all, pages); diff != "" {
				t.Errorf("pages of %d (-whole +pages):\n%s", most, diff)
			}
		}
		return nil
	})
}

// An impatient update gives up while another one holds what it needs: it says that it can
// be tried again, and changed nothing. One without a bound waits. So does one that fails
// because its request has ended.
func impatientGivesUp(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	hold, free := make(chan struct{}), make(chan struct{})
	held := make(chan error)
	go func() {
		held <- db.Update(t.Context(), func(tx *store.Tx) error {
			_, err := tx.Account(t.Context(), shop.ID, true)
			close(hold)
			<-free
			return err
		})
	}()
	<-hold
	stop := func(ctx context.Context) error {
		return db.Update(ctx, func(tx *store.Tx) error {
			if _, err := tx.Account(ctx, shop.ID, true); err != nil {
				return err
			}
			return tx.OptOut(ctx, shop.ID, "ana@example.org")
		})
	}
	ended, end := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer end()
	bounded := store.Impatient(t.Context(), 100*time.Millisecond)
	for name, ctx := range map[string]context.Context{"bounded": bounded, "its request ended": ended} {
		if err := stop(ctx); fault.KindOf(err) != fault.Unavailable || fault.SentenceOf(err) == "" ||
			fault.HintOf(err) == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	outs := func() (n int) {
		must(t, db.View(t.Context(), func(tx *store.Tx) error {
			m, err := tx.OptOuts(t.Context(), shop.ID)
			n = len(m)
			return err
		}))
		return n
	}
	if n := outs(); n != 0 {
		t.Errorf("%d opt-outs of updates that gave up", n)
	}
	waits := make(chan error)
	go func() { waits <- stop(t.Context()) }()
	Stalled(t, db, 1)
	close(free)
	must(t, <-held)
	must(t, <-waits)
	if n := outs(); n != 1 {
		t.Errorf("%d opt-outs", n)
	}
}

// A row that refers to an account is written while a pass holds the account. SQLite has
// one writer for all.
func rowsBesideALock(t *testing.T, open func() *store.DB) {
	db, other := open(), open()
	if db.Name() == "sqlite" {
		t.Skip("one writer at a time")
	}
	seed(t, db)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Account(ctx, shop.ID, true); err != nil {
			return err
		}
		short, cancel := context.WithTimeout(ctx, 5*time.Second)
		defer cancel()
		return other.Update(short, func(tx *store.Tx) error {
			return tx.AddAudit(short, shop.ID, "ana@example.org", "signed in", "", "")
		})
	})
}

func linkKeyIsKept(t *testing.T, open func() *store.DB) {
	var keys [2]string
	for i, db := range []*store.DB{open(), open()} {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			k, err := tx.LinkKey(ctx)
			keys[i] = string(k)
			return err
		})
	}
	if keys[0] != keys[1] || len(keys[0]) != 32 {
		t.Errorf("keys of %d and %d bytes, equal: %v", len(keys[0]), len(keys[1]), keys[0] == keys[1])
	}
}

func migrateTwice(t *testing.T, open func() *store.DB) {
	db := open()
	must(t, db.Migrate(t.Context()))
	must(t, db.Ready(t.Context()))
}

func instantsKeepMicros(t *testing.T, open func() *store.DB) {
	db := open()
	at := noon.Add(123456789 * time.Nanosecond)
	db.Now = func() time.Time { return at.Add(time.Hour) }
	seed(t, db)
	add(t, db, notice("k", at))
	if n, ok := claim(t, db, "k"); !ok || !n.NotBefore.Equal(at.Truncate(time.Microsecond)) {
		t.Errorf("%v came back as %v", at, n.NotBefore)
	}
}
