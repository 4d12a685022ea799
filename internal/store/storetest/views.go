package storetest

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/projection"
	"sealmanac/internal/store"
)

// rows returns what a query finds, one line a row.
func rows(t *testing.T, db *store.DB, query string) (out []string) {
	t.Helper()
	must(t, db.View(t.Context(), func(tx *store.Tx) error {
		found, err := tx.SQL().QueryxContext(t.Context(), query)
		if err != nil {
			return err
		}
		defer found.Close() //nolint:errcheck // was only read
		for found.Next() {
			values, err := found.SliceScan()
			if err != nil {
				return err
			}
			words := make([]string, len(values))
			for i, v := range values {
				if b, ok := v.([]byte); ok {
					v = string(b)
				}
				words[i] = fmt.Sprint(v)
			}
			out = append(out, strings.Join(words, ", "))
		}
		return found.Err()
	}))
	return out
}

// sqlViews checks the views for people's own SQL. They say the same on both databases, in
// the same columns.
func sqlViews(t *testing.T, open func() *store.DB) {
	db := open()
	c := sample
	c.Stays = append([]coach.Stay{{Site: coach.Site{Name: "Madison, WI"}, From: civil.Of(2023, 5, 1),
		Until: civil.Of(2024, 2, 28), Shelter: coach.Indoor, Rooms: coach.RoomsIn}}, c.Stays...)
	c.Readings = []coach.Reading{{Day: civil.Of(2025, 6, 1), Slide: "galley", Run: "outer/top", Part: coach.Bulb,
		Kind: coach.BulbHeight, Value: 17.5, By: "shop"}, {Day: civil.Of(2025, 6, 2), Kind: coach.HoseTest, By: "owner"}}
	bare := coach.Coach{ID: "zf-1"}
	forecast := projection.Forecast{Run: "galley/outer/top", Part: coach.Bulb, Early: civil.Of(2028, 1, 1),
		Likely: civil.Of(2029, 1, 1), Late: civil.Of(2031, 1, 1)}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if err := tx.SaveAccount(ctx, shop); err != nil {
			return err
		}
		if _, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{c, bare}); err != nil {
			return err
		}
		on, sent := civil.Of(2026, 6, 2), coach.Reading{Day: civil.Of(2026, 5, 30), Slide: "galley", Kind: coach.Light,
			Value: 1, By: "owner", Note: "by the door"}
		if err := tx.SaveOutcome(ctx, shop.ID, c.ID, on, "r1", []projection.Forecast{forecast}, nil, nil); err != nil {
			return err
		}
		return tx.AddReading(ctx, shop.ID, c.ID, sent)
	})
	const who = "main, wren-02, Ana's coach, "
	for query, want := range map[string][]string{
		`SELECT * FROM seal_part`: {
			who + "galley, outer top, bulb, epdm_sponge, track, 2025-02-28, L7, 2028-01-01, 2029-01-01, 2031-01-01, 2026-06-02",
		},
		`SELECT * FROM seal_stay ORDER BY from_day`: {
			who + "Madison, WI, 0, 0, 2023-05-01, 2024-02-28, indoor, in, 0, 0",
			who + "Yuma, AZ, 32.7, -114.6, 2024-02-29, <nil>, open, out, 0.25, 1",
		},
		`SELECT * FROM seal_reading ORDER BY day`: {
			who + "2025-06-01, galley, outer top, bulb, bulb_height, 17.5, shop, <nil>, file",
			who + "2025-06-02, <nil>, <nil>, <nil>, hose_test, 0, owner, <nil>, file",
			who + "2026-05-30, galley, <nil>, <nil>, light, 1, owner, by the door, record",
		},
	} {
		if got, all := strings.Join(rows(t, db, query), "\n"), strings.Join(want, "\n"); got != all {
			t.Errorf("%s:\n%s\nwant\n%s", query, got, all)
		}
	}
}

