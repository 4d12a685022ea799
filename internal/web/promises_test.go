package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

func (x *rig) coach() coach.Coach {
	x.t.Helper()
	p, err := x.desk.CoachPage(context.Background(), "one", "zf-1")
	if err != nil {
		x.t.Fatal(err)
	}
	return p.Coach
}

func (x *rig) record(rs ...coach.Reading) {
	x.t.Helper()
	if err := x.desk.Record(context.Background(), "one", "m", "zf-1", desk.Records{Readings: rs}); err != nil {
		x.t.Fatal(err)
	}
}

// A danger found in the afternoon stays when the morning's form arrives late; taking it
// back, or a later day, ends it.
func TestLateFormsLiftNoHold(t *testing.T) {
	x := newRig(t)
	day := civil.Of(2026, 3, 3)
	light := coach.Reading{Day: day, Kind: coach.Light, Slide: "s", Value: 1, By: "shop"}
	x.record(light)
	late := light
	late.Value = 0
	x.record(late)
	c := x.coach()
	if _, held := c.DangerOn("s", day); !held {
		t.Error("the late form lifted the hold")
	}
	if err := x.desk.TakeBackEntry(t.Context(), "one", "m", "zf-1", desk.ReadingKey(light)); err != nil {
		t.Fatal(err)
	}
	if c = x.coach(); len(c.Readings) != 0 {
		t.Errorf("%v", c.Readings)
	}
}

// Taking back one person's reading leaves the other's; a second note of a day is kept.
func TestEntriesOfOneDay(t *testing.T) {
	x := newRig(t)
	day := civil.Of(2026, 3, 2)
	shop := coach.Reading{Day: day, Kind: coach.BulbHeight, Slide: "s", Run: "outer/top", Part: coach.Bulb, Value: 17,
		By: "shop"}
	owner := shop
	owner.By, owner.Value = "owner", 18
	x.record(shop, owner)
	if err := x.desk.TakeBackEntry(t.Context(), "one", "m", "zf-1", desk.ReadingKey(owner)); err != nil {
		t.Fatal(err)
	}
	if rs := x.coach().Readings; len(rs) != 1 || rs[0].By != "shop" {
		t.Errorf("%v", rs)
	}
	for _, note := range []string{"first", "second", "first"} {
		if err := x.desk.Record(t.Context(), "one", "m", "zf-1",
			desk.Records{Services: []coach.Service{{Day: day, Kind: coach.Inspect, Slide: "s", By: "shop",
				Note: note}}}); err != nil {
			t.Fatal(err)
		}
	}
	if ss := x.coach().Services; len(ss) != 1 || ss[0].Note != "first; second" {
		t.Errorf("%v", ss)
	}
}

// A file that says what the shop can do forgets no day that was agreed since.
func TestImportKeepsAgreedDays(t *testing.T) {
	x := newRig(t)
	if err := x.desk.Pin(t.Context(), "one", "m", "zf-1", desk.DayChange{Day: civil.Of(2026, 4, 1)}); err != nil {
		t.Fatal(err)
	}
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "", 0, "w.yaml",
		[]byte("workshop: {hours: {push_on: 20}}")); err != nil || bad.Err() != nil {
		t.Fatal(err, bad)
	}
	p, err := x.desk.CoachPage(t.Context(), "one", "zf-1")
	if err != nil || len(p.Pins) != 1 {
		t.Errorf("%v, agreed: %v", err, p.Pins)
	}
	if err := x.desk.Pin(t.Context(), "one", "m", "zf-1", desk.DayChange{}); err == nil {
		t.Error("cancelling nothing was taken")
	}
}

// Two events of a kind on one day ask for one look, and the pass goes on.
func TestTwoEventsOfOneDay(t *testing.T) {
	x := newRig(t)
	text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	text += "    events: [{date: 2026-03-01, kind: hail}, {date: 2026-03-01, kind: hail, slide: s}]\n"
	if !strings.Contains(text, "  coach: zf-1") && !strings.Contains(text, "coach: zf-1") {
		t.Fatal(text)
	}
	text = strings.Replace(text, "    events:", "  events:", 1)
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
		bad.Err() != nil {
		t.Fatalf("%v %v\n%s", err, bad, text)
	}
	tools, _ := x.desk.ToolsFor(t.Context(), "one")
	if _, _, err := cycle.Pass(t.Context(), x.db, tools, "one", civil.Of(2026, 3, 3),
		func(context.Context, *store.Tx, []reminder.Notice) error {
			return nil
		}); err != nil {
		t.Error(err)
	}
}

// A queued mail whose reason is gone does not leave: the work is done, the person is
// another one, the coach is sold.
func TestNoMailWithoutAReason(t *testing.T) {
	x := newRig(t)
	open := func() (n int) {
		rows, err := x.desk.Queue(t.Context(), "one", desk.Open, 100)
		if err != nil {
			t.Fatal(err)
		}
		return len(rows)
	}
	if open() != 1 {
		t.Fatalf("%d open notices", open())
	}
	text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	text = strings.Replace(text, "email: "+marker+"@example.org", "email: new@example.org", 1)
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
		bad.Err() != nil {
		t.Fatal(err, bad)
	}
	if open() != 0 {
		t.Errorf("%d notices to who is not its person any more", open())
	}
}

