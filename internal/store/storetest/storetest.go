// Package storetest states what a store must do, whatever database is below. A
// new database is done when it passes Run. Only tests import it.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/unit"
)

// Open returns a store over the same, empty and migrated database each time it
// is called within one test, closed at the end of it.
type Open func(t *testing.T) func() *store.DB

// Run checks a store.
func Run(t *testing.T, open Open) {
	for name, check := range map[string]func(*testing.T, func() *store.DB){
		"CoachRoundTrip":       coachRoundTrip,
		"ReimportKeepsReports": reimportKeepsReports,
		"NotesAreText":         notesAreText,
		"TasksPageByPage":      tasksPageByPage,
		"NoticeTwiceIsOnce":    noticeTwiceIsOnce,
		"LostLeaseIsReclaimed": lostLeaseIsReclaimed,
		"NotBeforeItsTime":     notBeforeItsTime,
		"SettleNeedsClaim":     settleNeedsClaim,
		"TakenOverSettles":     takenOverSettlesNothing,
		"ClaimedIsRecalled":    claimedIsRecalled,
		"RetryWaits":           retryWaits,
		"RecalledWhileSending": recalledWhileSending,
		"RecalledThenCrashed":  recalledThenCrashed,
		"WithdrawnComesBack":   withdrawnComesBack,
		"Bulk":                 bulk,
		"Requests":             requests,
		"ConcurrentClaims":     concurrentClaims,
		"PassesTakeTurns":      passesTakeTurns,
		"RollbackKeepsNothing": rollbackKeepsNothing,
		"AccountsAreWalls":     accountsAreWalls,
		"ViewsDoNotWait":       viewsDoNotWait,
		"ViewIsOneMoment":      viewIsOneMoment,
		"RowsBesideALock":      rowsBesideALock,
		"ImpatientGivesUp":     impatientGivesUp,
		"AnswersMarkNotices":   answersMarkNotices,
		"OutcomeIsReplaced":    outcomeIsReplaced,
		"LinkKeyIsKept":        linkKeyIsKept,
		"MigrateTwice":         migrateTwice,
		"InstantsKeepMicros":   instantsKeepMicros,
		"SeasonRoundTrip":      seasonRoundTrip,
		"LotNoticesStay":       lotNoticesStay,
		"ReadingsOfTwoParts":   readingsOfTwoParts,
		"DangerOutlivesItsDay": dangerOutlivesItsDay,
		"KeyIsClaimedOnce":     keyIsClaimedOnce,
		"KeyLeaseEnds":         keyLeaseEnds,
		"ReportsAreTakenBack":  reportsAreTakenBack,
		"HeldStays":            heldStays,
		"LeastLives":           leastLives,
		"RevivedIsUnanswered":  revivedIsUnanswered,
		"CallReasons":          callReasons,
		"TakenOverExtends":     takenOverExtends,
		"HeldDoNotLeave":       heldDoNotLeave,
		"OnlyQueuedHurry":      onlyQueuedHurry,
		"FurtherDanger":        furtherDanger,
		"SendingDays":          sendingDays,
		"DecisionsHoldForADay": decisionsHoldForADay,
		"SQLViews":             sqlViews,
		"BesideTheDocument":    besideTheDocument,
		"PartsFollow":          partsFollow,
		"OldDocumentNoChange":  oldDocumentNoChange,
		"NextSchema":           nextSchema,
	} {
		t.Run(name, func(t *testing.T) { check(t, open(t)) })
	}
}

var noon = time.Date(2026, 6, 2, 12, 0, 0, 0, time.UTC)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func update(t *testing.T, db *store.DB, f func(context.Context, *store.Tx) error) {
	t.Helper()
	must(t, db.Update(t.Context(), func(tx *store.Tx) error { return f(t.Context(), tx) }))
}

var shop = coach.Account{ID: "main", Name: "A Shop", Postal: "1 Road", Email: "a@example.org", Phone: "555-0100",
	Zone: "America/Denver"}

func temp(c float64) *unit.Celsius { v := unit.Celsius(c); return &v }

