package web

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// A new bulb leaves the wiper with its day; what was not there cannot stay.
func TestFitOnePartOnly(t *testing.T) {
	x := newRig(t)
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1"}
	whole := url.Values{"new_slide": {"t"}, "width": {"11 ft"}, "height": {"20 mm"}, "gaps": {"13 mm"}, "run": {"outer/top"}, "construction": {"track"}, "day": {"2022-05-01"}, "bulb": {"epdm_sponge"}, "wiper": {"epdm_dense"}}
	if code, body, _ := x.send(c, "POST /coach/{coach}/fit", names, whole); code != http.StatusSeeOther {
		t.Fatalf("%d %s", code, body)
	}
	form := url.Values{"slide": {"t"}, "run": {"outer/top"}, "construction": {"track"}, "day": {"2026-03-01"}, "bulb": {"silicone"}, "wiper": {asItIs}}
	if code, body, _ := x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusSeeOther {
		t.Fatalf("%d %s", code, body)
	}
	k := x.coach()
	r := k.Slides[1].Runs[0]
	want := map[coach.PartKind]civil.Date{coach.Bulb: civil.Of(2026, 3, 1), coach.Wiper: civil.Of(2022, 5, 1)}
	if len(r.Parts) != 2 || r.Fitted != civil.Of(2022, 5, 1) || len(r.Gaps) != 1 || r.FreeHeight == 0 {
		t.Errorf("%+v", r)
	}
	for _, p := range r.Parts {
		if day := max(p.Fitted, r.Fitted); day != want[p.Kind] {
			t.Errorf("%s is of %v, want %v", p.Kind, day, want[p.Kind])
		}
	}
	if len(k.Services) != 1 || k.Services[0].Kind != coach.ReplaceBulb {
		t.Errorf("%+v", k.Services)
	}
	for name, bad := range map[string]url.Values{"a new edge": {"run": {"outer/fore"}}, "nothing new": {"bulb": {asItIs}}} {
		f := url.Values{}
		for key, v := range form {
			f[key] = v
		}
		for key, v := range bad {
			f[key] = v
		}
		if code, _, _ := x.send(c, "POST /coach/{coach}/fit", names, f); code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, code)
		}
	}
}

// A bulb that does not fit is said first: before it is saved, which takes a word more,
// and in the first line of the coach's page afterwards.
func TestMisfitIsSaidFirst(t *testing.T) {
	x := newRig(t)
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1"}
	form := url.Values{"slide": {"s"}, "run": {"outer/top", "outer/fore"}, "construction": {"push_on"}, "day": {"2026-03-01"}, "bulb": {"epdm_sponge"}, "wiper": {"epdm_dense"},
		"height": {"1-1/8 in"}, "gaps": {"7/16 in"}, "gaps outer/fore": {"3/4 in"}}
	before := x.coach()
	code, page, _ := x.send(c, "POST /coach/{coach}/fit", names, form)
	says := func(page string) bool {
		page = html.UnescapeString(page)
		for _, want := range []string{"outer top", "61 % squeeze", "at most 50 % is sound", "a free height of 1/2 in (13.1 mm) to 7/8 in (22.2 mm) would fit"} {
			if !strings.Contains(page, want) {
				t.Errorf("%q is not said", want)
				return false
			}
		}
		return !strings.Contains(page, "outer front: the bulb")
	}
	if code != http.StatusUnprocessableEntity || !says(page) || !strings.Contains(page, `value="outer/top" checked`) {
		t.Fatalf("%d\n%s", code, page)
	}
	if alert := strings.Index(page, "role=\"alert\""); alert < 0 || alert > strings.Index(page, "<form method=\"post\" id=\"fit\"") {
		t.Error("the warning does not stand above the form")
	}
	if !cmp.Equal(before, x.coach()) {
		t.Error("it was stored without a question")
	}
	confirm := regexp.MustCompile(`name="misfit" value="([^"]*)"`).FindStringSubmatch(page)
	if confirm == nil {
		t.Fatal("there is nothing to confirm")
	}
	form.Set("misfit", html.UnescapeString(confirm[1]))
	form.Set("height", "1-1/4 in")
	if code, _, _ = x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusUnprocessableEntity {
		t.Errorf("%d: what was confirmed holds for another height", code)
	}
	form.Set("height", "1-1/8 in")
	code, page, to := x.send(c, "POST /coach/{coach}/fit", names, form)
	if code != http.StatusSeeOther || !strings.Contains(to, "done=misfit") {
		t.Fatalf("%d to %q\n%s", code, to, page)
	}
	_, page, _ = x.send(c, "GET /coach/{coach}", names, nil)
	_, main, _ := strings.Cut(page, "<main")
	first, _, _ := strings.Cut(main, "<h1")
	says(first)
	form.Set("height", "7/8 in")
	form.Set("gaps outer/fore", "5/8 in")
	form.Set("gaps", "5/8 in")
	form.Del("misfit")
	if code, page, to = x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusSeeOther || !strings.Contains(to, "done=saved") {
		t.Errorf("a bulb that fits: %d to %q\n%s", code, to, page)
	}
	if _, page, _ = x.send(c, "GET /coach/{coach}", names, nil); strings.Contains(page, "does not fit") || strings.Contains(page, "squeeze in the narrowest") {
		t.Error("a bulb that fits is still warned of")
	}
}
