package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// pass runs a pass over account one.
func (x *rig) pass(on civil.Date) cycle.Result {
	x.t.Helper()
	tools, err := x.desk.ToolsFor(context.Background(), "one")
	if err != nil {
		x.t.Fatal(err)
	}
	res, _, err := cycle.Pass(
		context.Background(),
		x.db,
		tools,
		"one",
		on,
		func(context.Context, *store.Tx, []reminder.Notice) error { return nil },
	)
	if err != nil {
		x.t.Fatal(err)
	}
	return res
}

// kinds returns the kinds of the events of account one, in order.
func (x *rig) kinds() (out []string) {
	x.t.Helper()
	err := x.db.View(context.Background(), func(tx *store.Tx) error {
		es, err := tx.Events(context.Background(), "one", 0, 1000)
		for _, e := range es {
			out = append(out, e.Kind)
		}
		return err
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return out
}

// A day on which the shop is closed is agreed only by somebody who says that it is meant.
func TestClosedDaysAreAsked(t *testing.T) {
	x := newRig(t)
	c := x.as("technician@one.example.org")
	names := map[string]string{"coach": "zf-1"}
	form := url.Values{"day": {"2026-04-05"}, "time": {"09:30"}, "to": {"/season?from=2026-03-30"}} // a Sunday
	for _, plan := range []string{"", "1"} {
		form.Set("plan", plan)
		code, body, _ := x.send(c, "POST /coach/{coach}/pin", names, form)
		want := map[string]string{"": "Agree anyway?", "1": "Plan it anyway?"}[plan]
		if code != http.StatusUnprocessableEntity || !strings.Contains(body, "The shop is closed on Sundays") ||
			!strings.Contains(body, want) ||
			!strings.Contains(body, `name="time" value="09:30"`) {
			t.Errorf("%q: %d %s", plan, code, body)
		}
	}
	if p, err := x.desk.CoachPage(t.Context(), "one", "zf-1"); err != nil || len(p.Pins)+len(p.Planned) != 0 {
		t.Errorf("%v, stored without being asked: %v %v", err, p.Pins, p.Planned)
	}
	form.Set("plan", "")
	form.Set("closed_ok", "1")
	if code, body, to := x.send(c, "POST /coach/{coach}/pin", names, form); code != http.StatusSeeOther ||
		!strings.HasPrefix(to, "/season") {
		t.Errorf("%d %s %s", code, to, body)
	}
	if p, err := x.desk.CoachPage(t.Context(), "one", "zf-1"); err != nil || len(p.Pins) != 1 ||
		p.Pins[0].At != 9*60+30 {
		t.Errorf("%v, agreed: %v", err, p.Pins)
	}
	// A shop that opens on Sundays is not asked.
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "", 0, "w.yaml",
		[]byte("workshop: {days: [Sun, Mon]}")); err != nil ||
		bad.Err() != nil {
		t.Fatal(err, bad)
	}
	form = url.Values{"day": {"2026-04-12"}}
	if code, body, _ := x.send(c, "POST /coach/{coach}/pin", names, form); code != http.StatusSeeOther {
		t.Errorf("an open Sunday: %d %s", code, body)
	}
}

// A planned day stays in the plan and is nothing else: the coach is not booked, its people
// are not reminded of it, no calendar and no event tells it. Agreed, it is all of that.
func TestPlannedIsNotAgreed(t *testing.T) {
	x := newRig(t)
	c := x.as("technician@one.example.org")
	names := map[string]string{"coach": "zf-1"}
	day := civil.Of(2026, 3, 9)
	planned := func(v url.Values) {
		t.Helper()
		if code, body, to := x.send(c, "POST /coach/{coach}/pin", names, v); code != http.StatusSeeOther ||
			!strings.Contains(to, "done=planned") {
			t.Fatalf("%d %s %s", code, to, body)
		}
	}
	planned(url.Values{"plan": {"1"}, "week": {"1"}, "day": {"2026-03-16"}, "to": {"/season"}})
	planned(
		url.Values{"plan": {"1"}, "week": {"1"}, "day": {"2026-03-09"}, "to": {"/season"}},
	) // dragged once more before the plan was made
	state := func() (state, visit string) {
		t.Helper()
		b, err := x.desk.Board(t.Context(), "one", "m", store.BoardFilter{}, 1)
		if err != nil || len(b.Rows) != 1 {
			t.Fatal(err, b.Rows)
		}
		return b.Rows[0].State, b.Rows[0].Visit
	}
	for on := civil.Of(2026, 3, 3); on < day; on += 2 { // a reminder of an agreed day leaves a week and a day before
		res := x.pass(on)
		for _, s := range res.Outcomes[0].Suppressed {
			if s.Reason == reminder.Booked {
				t.Errorf("%s: %s is taken for booked", on, s.TaskKey)
			}
		}
		for _, n := range res.Notices() {
			if n.Task == coach.BookedVisit {
				t.Errorf("%s: %q is written to %s, who agreed to nothing", on, n.Subject, n.Person)
			}
		}
	}
	p, err := x.desk.CoachPage(t.Context(), "one", "zf-1")
	if err != nil || len(p.Pins) != 0 || len(p.Planned) != 1 || p.Planned[0].Day != day || len(p.Visits) == 0 ||
		p.Visits[0].Day != day ||
		!p.Visits[0].Chosen ||
		p.Visits[0].Pinned {
		t.Fatalf("%v %v %v %+v", err, p.Pins, p.Planned, p.Visits)
	}
	if s, visit := state(); s == cycle.Booked || visit != "" {
		t.Errorf("on the board it is %s, visit %q", s, visit)
	}
	if slices.ContainsFunc(x.kinds(), func(k string) bool { return k == "visit.booked" || k == "visit.moved" }) {
		t.Errorf("%v", x.kinds())
	}
	k := x.coach()
	owner := map[string]string{"token": x.desk.Signer.OwnerToken("one", &k)}
	if _, page, _ := x.send(http.DefaultClient, "GET /o/{token}", owner, nil); strings.Contains(page, "booked in") {
		t.Error("the owner's page tells a day that nobody agreed to")
	}
	if _, cal, _ := x.send(http.DefaultClient, "GET /o/{token}/calendar.ics", owner, nil); strings.Contains(
		cal,
		"visit-zf-1",
	) {
		t.Error("the owner's calendar has the day")
	}
	for _, path := range []string{"/season", "/coach/zf-1"} {
		if _, page, _ := x.send(c, "GET "+path, nil, nil); !strings.Contains(page, "Agreed with the owner</button>") ||
			!strings.Contains(strings.ToLower(page), "not agreed") {
			t.Errorf("%s does not say that the day is only planned", path)
		}
	}
	// Agreed by one press.
	if code, body, _ := x.send(c, "POST /coach/{coach}/pin", names,
		url.Values{"was": {day.String()}, "day": {day.String()}}); code != http.StatusSeeOther {
		t.Fatalf("%d %s", code, body)
	}
	if s, visit := state(); s != cycle.Booked || visit != day.String() {
		t.Errorf("agreed, on the board it is %s, visit %q", s, visit)
	}
	if ks := x.kinds(); !slices.Contains(ks, "visit.booked") || slices.Contains(ks, "visit.moved") {
		t.Errorf("%v", ks)
	}
	if _, cal, _ := x.send(http.DefaultClient, "GET /o/{token}/calendar.ics", owner, nil); !strings.Contains(
		cal,
		"visit-zf-1-2026-03-09",
	) {
		t.Error("the owner's calendar has not the day")
	}
	// What is agreed is not moved by a plan.
	if code, body, _ := x.send(c, "POST /coach/{coach}/pin", names, url.Values{"plan": {"1"}, "was": {day.String()},
		"day": {"2026-03-18"}}); code != http.StatusConflict ||
		!strings.Contains(body, "Call them first") {
		t.Errorf("%d %s", code, body)
	}
	_, page, _ := x.send(c, "GET /season", nil, nil)
	x.pass(civil.Of(2026, 3, 3))
	if _, page, _ = x.send(c, "GET /season", nil, nil); !strings.Contains(page, `class="visit agreed"><a`) {
		t.Errorf("an agreed visit can be dragged:\n%s", page)
	}
}

// Days that were stored before there were planned ones are agreed.
func TestOldDaysAreAgreed(t *testing.T) {
	x := newRig(t)
	err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.SQL().ExecContext(
			t.Context(),
			tx.SQL().Rebind(`INSERT INTO workshop (account_id, doc, changed_at) VALUES (?, ?, 0)`),
			"one",
			`{"Site":null,"Travel":-1,"Pins":[{"Coach":"zf-1","Day":"2026-04-01","Task":"","At":570}]}`,
		)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if p, err := x.desk.CoachPage(t.Context(), "one", "zf-1"); err != nil || len(p.Pins) != 1 || len(p.Planned) != 0 ||
		p.Pins[0] != (coach.Pin{Coach: "zf-1", Day: civil.Of(2026, 4, 1), At: 570}) {
		t.Errorf("%v %v %v", err, p.Pins, p.Planned)
	}
	// A file may plan a day, too.
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "", 0, "w.yaml",
		[]byte("workshop: {pins: [{coach: zf-1, date: 2026-04-14, planned: yes}]}")); err != nil ||
		bad.Err() != nil {
		t.Fatal(err, bad)
	}
	if p, err := x.desk.CoachPage(t.Context(), "one", "zf-1"); err != nil || len(p.Pins) != 1 || len(p.Planned) != 1 {
		t.Errorf("%v %v %v", err, p.Pins, p.Planned)
	}
}