var sample = coach.Coach{
	ID: "wren-02", Label: "Ana's coach", Class: coach.ClassA, VIN: "11111111111111111", Use: coach.Weekend,
	People: []coach.Person{{Name: "Ana", Email: "ana@example.org", Role: coach.Owner, Zone: "America/Denver",
		Units: unit.Metric, Language: "es",
		Consents: []coach.Consent{{Channel: coach.ByMail, Day: civil.Of(2024, 2, 29), How: "form"}}}},
	Season: civil.Season{Opens: civil.MonthDay{Month: 4, Day: 1}, Closes: civil.MonthDay{Month: 10, Day: 1}},
	Stays: []coach.Stay{{Site: coach.Site{Name: "Yuma, AZ", Lat: 32.7, Lon: -114.6, Elev: 43, Zone: "America/Phoenix",
		Tmax: []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, Tmin: make([]float64, 12)},
		From: civil.Of(2024, 2, 29), Shelter: coach.Open, Rooms: coach.RoomsOut, Cycles: 0.25, Coastal: true, Heading: -1}},
	Slides: []coach.Slide{{ID: "galley", Wall: coach.Left, Width: 3657.6, Height: 2000, Travel: 900, Topper: true,
		Runs: []coach.Run{{
			Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: civil.Of(2024, 2, 29), FreeHeight: 19.05,
			Gaps: []unit.Length{12, 12.5}, InstallTemp: temp(8), Carrier: coach.Steel,
			Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: civil.Of(2025, 2, 28), Lot: "L7",
				HotSet: &coach.HotSet{Set: .35, Hours: 22, Temp: 70}}},
		}}}},
	Services: []coach.Service{{Day: civil.Of(2025, 5, 1), Kind: coach.Lubricate, By: "shop"}},
}

func seed(t *testing.T, db *store.DB) {
	t.Helper()
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if err := tx.SaveAccount(ctx, shop); err != nil {
			return err
		}
		_, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{sample})
		return err
	})
}

func notice(key string, at time.Time) reminder.Notice {
	return reminder.Notice{Key: key, Account: shop.ID, Coach: sample.ID, Person: "ana@example.org", Task: coach.Lubricate,
		TaskKey: "lubricate|galley/outer/top|2025-05-01",
		Covers:  []string{"k#0"}, Target: civil.Of(2026, 6, 10), NotBefore: at, MessageID: "<" + key + "@example.org>",
		LinkID: key, Subject: "Grüße – ça va", Text: "t", HTML: "h"}
}

func add(t *testing.T, db *store.DB, ns ...reminder.Notice) int {
	t.Helper()
	var n int
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		added, err := tx.AddNotices(ctx, civil.Of(2026, 6, 2), ns)
		n = len(added)
		return err
	})
	return n
}

func claim(t *testing.T, db *store.DB, key string) (n reminder.Notice, ok bool) {
	t.Helper()
	update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
		n, ok, err = tx.Claim(ctx, shop.ID, key, time.Minute)
		return err
	})
	return n, ok
}

func coachRoundTrip(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	var got []coach.Coach
	var lots []store.LotPart
	update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
		if got, err = tx.Coaches(ctx, shop.ID); err != nil {
			return err
		}
		lots, err = tx.PartsOfLot(ctx, shop.ID, "L7")
		return err
	})
	if diff := cmp.Diff([]coach.Coach{sample}, got); diff != "" {
		t.Errorf("a coach comes back changed (-want +got):\n%s", diff)
	}
	if len(lots) != 1 || lots[0].Run != "galley/outer/top" {
		t.Errorf("parts of a lot: %+v", lots)
	}
}

func reimportKeepsReports(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	s := coach.Service{Day: civil.Of(2026, 1, 5), Kind: coach.Lubricate, Slide: "galley", Run: "outer/top", By: "owner"}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		for range 2 {
			if err := tx.AddService(ctx, shop.ID, sample.ID, s); err != nil {
				return err
			}
		}
		return nil
	})
	seed(t, db)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		cs, err := tx.Coaches(ctx, shop.ID)
		if err == nil && (len(cs[0].Services) != 2 || !cmp.Equal(cs[0].Services[1], s)) {
			t.Errorf("services after a second import: %+v", cs[0].Services)
		}
		return err
	})
}

func noticeTwiceIsOnce(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	if a, b := add(t, db, notice("k", noon)), add(t, db, notice("k", noon)); a != 1 || b != 0 {
		t.Errorf("added %d, then %d", a, b)
	}
}

