package storetest

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// What waits for a decision, and every reminder of a paused account, can neither be
// claimed nor is it looked for; mails to members and to the shop leave from a paused
// account all the same.
func heldDoNotLeave(t *testing.T, open func() *store.DB) {
	for _, c := range []struct {
		name   string
		hold   string
		paused bool
		change func(*reminder.Notice)
		leaves bool
	}{
		{"free", "", false, func(*reminder.Notice) {}, true},
		{"held", reminder.HoldUnusual, false, func(*reminder.Notice) {}, false},
		{"paused", "", true, func(*reminder.Notice) {}, false},
		{"held and paused", reminder.HoldPaused, true, func(*reminder.Notice) {}, false},
		{"to a member", "", true, func(n *reminder.Notice) { n.Task = "access" }, true},
		{"to the shop", "", true, func(n *reminder.Notice) { n.TaskKey = "shop|digest" }, true},
		{"to a member, held", reminder.HoldPaused, true, func(n *reminder.Notice) { n.Task = "access" }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			db := open()
			clock := noon
			db.Now = func() time.Time { return clock }
			seed(t, db)
			update(t, db, func(ctx context.Context, tx *store.Tx) error { // those of the case before
				_, err := tx.SQL().ExecContext(ctx, `DELETE FROM notice`)
				return err
			})
			n := notice(c.name, noon)
			c.change(&n)
			add(t, db, n)
			set := func() {
				update(t, db, func(ctx context.Context, tx *store.Tx) error {
					if _, err := tx.SQL().ExecContext(ctx, tx.SQL().Rebind(`UPDATE notice SET hold = ?`), c.hold); err != nil {
						return err
					}
					return tx.SetQuiet(ctx, shop.ID, c.paused)
				})
			}
			set()
			found := func(when string, waiting, orphans, stuck int) {
				t.Helper()
				if !c.leaves {
					waiting, orphans, stuck = 0, 0, 0
				}
				looks(t, db, when, [3]int{waiting, orphans, stuck}, c.leaves)
			}
			clock = noon.Add(time.Hour)
			found("queued", 1, 0, 1)
			if _, ok := claim(t, db, c.name); ok != c.leaves {
				t.Errorf("claimed: %v", ok)
			}
			// The same when the hold came while a worker had it, and the worker died.
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				if err := tx.SetQuiet(ctx, shop.ID, false); err != nil {
					return err
				}
				_, err := tx.SQL().ExecContext(ctx, `UPDATE notice SET hold = ''`)
				return err
			})
			in(t, db, c.name, reminder.Queued)
			if _, ok := claim(t, db, c.name); !ok {
				t.Error("not claimed once free")
			}
			set()
			clock = noon.Add(3 * time.Hour)
			found("sending", 0, 1, 1)
			if _, ok := claim(t, db, c.name); ok != c.leaves {
				t.Errorf("claimed after its worker died: %v", ok)
			}
		})
	}
}

// looks holds what each look for work finds, and whether anything open may leave.
func looks(t *testing.T, db *store.DB, when string, want [3]int, due bool) {
	t.Helper()
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		waiting, err := tx.Waiting(ctx, time.Minute, 10)
		if err != nil {
			return err
		}
		orphans, err := tx.Orphans(ctx, 10)
		if err != nil {
			return err
		}
		stuck, err := tx.Stuck(ctx, time.Minute, 10)
		if err != nil {
			return err
		}
		if got := [3]int{len(waiting), len(orphans), len(stuck)}; got != want {
			t.Errorf("%s: waiting, orphans and stuck are %v, want %v", when, got, want)
		}
		_, oldest, err := tx.Counts(ctx)
		if oldest.IsZero() == due {
			t.Errorf("%s: the oldest is due since %v", when, oldest)
		}
		return err
	})
}

// in puts a notice into a state, as workers would.
func in(t *testing.T, db *store.DB, key string, state reminder.State) {
	t.Helper()
	var lease *int64
	if state == reminder.Sending {
		lease = new(noon.Add(time.Hour).UnixMicro())
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.SQL().ExecContext(ctx, tx.SQL().Rebind(`UPDATE notice SET state = ?, lease_end = ? WHERE notice_key = ?`), state,
			lease, key)
		return err
	})
}

