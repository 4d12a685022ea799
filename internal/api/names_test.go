package api_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// A program that uses the older names stores the same as one that uses the present ones;
// answers have the present ones, and those that they had before beside them.
func TestOldNamesOfRequests(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		key := x.keys["one"]
		_, _, body := x.do(key, "GET", "/coaches/zf-1", "")
		now := text(t, field(t, body, "record"))
		for _, name := range []string{`"edges":[`, `"edge":"outer/top"`, `"slides":"in"`} {
			if !strings.Contains(now, name) {
				t.Errorf("no %s in %s", name, now)
			}
		}
		now = strings.Replace(now, "outer/top", "outer/front", 1)
		_, head, _ := x.do(key, "PUT", "/coaches/zf-1", now)
		old := strings.NewReplacer(`"edges":`, `"runs":`, `"edge":"outer/front"`, `"run":"outer/fore"`, `"slides":"in"`,
			`"rooms":"in"`).Replace(now)
		if code, again, said := x.do(key, "PUT", "/coaches/zf-1", old); code != 200 || old == now ||
			again.Get("ETag") != head.Get("ETag") {
			t.Errorf("%d: the record differs: %s", code, said)
		}
		var kept coach.Coach
		if err := db.View(t.Context(), func(tx *store.Tx) (err error) {
			kept, _, err = tx.Coach(t.Context(), "one", "zf-1")
			return err
		}); err != nil || kept.Slides[0].Runs[0].Key() != "outer/fore" {
			t.Errorf("%v: what is stored has changed: %+v", err, kept.Slides)
		}
		for i, c := range []struct {
			method, path, body string
			status             int
			says               string
		}{
			{"POST", "/coaches/zf-1/services", `{"day":"2026-03-01","slide":"s","edge":"outer/front","kind":"hose_test"}`, 200, ""},
			{"POST", "/coaches/zf-1/services", `{"day":"2026-03-01","slide":"s","run":"outer/fore","kind":"water_test"}`, 200, ""},
			{"GET", "/coaches/zf-1/services", "", 200, `[{"day":"2026-03-01","kind":"hose_test","slide":"s","edge":"outer/front",` +
				`"run":"outer/fore","by":"shop"}]`},
			{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","slide":"s","run":"outer/fore","edge":"outer/front",` +
				`"kind":"bulb_height","value":"17 mm"}`, 422, `"run: \"outer/fore\" is the older name of edge, and both are given`},
			{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","slide":"s","run":"outer/x","kind":"bulb_height",` +
				`"value":"17 mm"}`, 422, `"pointer":"#/run"`},
			{"POST", "/coaches/zf-1/services", `{"day":"2026-03-01","slide":"s","kind":"replace_bulb"}`, 422, ""},
			{"PUT", "/coaches/zf-1/record/bookings", `{"items":[{"from":"2026-07-01","until":"2026-07-03"}]}`, 200, `"rentals":[`},
			{"GET", "/coaches/zf-1/record/rentals", "", 200, `[{"from":"2026-07-01"`},
			{"GET", "/coaches/zf-1/record/bookings", "", 200, `[{"from":"2026-07-01"`},
			{"PUT", "/coaches/zf-1/record/bookings", `{"items":[{"from":"2026-07-01","until":"2026-06-03"}]}`, 422,
				`"pointer":"#/items/0/until"`},
			{"GET", "/coaches/zf-1/forecasts", "", 200, `"slide":"s","edge":"outer/front","run":"s/outer/fore"`},
			{"GET", "/coaches/zf-1/why?run=s/outer/fore&part=bulb", "", 200, `"topic"`},
			{"GET", "/coaches/zf-1/why?run=s/outer/front&part=bulb", "", 200, `"topic"`},
			{"GET", "/coaches/zf-1/why?slide=s&edge=outer/front&part=bulb", "", 200, `"topic"`},
			{"GET", "/coaches/zf-1/why?slide=s&part=bulb", "", 422, "slide and edge do not name one edge"},
			{"GET", "/coaches/zf-1/why?part=bulb", "", 422, "slide and edge do not name one edge"},
			{"GET", "/lots/" + marker + "-lot", "", 200, `"slide":"s","edge":"outer/front","run":"s/outer/fore"`},
			{"GET", "/notices?state=given_up", "", 200, `"items":[]`},
			{"GET", "/notices?state=failed", "", 200, `"items":[]`},
		} {
			if code, _, said := x.do(key, c.method, c.path, c.body); code != c.status || !strings.Contains(said, c.says) {
				t.Errorf("%d: %s %s %s: %d %s", i, c.method, c.path, c.body, code, said)
			}
		}
		// Both addresses of the list of calls have the same people.
		x.planned(t)
		_, _, calls := x.do(key, "GET", "/calls", "")
		_, _, requests := x.do(key, "GET", "/requests", "")
		if n := len(field(t, calls, "items").([]any)); n == 0 || n != len(field(t, requests, "items").([]any)) ||
			!strings.Contains(calls, `"kind":"appointment","person":"bea@example.org","task":"inspect|x|2019-05-01","task_kind":"inspect","slide":"x"`) {
			t.Errorf("%s\n%s", calls, requests)
		}
	})
}

