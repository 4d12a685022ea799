package api_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// BenchmarkList reads pages of 100 coaches from an account of 100,000 by the API and by
// its bare SQL; the wish is a 99th percentile within twice the SQL's.
func BenchmarkList(b *testing.B) {
	db := storetest.Fresh(b, storetest.Best())
	x := newRig(b, db)
	var one coach.Coach
	if err := db.View(b.Context(), func(tx *store.Tx) (err error) { one, _, err = tx.CoachDoc(b.Context(), "one", "zf-1"); return err }); err != nil {
		b.Fatal(err)
	}
	for k := range 100 {
		var cs []coach.Coach
		for i := range 1000 {
			c := one
			c.ID = coach.ID(fmt.Sprintf("c-%06d", 1000*k+i))
			cs = append(cs, c)
		}
		if err := db.Update(b.Context(), func(tx *store.Tx) error { return tx.SaveCoaches(b.Context(), "one", cs) }); err != nil {
			b.Fatal(err)
		}
	}
	var api, sql, trees []time.Duration
	for b.Loop() {
		after := ""
		for range 100 {
			begun := time.Now()
			code, _, body := x.do(x.keys["one"], "GET", "/coaches?limit=100&after="+after, "")
			api = append(api, time.Since(begun))
			if code != 200 {
				b.Fatalf("%d %s", code, body)
			}
			items, _ := fieldOf(body, "items").([]any)
			last, _ := items[len(items)-1].(map[string]any)
			at, err := time.Parse(time.RFC3339Nano, fmt.Sprint(last["changed"]))
			if err != nil {
				b.Fatal(err)
			}
			after, _ = fieldOf(body, "next").(string)
			begun = time.Now()
			var rows []store.ChangedCoach
			if err := db.View(b.Context(), func(tx *store.Tx) (err error) {
				rows, err = tx.ChangedCoaches(b.Context(), "one", at.UnixMicro(), fmt.Sprint(last["coach"]), 100)
				return err
			}); err != nil || len(rows) == 0 {
				b.Fatal(err, len(rows))
			}
			sql = append(sql, time.Since(begun))
			begun = time.Now()
			for range rows {
				_ = intake.Tree(x.desk.Places, one)
			}
			trees = append(trees, time.Since(begun))
		}
	}
	for name, l := range map[string][]time.Duration{"api": api, "sql": sql, "trees": trees} {
		slices.Sort(l)
		b.ReportMetric(float64(l[len(l)*99/100].Microseconds())/1000, "p99-ms-"+name)
	}
}