var states = []reminder.State{
	reminder.Queued, reminder.Retry, reminder.Sending, reminder.Accepted, reminder.GivenUp, reminder.Withdrawn,
}

// Only a message that nobody has tried yet can leave earlier, and none leaves later.
func onlyQueuedHurry(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	for _, s := range states {
		add(t, db, notice(string(s), noon.Add(2*time.Hour)))
		in(t, db, string(s), s)
		for _, at := range []time.Duration{3 * time.Hour, 2 * time.Hour, time.Hour} {
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				n, ok, err := tx.Hurry(ctx, shop.ID, string(s), noon.Add(at))
				if ok != (s == reminder.Queued) || ok && !n.NotBefore.Equal(noon.Add(min(at, 2*time.Hour))) {
					t.Errorf("%s, hurried to %v: %v, leaves %v", s, at, ok, n.NotBefore)
				}
				return err
			})
		}
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			r, err := tx.NoticeByKey(ctx, shop.ID, string(s))
			want := noon.Add(2 * time.Hour)
			if s == reminder.Queued {
				want = noon.Add(time.Hour)
			}
			if err == nil && r.NotBefore != want.UnixMicro() {
				t.Errorf("%s: it leaves at %v, want %v", s, time.UnixMicro(r.NotBefore).UTC(), want)
			}
			return err
		})
	}
}

// A further danger on a slide takes back what waits to be told of it and puts its people on
// the list of calls again; other slides, other work and other coaches keep theirs.
func furtherDanger(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	const key = "safety_stop|galley|2026-06-02"
	for _, s := range states {
		n := notice(string(s), noon)
		n.TaskKey = key
		add(t, db, n)
		in(t, db, string(s), s)
	}
	others := []string{"safety_stop|galley-2|2026-06-02", "safety_stop|bed|2026-06-02", "safety_stopped|galley|2026-06-02",
		"inspect|galley|2026-06-02"}
	calls := []struct {
		coach   coach.ID
		key     string
		outcome reminder.CallOutcome
	}{{sample.ID, key, reminder.CallReached}, {sample.ID, key, reminder.PhoneOnly}, {"other", key, reminder.CallReached}}
	for _, k := range others {
		n := notice(k, noon)
		n.TaskKey = k
		add(t, db, n)
		calls = append(calls, calls[0])
		calls[len(calls)-1].key = k
	}
	n := notice("of another coach", noon)
	n.Coach, n.TaskKey = "other", key
	add(t, db, n)
	kept := map[string]string{"of another coach": "queued"}
	for _, k := range others {
		kept[k] = "queued"
	}
	for _, s := range states {
		kept[string(s)] = string(s)
	}
	kept[string(reminder.Queued)], kept[string(reminder.Retry)] = "withdrawn", "withdrawn"
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{{ID: "other"}}); err != nil {
			return err
		}
		for _, c := range calls {
			x := reminder.Call{Person: "ana@example.org", TaskKey: c.key, Outcome: c.outcome, Day: civil.Of(2026, 6, 2)}
			if err := tx.SetCall(ctx, shop.ID, c.coach, x, "", "ann"); err != nil {
				return err
			}
		}
		if err := tx.RenewStop(ctx, shop.ID, sample.ID, "galley"); err != nil {
			return err
		}
		got := map[string]string{}
		for k := range kept {
			r, err := tx.NoticeByKey(ctx, shop.ID, k)
			if err != nil {
				return err
			}
			got[k] = r.State
		}
		if diff := cmp.Diff(kept, got); diff != "" {
			t.Errorf("states (-want +got):\n%s", diff)
		}
		left, err := tx.Calls(ctx, shop.ID, "")
		if n, m := len(left[sample.ID]), len(left["other"]); n != len(calls)-2 || m != 1 {
			t.Errorf("%d and %d calls are left, want %d and 1", n, m, len(calls)-2)
		}
		if slices.ContainsFunc(left[sample.ID], func(x reminder.Call) bool {
			return x.TaskKey == key && x.Outcome == reminder.CallReached
		}) {
			t.Error("people count as reached about the further danger")
		}
		return err
	})
}

