package web

import (
	"context"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

var fleet = flag.Int("fleet", 10_000, "how many coaches BenchmarkPages puts into the account")

// BenchmarkPages measures the server's time for each page of an account with 10,000
// coaches; the budget of each is 50 ms.
func BenchmarkPages(b *testing.B) {
	x := newRig(b)
	grow(b, x, *fleet)
	h := x.site.Handler()
	secret, err := x.site.Access.Enter(b.Context(), "manager@one.example.org", password, "bench", "bench", "")
	if err != nil {
		b.Fatal(err)
	}
	names := x.names()
	for _, r := range x.site.routes() {
		method, path, _ := strings.Cut(r.pattern, " ")
		if r.member == nil || method != http.MethodGet || strings.Contains(path, "{file}") {
			continue
		}
		for k, v := range names {
			path = strings.ReplaceAll(path, "{"+k+"}", v)
		}
		switch r.pattern {
		case "GET /coach/{coach}/why":
			path += "?part=s/outer/top/bulb"
		case "GET /board":
			for name, query := range map[string]string{"search": "?q=coach+777", "lot": "?lot=zebrafinch-lot",
				"last": "?page=200&sort=name"} {
				bench(b, h, secret, "/board/"+name, "/board"+query)
			}
		}
		bench(b, h, secret, path, path)
	}
}

func bench(b *testing.B, h http.Handler, secret, name, path string) {
	b.Run(strings.TrimPrefix(name, "/"), func(b *testing.B) {
		for b.Loop() {
			req := httptest.NewRequest(http.MethodGet, path, nil)
			req.AddCookie(&http.Cookie{Name: session, Value: secret})
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req)
			if w.Code >= 400 {
				b.Fatalf("%s: %d", path, w.Code)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/page")
	})
}

// grow adds coaches like the first one and makes a pass over all.
func grow(b *testing.B, x *rig, n int) {
	b.Helper()
	one, _, err := coachOf(b, x)
	if err != nil {
		b.Fatal(err)
	}
	var cs []coach.Coach
	for i := range n {
		c := one
		c.ID, c.Label, c.Use = coach.ID(fmt.Sprintf("c-%05d", i)), fmt.Sprintf("Coach %d", i), coach.Weekend
		c.People = []coach.Person{{Name: fmt.Sprintf("Owner %d", i), Email: fmt.Sprintf("o%d@example.org", i)}}
		c.Slides = append([]coach.Slide(nil), c.Slides...)
		c.Slides[0].Runs = append([]coach.Run(nil), c.Slides[0].Runs...)
		c.Slides[0].Runs[0].Fitted = civil.Of(2010+i%15, 5, 1+i%28)
		c.Slides[0].Runs[0].Parts = []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge,
			Fitted: c.Slides[0].Runs[0].Fitted, Lot: fmt.Sprint("L", i%500)},
			{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: c.Slides[0].Runs[0].Fitted, Lot: coach.UnknownLot}}
		cs = append(cs, c)
	}
	if err := x.db.Update(b.Context(), func(tx *store.Tx) error {
		_, err := tx.SaveCoaches(b.Context(), "one", cs)
		return err
	}); err != nil {
		b.Fatal(err)
	}
	tools, err := x.desk.ToolsFor(b.Context(), "one")
	if err != nil {
		b.Fatal(err)
	}
	if _, _, err := cycle.Pass(b.Context(), x.db, tools, "one", civil.Of(2026, 3, 3),
		func(context.Context, *store.Tx, []reminder.Notice) error {
			return nil
		}); err != nil {
		b.Fatal(err)
	}
}

func coachOf(b *testing.B, x *rig) (c coach.Coach, v int64, err error) {
	err = x.db.View(b.Context(), func(tx *store.Tx) error {
		c, v, err = tx.CoachDoc(b.Context(), "one", "zf-1")
		return err
	})
	return c, v, err
}
