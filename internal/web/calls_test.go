package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
)

// A danger that a technician records shows at once on the coach's page, with the message
// and the choice to call instead, and at the top of Calls, with the number.
func TestStopIsACall(t *testing.T) {
	x := newRig(t)
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1", "slide": "s"}
	if code, _, _ := x.send(c, "POST /coach/{coach}/walk/{slide}", names,
		url.Values{"day": {"2026-03-03"}, "soft_floor||": {"yes"}}); code != http.StatusSeeOther {
		t.Fatal(code)
	}
	_, page, _ := x.send(c, "GET /coach/{coach}", names, nil)
	for _, want := range []string{"Do not use", "Tell MARK owner now?", `value="send"`, `value="phone"`} {
		if !strings.Contains(page, strings.ReplaceAll(want, "MARK", marker)) {
			t.Errorf("the coach's page lacks %q", want)
		}
	}
	field := func(name string) string {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page[strings.Index(page,
			"/stop\""):])
		if m == nil {
			t.Fatalf("no field %s", name)
		}
		return m[1]
	}
	form := url.Values{"notice": {field("notice")}, "person": {field("person")}, "key": {field("key")},
		"action": {"phone"}}
	if code, _, _ := x.send(c, "POST /coach/{coach}/stop", names,
		url.Values{"action": {"shout"}}); code != http.StatusBadRequest {
		t.Errorf("an unknown action: %d", code)
	}
	if code, _, _ := x.send(c, "POST /coach/{coach}/stop", names, form); code != http.StatusSeeOther {
		t.Fatalf("call instead: %d", code)
	}
	_, calls, _ := x.send(c, "GET /calls", nil, nil)
	if !strings.Contains(calls, "Safety stops: call first") || !strings.Contains(calls, marker+" owner") {
		t.Errorf("the stop is no call:\n%s", calls)
	}
	reached := url.Values{"coach": {"zf-1"}, "person": {form.Get("person")}, "key": {form.Get("key")},
		"note": {"will stay out"}}
	if code, _, _ := x.send(x.as("viewer@one.example.org"), "POST /calls", nil, reached); code != http.StatusForbidden {
		t.Errorf("a viewer records a call: %d", code)
	}
	if code, _, _ := x.send(c, "POST /calls", nil, reached); code != http.StatusSeeOther {
		t.Fatalf("reached: %d", code)
	}
	if _, calls, _ = x.send(c, "GET /calls", nil, nil); strings.Contains(calls, "Safety stops") {
		t.Error("reached, and still on the list")
	}
}

// A paused account says on its board what waits, and a manager can read and start it.
func TestPausedAccountSaysSo(t *testing.T) {
	x := newRig(t)
	if err := x.desk.Pause(t.Context(), "one", "t"); err != nil {
		t.Fatal(err)
	}
	c := x.as("manager@one.example.org")
	_, page, _ := x.send(c, "GET /board", nil, nil)
	if !strings.Contains(page, "This account is paused") || !strings.Contains(page, `href="/held"`) {
		t.Errorf("the board does not say that nothing leaves:\n%.2000s", page)
	}
	if code, _, _ := x.send(x.as("technician@one.example.org"), "POST /held", nil,
		url.Values{"action": {"start"}}); code != http.StatusForbidden {
		t.Errorf("a technician starts the account: %d", code)
	}
	if code, _, _ := x.send(c, "POST /held", nil, url.Values{"action": {"withdraw"}, "hold": {reminder.HoldPaused},
		"until": {"banana"}}); code != http.StatusBadRequest {
		t.Errorf("no day: %d", code)
	}
	if code, _, _ := x.send(c, "POST /held", nil, url.Values{"action": {"start"}}); code != http.StatusSeeOther {
		t.Fatalf("start: %d", code)
	}
	if s, err := x.desk.Sending(t.Context(), "one"); err != nil || s.Paused {
		t.Errorf("%+v %v", s, err)
	}
}

// Calls are one row a person and coach, a stop apart, by the earliest day.
func TestCallRows(t *testing.T) {
	late, soon := civil.Of(2026, 9, 1).String(), civil.Of(2026, 4, 1).String()
	rows := callRows([]desk.Request{
		{Coach: "b", Person: "Vi", TaskKey: "inspect|s|2020-01-01", Reason: "no_address", Target: late},
		{Coach: "a", Person: "Vi", TaskKey: "inspect|s|2020-01-01", Reason: "no_address", Target: late},
		{Coach: "a", Person: "Vi", TaskKey: "clean|s/outer/top|2020-01-01", Reason: "no_address", Target: soon},
		{Coach: "a", Person: "Vi", TaskKey: string(coach.SafetyStop) + "|s|2026-01-01", Reason: "safety_stop", Target: late},
		{Coach: "a", Person: "Ann", TaskKey: "clean|s/outer/top|2020-01-01", Reason: "opted_out"},
	})
	var got []string
	for _, r := range rows {
		got = append(got, r.Coach+" "+r.Person+" "+strings.Join(r.What, "+")+" "+r.Target)
	}
	want := []string{"a Ann clean, s, outer top ", "a Vi inspection, s+clean, s, outer top " + soon,
		"b Vi inspection, s " + late, "a Vi safety stop, s " + late}
	if strings.Join(got, "; ") != strings.Join(want, "; ") {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}