func lostLeaseIsReclaimed(t *testing.T, open func() *store.DB) {
	db := open()
	clock := noon
	db.Now = func() time.Time { return clock }
	seed(t, db)
	add(t, db, notice("k", noon.In(time.FixedZone("", -6*3600))))
	for _, step := range []struct {
		after time.Duration
		want  bool
	}{{0, true}, {59 * time.Second, false}, {61 * time.Second, true}} {
		clock = noon.Add(step.after)
		if n, ok := claim(t, db, "k"); ok != step.want ||
			(ok && (n.Subject != "Grüße – ça va" || !n.NotBefore.Equal(noon) || len(n.Covers) != 1)) {
			t.Errorf("after %v: %v %+v", step.after, ok, n)
		}
	}
}

func notBeforeItsTime(t *testing.T, open func() *store.DB) {
	db := open()
	db.Now = func() time.Time { return noon }
	seed(t, db)
	add(t, db, notice("k", noon.Add(time.Second)))
	if _, ok := claim(t, db, "k"); ok {
		t.Error("claimed before its time")
	}
}

func settleNeedsClaim(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	add(t, db, notice("k", noon))
	settle := func(try int, s reminder.State) error {
		return db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.Settle(t.Context(), shop.ID, "k", try, s, "250 ok", 0)
		})
	}
	refused := func(what string, err error) {
		if fault.KindOf(err) != fault.Conflict || !errors.Is(err, reminder.ErrSettled) {
			t.Errorf("%s: %v", what, err)
		}
	}
	refused("settled without a claim", settle(0, reminder.Accepted))
	claim(t, db, "k")
	must(t, settle(1, reminder.Retry))
	refused("put off twice", settle(1, reminder.Retry))
	claim(t, db, "k")
	must(t, settle(2, reminder.Accepted))
	refused("accepted twice", settle(2, reminder.Accepted))
	if _, ok := claim(t, db, "k"); ok {
		t.Error("claimed after acceptance")
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		r, err := tx.NoticeByKey(ctx, shop.ID, "k")
		if r.State != "accepted" || r.Tries != 2 || r.Reply != "250 ok" || r.SettledAt == nil || r.LeaseEnd != nil {
			t.Errorf("settled as %+v", r)
		}
		n, _, err2 := tx.Counts(ctx)
		if n[reminder.Accepted] != 1 {
			t.Errorf("counts %v", n)
		}
		if err != nil {
			return err
		}
		return err2
	})
}

func settle(t *testing.T, db *store.DB, s reminder.State, wait time.Duration) {
	t.Helper()
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		return tx.Settle(ctx, shop.ID, "k", 1, s, "words", wait)
	})
}

func retryWaits(t *testing.T, open func() *store.DB) {
	db := open()
	clock := noon
	db.Now = func() time.Time { return clock }
	seed(t, db)
	add(t, db, notice("k", noon))
	claim(t, db, "k")
	settle(t, db, reminder.Retry, time.Hour)
	for _, step := range []struct {
		after time.Duration
		want  bool
	}{{59 * time.Minute, false}, {time.Hour, true}} {
		clock = noon.Add(step.after)
		if _, ok := claim(t, db, "k"); ok != step.want {
			t.Errorf("after %v: claimed %v", step.after, ok)
		}
	}
}

// Somebody says stop while the message is on its way: it is not tried again.
func recalledWhileSending(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	add(t, db, notice("k", noon))
	claim(t, db, "k")
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Withdraw(ctx, shop.ID, "ana@example.org", "")
		return err
	})
	settle(t, db, reminder.Retry, 0)
	if _, ok := claim(t, db, "k"); ok {
		t.Error("a recalled notice was tried again")
	}
}

// The same when the worker dies before it can settle.
func recalledThenCrashed(t *testing.T, open func() *store.DB) {
	db := open()
	clock := noon
	db.Now = func() time.Time { return clock }
	seed(t, db)
	add(t, db, notice("k", noon))
	claim(t, db, "k")
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Withdraw(ctx, shop.ID, "", "")
		return err
	})
	clock = noon.Add(3 * time.Hour)
	if _, ok := claim(t, db, "k"); ok {
		t.Error("a recalled notice was claimed when its lease had run out")
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		stuck, err := tx.Stuck(ctx, time.Minute, 10)
		if len(stuck) != 0 {
			t.Error("a recalled notice counts as stuck")
		}
		if n, err := tx.Lapse(ctx); err != nil || n != 1 {
			t.Errorf("%d lapsed: %v", n, err)
		}
		return err
	})
	if _, ok := claim(t, db, "k"); ok {
		t.Error("a recalled notice was claimed after a crash")
	}
}