// The owner's buttons stand under the task that the message was about, not under
// another; a fitting of a new slide does not overwrite one that is there.
func TestFormsMeanWhatTheySay(t *testing.T) {
	x := newRig(t)
	c := x.as("technician@one.example.org")
	names := map[string]string{"coach": "zf-1"}
	form := url.Values{"slide": {"s"}, "new_slide": {"bed"}, "run": {"outer/top"}, "construction": {"push_on"},
		"bulb": {"tpv"}, "carrier": {"none"}, "day": {"2026-03-01"}}
	if code, body, _ := x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusSeeOther {
		t.Fatalf("%d %s", code, body)
	}
	got := x.coach()
	if len(got.Slides) != 2 || got.Slides[0].Runs[0].Parts[0].Material != coach.EPDMSponge || got.Slides[1].ID != "bed" {
		t.Errorf("%+v", got.Slides)
	}
	form.Set("new_slide", "s")
	if code, _, _ := x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusUnprocessableEntity {
		t.Errorf("a new slide with the name of one that is there: %d", code)
	}
	form.Set("bulb", "granite")
	form.Set("new_slide", "")
	if code, body, _ := x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusUnprocessableEntity ||
		!strings.Contains(body, `value="outer/top" checked`) {
		t.Errorf("after a fault the edges are not ticked: %d", code)
	}
}

// No page has a link that leads nowhere, and times are those of the shop.
func TestOwnerPageAndTimes(t *testing.T) {
	x := newRig(t)
	text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	text = strings.Replace(text, "    - edge: outer/top\n",
		"    - {edge: outer/front, construction: push_on, fitted: 2022-05-01, parts: [{part: bulb, material: "+
			"epdm_sponge}]}\n    - edge: outer/top\n", 1)
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
		bad.Err() != nil {
		t.Fatalf("%v %v\n%s", err, bad, text)
	}
	look := func() string {
		k := x.coach()
		code, page, _ := x.send(http.DefaultClient, "GET /o/{token}",
			map[string]string{"token": x.desk.Signer.OwnerToken("one", &k)}, nil)
		if code != http.StatusOK || strings.Contains(page, `href=""`) {
			t.Errorf("%d %s", code, page)
		}
		return page
	}
	if page := look(); !strings.Contains(page, "zebrafinch slide (all edges)") {
		t.Errorf("the two edges of one task are not named:\n%s", page)
	}
	x.record(coach.Reading{Day: civil.Of(2026, 3, 1), Kind: coach.Light, Slide: "s", Value: 1, By: "shop"})
	look()
	if _, page, _ := x.send(x.as("manager@one.example.org"), "GET /changes", nil, nil); !strings.Contains(page,
		" MST</td>") || strings.Contains(page, "UTC") {
		t.Errorf("not the shop's time:\n%s", page)
	}
}

// Who reads Spanish or French finds no English word of ours on the page, in the picture
// of a slide or in the history.
func TestOwnerPageLanguages(t *testing.T) {
	x := newRig(t)
	x.desk.Words = &wording.Catalogue{}
	for tag, po := range config.Words {
		if bad := x.desk.Words.Add(tag, po); len(bad) > 0 {
			t.Fatal(bad)
		}
	}
	for _, r := range []coach.Reading{{Kind: coach.HoseTest, Value: 2},
		{Kind: coach.BulbHeight, Run: "outer/top", Part: coach.Bulb, Value: 15}, {Kind: coach.Light, Value: 1}} {
		r.Day, r.Slide, r.By = civil.Of(2026, 3, 1), "s", "shop"
		x.record(r)
	}
	for i, kind := range coach.ReadingKinds { // each kind has a word
		x.record(coach.Reading{Day: civil.Of(2026, 2, 1+i), Slide: "s", By: "shop", Kind: kind, Value: 1, Run: "outer/top",
			Part: coach.Bulb})
	}
	for lang, words := range map[string][]string{
		"es": {"Luz a través del sello: sí", "Prueba con manguera: gotea", "extensión s (borde exterior de arriba)",
			"extensión s, vista desde fuera"},
		"fr": {"Lumière à travers le joint", "extension s (bord extérieur haut)", "vue de l&#39;extérieur"},
	} {
		text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
		if err != nil {
			t.Fatal(err)
		}
		text = strings.Replace(text, "label: zebrafinch slide", "travel: 30 in", 1)
		text = regexp.MustCompile(`\n *language: ..`).ReplaceAllString(text, "")
		text = regexp.MustCompile(`(?m)^( *)- name: .*$`).ReplaceAllString(text, "$0\n$1  language: "+lang)
		if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
			bad.Err() != nil {
			t.Fatalf("%v %v\n%s", err, bad, text)
		}
		k := x.coach()
		_, page, _ := x.send(http.DefaultClient, "GET /o/{token}",
			map[string]string{"token": x.desk.Signer.OwnerToken("one", &k)}, nil)
		_, cal, _ := x.send(http.DefaultClient, "GET /o/{token}/calendar.ics",
			map[string]string{"token": x.desk.Signer.OwnerToken("one", &k)}, nil)
		if cal = strings.ReplaceAll(cal, "\r\n ", ""); strings.Contains(cal, "s/outer") || strings.Contains(cal, " slide") ||
			strings.Contains(cal, "reading showed") || !strings.Contains(cal, "extens") {
			t.Errorf("%s: %s", lang, cal)
		}
		for _, w := range words {
			if !strings.Contains(page, w) {
				t.Errorf("%s: no %q in\n%s", lang, w, page)
			}
		}
		for _, w := range []string{": :", "  : ", "outer", " edge", "Light", "light through", "yes", "on hold", " slide",
			"seen from"} {
			if strings.Contains(page, w) {
				t.Errorf("%s: %q in\n%s", lang, w, page)
			}
		}
	}
}
