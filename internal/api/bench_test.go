package api_test

import (
	"fmt"
	"slices"
	"strings"
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
	if err := db.View(b.Context(), func(tx *store.Tx) (err error) {
		one, _, err = tx.CoachDoc(b.Context(), "one", "zf-1")
		return err
	}); err != nil {
		b.Fatal(err)
	}
	for k := range 100 {
		var cs []coach.Coach
		for i := range 1000 {
			c := one
			c.ID = coach.ID(fmt.Sprintf("c-%06d", 1000*k+i))
			cs = append(cs, c)
		}
		if err := db.Update(b.Context(), func(tx *store.Tx) error {
			_, err := tx.SaveCoaches(b.Context(), "one", cs)
			return err
		}); err != nil {
			b.Fatal(err)
		}
	}
	var api, sql, records []time.Duration
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
			cs := make([]coach.Coach, len(rows))
			for i, r := range rows {
				if cs[i], err = r.Coach(); err != nil {
					b.Fatal(err)
				}
			}
			if _, err := intake.Records(x.desk.Places, cs...); err != nil {
				b.Fatal(err)
			}
			records = append(records, time.Since(begun))
		}
	}
	for name, l := range map[string][]time.Duration{"api": api, "sql": sql, "records": records} {
		slices.Sort(l)
		b.ReportMetric(float64(l[len(l)/2].Microseconds())/1000, "p50-ms-"+name)
		b.ReportMetric(float64(l[len(l)*99/100].Microseconds())/1000, "p99-ms-"+name)
	}
}

// BenchmarkBulk stores 10,000 coaches of two runs and four parts in one request: ones
// that are not there yet, the same with another label and lot, and the same as they
// are. The wish is 5,000 a second on PostgreSQL.
func BenchmarkBulk(b *testing.B) {
	body := func(first int, lot string) string {
		var out strings.Builder
		for i := range 10_000 {
			fmt.Fprintf(&out, `,{"coach":"c-%07d","label":"Coach %s","class":"class_a","use":"weekend","people":[{"name":"Owner %d","email":"o%d@example.org"}],"stays":[{"place":"Bend, OR","from":"2019-01-01","shelter":"open","rooms":"in","cycles":"20/year"}],"slides":[{"slide":"s","width":"11 ft","height":"76 in","runs":[{"run":"outer/top","construction":"track","fitted":"2021-05-01","parts":[{"part":"bulb","material":"epdm_sponge","lot":"%s"},{"part":"wiper","material":"epdm_dense"}]},{"run":"outer/rear","construction":"track","fitted":"2021-05-01","parts":[{"part":"bulb","material":"epdm_sponge"},{"part":"wiper","material":"epdm_dense"}]}]}]}`, first+i, lot, i, i, lot)
		}
		return `{"coaches":[` + out.String()[1:] + `]}`
	}
	for _, c := range []struct {
		name string
		next func(k int) string // body of the k-th request
	}{
		{"new", func(k int) string { return body(10_000*k, "") }},
		{"changed", func(k int) string { return body(0, fmt.Sprint("L", k)) }},
		{"same", func(int) string { return body(0, "L") }},
	} {
		b.Run(c.name, func(b *testing.B) {
			x := newRig(b, storetest.Fresh(b, storetest.Best()))
			send := func(k int) {
				text := c.next(k)
				b.StartTimer()
				code, _, said := x.do(x.keys["one"], "POST", "/coaches/bulk", text)
				b.StopTimer()
				if code != 200 || !strings.Contains(said[:40], `"saved":10000`) {
					b.Fatalf("%d %s", code, said[:200])
				}
			}
			b.StopTimer()
			send(0)
			b.ResetTimer()
			for k := range b.N {
				send(k + 1)
			}
			b.ReportMetric(10_000*float64(b.N)/b.Elapsed().Seconds(), "coaches/s")
		})
	}
}