// A notice that was withdrawn before it left can be made again.
func withdrawnComesBack(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	add(t, db, notice("k", noon))
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Withdraw(ctx, shop.ID, "", "")
		return err
	})
	if n := add(t, db, notice("k", noon)); n != 1 {
		t.Errorf("made again: %d", n)
	}
	if _, ok := claim(t, db, "k"); !ok {
		t.Error("it cannot be claimed")
	}
}

func requests(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	on := civil.Of(2026, 6, 2)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		due := plan.Task{Kind: coach.Inspect, Slide: "galley", Run: "galley", Anchor: on}
		if err := tx.AddAnswer(ctx, shop.ID, sample.ID, "ana@example.org",
			reminder.Answer{TaskKey: due.Key(), Kind: reminder.Book, Day: on}); err != nil {
			return err
		}
		if err := tx.SaveOutcome(ctx, shop.ID, sample.ID, on, "v1", nil, []plan.Task{due},
			[]reminder.Suppressed{{Coach: sample.ID, Person: "ana@example.org", TaskKey: "c",
				Reason: reminder.CallList}}); err != nil {
			return err
		}
		got, err := tx.Requests(ctx, shop.ID, on-30)
		if len(got) != 2 || got[0].Kind != "book" || got[0].TaskKey != due.Key() || got[1].Kind != "call" {
			t.Errorf("requests %+v", got)
		}
		if old, _ := tx.Requests(ctx, shop.ID, on+1); len(old) != 1 {
			t.Errorf("an old booking is still there: %+v", old)
		}
		if has, err := tx.HasAnswer(ctx, shop.ID, sample.ID, due.Key(), reminder.Book); err != nil || !has {
			t.Errorf("the answer is not on record: %v %v", has, err)
		}
		return err
	})
}

// Six workers on two handles of one database race for 60 notices: each is
// claimed exactly once.
func concurrentClaims(t *testing.T, open func() *store.DB) {
	dbs := []*store.DB{open(), open()}
	seed(t, dbs[0])
	const notices = 60
	var ns []reminder.Notice
	for i := range notices {
		ns = append(ns, notice(fmt.Sprintf("k%02d", i), noon))
	}
	add(t, dbs[0], ns...)
	var claimed atomic.Int64
	var wg sync.WaitGroup
	for w := range 6 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range notices {
				key := ns[(i+w*7)%notices].Key
				err := dbs[w%2].Update(t.Context(), func(tx *store.Tx) error {
					_, ok, err := tx.Claim(t.Context(), shop.ID, key, time.Hour)
					if ok {
						claimed.Add(1)
					}
					return err
				})
				if err != nil {
					t.Error(err)
				}
			}
		}()
	}
	wg.Wait()
	if claimed.Load() != notices {
		t.Errorf("%d claims of %d notices", claimed.Load(), notices)
	}
}

// Two passes over one account never run at once: the second sees what the first
// committed.
func passesTakeTurns(t *testing.T, open func() *store.DB) {
	dbs := []*store.DB{open(), open()}
	seed(t, dbs[0])
	var inside, most, added atomic.Int64
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			err := dbs[w%2].Update(t.Context(), func(tx *store.Tx) error {
				if _, err := tx.Account(t.Context(), shop.ID, true); err != nil {
					return err
				}
				most.Store(max(most.Load(), inside.Add(1)))
				time.Sleep(20 * time.Millisecond)
				a, err := tx.AddNotices(t.Context(), civil.Of(2026, 6, 2), []reminder.Notice{notice("k", noon)})
				added.Add(int64(len(a)))
				inside.Add(-1)
				return err
			})
			if err != nil {
				t.Error(err)
			}
		}()
	}
	wg.Wait()
	if most.Load() != 1 || added.Load() != 1 {
		t.Errorf("%d passes at once, %d notices", most.Load(), added.Load())
	}
}