// besideTheDocument checks the columns by which coaches are found: they follow the
// document.
func besideTheDocument(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	c := sample
	save := func(want map[coach.ID]bool) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			if _, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{c}); err != nil {
				return err
			}
			feeds, err := tx.FeedCoaches(ctx, shop.ID)
			if err != nil {
				return err
			}
			dangers, err := tx.DangersRead(ctx, shop.ID, []coach.ID{c.ID, "other"})
			if len(feeds) != len(want) || len(feeds) == 1 && feeds[0].Feed != c.Feed || len(dangers) != len(want) ||
				dangers[c.ID] != want[c.ID] {
				t.Errorf("feed %q, %d readings: found %d feeds, dangers of %v", c.Feed, len(c.Readings), len(feeds), dangers)
			}
			return err
		})
	}
	save(nil)
	for _, k := range []coach.ReadingKind{coach.Light, coach.SoftFloor, coach.HoseTest} {
		c.Feed = "https://bookings.example.org/" + string(k)
		c.Readings = []coach.Reading{{Day: 1, Kind: coach.ShoreA, Value: 60}, {Day: 2, Kind: k}}
		save(map[coach.ID]bool{c.ID: true})
	}
	c.Feed, c.Readings = "", c.Readings[:1]
	save(nil)
}

// partsFollow checks that no part is without its coach and every part of a document is
// there. The database does not check it: that was half the time of a bulk.
func partsFollow(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	parts := func(c *coach.Coach) (n int) {
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				n += len(r.Parts)
			}
		}
		return n
	}
	for round := range 3 {
		want := parts(&sample)
		cs := fleet(120, func(i int, c *coach.Coach) {
			if r := &c.Slides[0].Runs[0]; (i+round)%3 == 0 {
				r.Parts = r.Parts[:1]
			} else if (i+round)%3 == 1 {
				c.Slides = nil
			}
			want += parts(c)
		})
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			_, err := tx.SaveCoaches(ctx, shop.ID, cs)
			return err
		})
		orphans := rows(t, db, `SELECT p.account_id, p.coach_id FROM part p WHERE NOT EXISTS (
			SELECT 1 FROM coach c WHERE c.account_id = p.account_id AND c.coach_id = p.coach_id)`)
		if n := rows(t, db, `SELECT COUNT(*) FROM part`); len(orphans) > 0 || n[0] != fmt.Sprint(want) {
			t.Errorf("round %d: %s parts, the documents have %d; without a coach: %v", round, n[0], want, orphans)
		}
	}
}

// oldDocumentNoChange stores a coach that an earlier version wrote again as it is: the
// shape of a document is no change of its coach.
func oldDocumentNoChange(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	c := coach.Coach{ID: "old", Label: "Old", Class: coach.ClassA, People: []coach.Person{{Name: "Ada",
		Consents: []coach.Consent{{Channel: coach.ByMail, Day: civil.Of(2025, 1, 9)}}}}}
	const doc = `{"ID":"old","Label":"Old","Class":"class_a","VIN":"","People":[{"Name":"Ada","Email":"",` +
		`"Consent":"2025-01-09"}],"Stays":null,"Sold":""}`
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.SQL().ExecContext(ctx, tx.SQL().Rebind(`INSERT INTO coach (account_id, coach_id, label, doc, changed_at)
			VALUES (?, ?, ?, ?, 7)`), shop.ID, c.ID, c.Label, doc)
		return err
	})
	save := func() (changed bool, version int64) {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			found, err := tx.SaveCoaches(ctx, shop.ID, []coach.Coach{c})
			if err != nil {
				return err
			}
			changed = found[c.ID]
			_, version, err = tx.CoachDoc(ctx, shop.ID, c.ID)
			return err
		})
		return changed, version
	}
	if changed, version := save(); changed || version != 7 {
		t.Errorf("stored as it is: changed %v, version %d", changed, version)
	}
	c.Label = "New"
	if changed, version := save(); !changed || version == 7 {
		t.Errorf("with another label: changed %v, version %d", changed, version)
	}
}