// What a day sends is counted by person and day: ordinary messages that left or may leave.
func sendingDays(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	day := civil.Of(2026, 6, 2)
	k := 0
	made := func(on civil.Date, hold string, change func(*reminder.Notice)) string {
		n := notice("k"+time.Duration(k).String(), noon)
		k++
		n.Hold = hold
		if change != nil {
			change(&n)
		}
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			_, err := tx.AddNotices(ctx, on, []reminder.Notice{n})
			return err
		})
		return n.Key
	}
	for range 3 {
		made(day-1, "", nil)
	}
	made(day-2, reminder.HoldUnusual, nil) // held: no sending day
	in(t, db, made(day-3, "", nil), reminder.Withdrawn)
	in(t, db, made(day-4, "", nil), reminder.Accepted)
	made(day-4, "", func(n *reminder.Notice) { n.Person = "bo@example.org" })
	made(day, "", nil)
	made(day, "", func(n *reminder.Notice) { n.Person = "bo@example.org" })
	in(t, db, made(day, "", nil), reminder.GivenUp)
	made(day, reminder.HoldPaused, nil)
	in(t, db, made(day, "", nil), reminder.Withdrawn)
	for _, change := range []func(*reminder.Notice){
		func(n *reminder.Notice) { n.Task = coach.SafetyStop },
		func(n *reminder.Notice) { n.Task = coach.BookedVisit },
		func(n *reminder.Notice) { n.Task = "access" },
		func(n *reminder.Notice) { n.TaskKey = "lot|c" },
		func(n *reminder.Notice) { n.TaskKey = "shop|digest" },
	} {
		made(day, "", change)
		made(day-5, "", change)
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		to, err := tx.MessagesOn(ctx, shop.ID, day)
		if err != nil {
			return err
		}
		if diff := cmp.Diff(map[string]int{"ana@example.org": 2, "bo@example.org": 1}, to); diff != "" {
			t.Errorf("messages of the day (-want +got):\n%s", diff)
		}
		for _, c := range []struct {
			before civil.Date
			most   int
			want   []int
		}{{day + 1, 10, []int{3, 3, 2}}, {day, 10, []int{3, 2}}, {day - 1, 10, []int{2}}, {day, 1, []int{3}},
			{day - 4, 10, nil}} {
			got, err := tx.SendingDays(ctx, shop.ID, c.before, c.most)
			if err != nil {
				return err
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("the last %d sending days before %s: %v, want %v", c.most, c.before, got, c.want)
			}
		}
		return nil
	})
}

// A decision to send holds for its own day and account; the greatest of the day counts.
func decisionsHoldForADay(t *testing.T, open func() *store.DB) {
	db := open()
	clock := noon
	db.Now = func() time.Time { clock = clock.Add(time.Second); return clock }
	seed(t, db)
	day := civil.Of(2026, 6, 2)
	for _, d := range []store.Decision{
		{Day: day, Hold: reminder.HoldUnusual, Released: true, Messages: 80},
		{Day: day, Hold: reminder.HoldUnusual, Released: true, Messages: 60},
		{Day: day, Hold: reminder.HoldUnusual, Messages: 500},
		{Day: day + 2, Hold: reminder.HoldUnusual, Messages: 90},
	} {
		update(t, db, func(ctx context.Context, tx *store.Tx) error { return tx.AddDecision(ctx, shop.ID, d) })
	}
	for on, want := range map[civil.Date]int{day - 1: 0, day: 80, day + 1: 0, day + 2: 0} {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			got, err := tx.AllowedOn(ctx, shop.ID, on)
			other, err2 := tx.AllowedOn(ctx, "other", on)
			if got != want || other != 0 || err2 != nil {
				t.Errorf("on %s %d may leave, want %d; of another account %d %v", on, got, want, other, err2)
			}
			return err
		})
	}
}
