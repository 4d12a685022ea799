package web

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// A safety stop ends by a look at what caused it: not by an empty form, not by another
// question's answer and not by a line of work.
func TestOnlyALookEndsAStop(t *testing.T) {
	x := newRig(t)
	day := civil.Of(2026, 3, 1)
	x.record(coach.Reading{Day: day, Kind: coach.Light, Slide: "s", Value: 1, By: "shop"})
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1", "slide": "s"}
	held := func() bool {
		k := x.coach()
		_, on := k.DangerOn("s", civil.Of(2026, 3, 3))
		return on
	}
	const walk, done = "POST /coach/{coach}/walk/{slide}", "POST /coach/{coach}/done"
	for _, f := range []struct {
		name, pattern string
		form          url.Values
	}{
		{"empty form", walk, url.Values{"day": {"2026-03-03"}}},
		{"another question", walk, url.Values{"day": {"2026-03-03"}, "soft_floor||": {"no"}}},
		{"a line of work", done, url.Values{"day": {"2026-03-03"}, "kind": {"inspect"}, "where": {"s"}}},
		{"a hose test of the coach", done, url.Values{"day": {"2026-03-03"}, "kind": {"water_test"}}},
		{"new parts without a fitting", done, url.Values{"day": {"2026-03-03"}, "kind": {"replace_seal"}, "where": {"s"}}},
	} {
		if code, _, _ := x.send(c, f.pattern, names, f.form); code < 400 || code > 422 || !held() {
			t.Errorf("%s: %d, held %v", f.name, code, held())
		}
	}
	if code, _, _ := x.send(c, walk, names,
		url.Values{"day": {"2026-03-03"}, "light||": {"no"}}); code != http.StatusSeeOther || held() {
		t.Errorf("the look: %d, held %v", code, held())
	}
}

// The links of the board's states and of kept views lead where they say.
func TestBoardLinksFilter(t *testing.T) {
	x := newRig(t)
	c := x.as("manager@one.example.org")
	x.send(c, "POST /board/views", nil, url.Values{"name": {"rentals"}, "query": {"use=private&state=due"}})
	_, page, _ := x.send(c, "GET /board", nil, nil)
	for _, want := range []string{"state=overdue", "state=due"} {
		if !strings.Contains(html.UnescapeString(page), `href="/board?`+want+`"`) {
			t.Errorf("no link to %s", want)
		}
	}
	kept := regexp.MustCompile(`href="(/board\?[^"]*)">rentals<`).FindStringSubmatch(page)
	if kept == nil {
		t.Fatalf("the kept view has no link:\n%s", page)
	}
	if u, err := url.Parse(html.UnescapeString(kept[1])); err != nil || u.Query().Get("state") != "due" {
		t.Errorf("%q asks for %v", kept[1], u.Query())
	}
}