// The same events are listed by either names, each as its schema says; a new endpoint has
// the present ones, unless it asks for the older, and can be changed.
func TestNamesOfEvents(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	for path, body := range map[string]string{
		"readings": `{"day":"2026-03-01","slide":"s","kind":"light","value":"yes"}`,
		"services": `{"day":"2026-03-01","slide":"s","edge":"outer/top","kind":"clean_and_condition"}`,
		"visits":   `{"day":"2026-04-01"}`,
	} {
		if code, _, said := x.do(key, "POST", "/coaches/zf-1/"+path, body); code != http.StatusOK {
			t.Fatalf("%s: %d %s", path, code, said)
		}
	}
	seen := map[string][]string{}
	for _, names := range []string{"1", "2"} {
		_, _, body := x.do(key, "GET", "/changes?limit=1000&names="+names, "")
		items, _ := field(t, body, "items").([]any)
		schema := events(t, x, names)
		for _, it := range items {
			if err := fits(schema, text(t, it)); err != nil {
				t.Errorf("%v\n%s", err, text(t, it))
			}
			seen[names] = append(seen[names], strings.TrimPrefix(fmt.Sprint(it.(map[string]any)["type"]), "sealmanac."))
		}
	}
	if _, _, body := x.do(key, "GET", "/changes?limit=1000", ""); !strings.Contains(body, "sealmanac.hold.set") ||
		!strings.Contains(body, `"task":"lubricate"`) {
		t.Errorf("without a choice the names are not the older ones: %s", body)
	}
	for was, now := range map[string]string{"hold.set": "safety_stop.set", "visit.booked": "visit.agreed",
		"notice.made": "notice.created"} {
		if !slices.Contains(seen["1"], was) || !slices.Contains(seen["2"], now) || slices.Contains(seen["2"], was) {
			t.Errorf("%s, %s: %v", was, now, seen)
		}
	}
	_, _, body := x.do(key, "POST", "/endpoints", `{"url":"https://crm.example.org/a","kinds":["hold.set"]}`)
	name := fmt.Sprint(field(t, body, "endpoint"))
	if field(t, body, "names") != 2.0 {
		t.Errorf("%s", body)
	}
	if _, _, body := x.do(key, "POST", "/endpoints", `{"url":"https://crm.example.org/b","names":1}`); field(t, body,
		"names") != 1.0 {
		t.Errorf("%s", body)
	}
	for _, c := range []struct {
		body   string
		status int
		says   string
	}{
		{`{"names":1}`, 200, `"kinds":["hold.set"],"names":1,`},
		{`{"kinds":["sealmanac.safety_stop.set"]}`, 200, `"kinds":["safety_stop.set"],"names":1,`},
		{`{"kinds":[],"names":2}`, 200, `"kinds":[],"names":2,`},
		{`{"kinds":["hold.on"]}`, 422, "not a kind of event"}, {`{"names":3}`, 422, "names"},
	} {
		if code, _, said := x.do(key, "PATCH", "/endpoints/"+name, c.body); code != c.status ||
			!strings.Contains(said, c.says) {
			t.Errorf("%s: %d %s", c.body, code, said)
		}
	}
	if code, _, _ := x.do(x.keys["two"], "PATCH", "/endpoints/"+name, `{"names":1}`); code != 404 {
		t.Errorf("another account changes it: %d", code)
	}
}
