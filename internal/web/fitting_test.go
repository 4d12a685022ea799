package web

import (
	"html"
	"math"
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
	whole := url.Values{"new_slide": {"t"}, "width": {"11 ft"}, "height": {"20 mm"}, "gaps": {"13 mm"},
		"run": {"outer/top"}, "construction": {"track"}, "day": {"2022-05-01"}, "bulb": {"epdm_sponge"},
		"wiper": {"epdm_dense"}}
	if code, body, _ := x.send(c, "POST /coach/{coach}/fit", names, whole); code != http.StatusSeeOther {
		t.Fatalf("%d %s", code, body)
	}
	form := url.Values{"slide": {"t"}, "run": {"outer/top"}, "construction": {"track"}, "day": {"2026-03-01"},
		"bulb": {"silicone"}, "wiper": {asItIs}}
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
	for name, bad := range map[string]url.Values{"a new edge": {"run": {"outer/fore"}},
		"nothing new": {"bulb": {asItIs}}} {
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

// A bare number is in the unit of the page that the form was filled in on, whatever the
// browser shows now; the box says which unit that is.
func TestBareNumbersAreInThePagesUnit(t *testing.T) {
	x := newRig(t)
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1"}
	for _, path := range []string{"/coach/zf-1/fit", "/coach/zf-1/walk/s"} {
		if _, page, _ := x.send(c, "GET "+path, nil, nil); !strings.Contains(page, `name="units" value="in"`) ||
			!strings.Contains(page, "<span>in</span>") {
			t.Errorf("%s does not show its unit", path)
		}
	}
	send := func(pattern, slide string, form url.Values) {
		t.Helper()
		if code, body, _ := x.send(c, pattern, names, form); code != http.StatusSeeOther {
			t.Fatalf("%s: %d %s", slide, code, body)
		}
	}
	form := func(units, slide, width, height, gaps, temp string) url.Values {
		return url.Values{
			"units":        {units},
			"new_slide":    {slide},
			"width":        {width},
			"height":       {height},
			"gaps":         {gaps},
			"temp":         {temp},
			"run":          {"outer/top"},
			"construction": {"track"},
			"day":          {"2024-05-01"},
			"bulb":         {"epdm_sponge"},
		}
	}
	send("POST /coach/{coach}/fit", "inches", form("in", "i", "132", "7/8", "1/2, 9/16 in", "68"))
	send("POST /coach/{coach}/fit", "millimetres", form("mm", "m", "3350", "20", "12; 14 mm", "20"))
	names["slide"] = "m"
	send(
		"POST /coach/{coach}/walk/{slide}",
		"walk",
		url.Values{"units": {"in"}, "day": {"2026-03-01"}, "bulb_height|outer/top|bulb": {"11/16"}},
	)
	k := x.coach()
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > .01 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	i, m := k.Slides[1], k.Slides[2]
	near("width in inches", float64(i.Width), 3352.8)
	near("height in inches", float64(i.Runs[0].FreeHeight), 22.225)
	near("first gap", float64(i.Runs[0].Gaps[0]), 12.7)
	near("second gap", float64(i.Runs[0].Gaps[1]), 14.2875)
	near("68 degrees", float64(*i.Runs[0].InstallTemp), 20)
	near("width in mm", float64(m.Width), 3350)
	near("height in mm", float64(m.Runs[0].FreeHeight), 20)
	near("gap in mm", float64(m.Runs[0].Gaps[1]), 14)
	near("20 degrees", float64(*m.Runs[0].InstallTemp), 20)
	near("reading", k.Readings[0].Value, 17.4625)
	// Without a page's unit a bare number says nothing.
	if code, _, _ := x.send(c, "POST /coach/{coach}/fit", names,
		form("", "n", "132", "7/8", "1/2", "68")); code != http.StatusUnprocessableEntity {
		t.Errorf("no unit at all: %d", code)
	}
}

// A bulb that does not fit is said first: before it is saved, which takes a word more,
// and in the first line of the coach's page afterwards.
func TestMisfitIsSaidFirst(t *testing.T) {
	x := newRig(t)
	c, names := x.as("technician@one.example.org"), map[string]string{"coach": "zf-1"}
	form := url.Values{"slide": {"s"}, "run": {"outer/top", "outer/fore"}, "construction": {"push_on"},
		"day": {"2026-03-01"}, "bulb": {"epdm_sponge"}, "wiper": {"epdm_dense"},
		"height": {"1-1/8 in"}, "gaps": {"7/16 in"}, "gaps outer/fore": {"3/4 in"}}
	before := x.coach()
	code, page, _ := x.send(c, "POST /coach/{coach}/fit", names, form)
	says := func(page string) bool {
		page = html.UnescapeString(page)
		for _, want := range []string{"outer top", "61 % squeeze", "at most 50 % is sound",
			"a free height of 1/2 in (13.1 mm) to 7/8 in (22.2 mm) would fit"} {
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
	if alert := strings.Index(page, "role=\"alert\""); alert < 0 || alert > strings.Index(page,
		"<form method=\"post\" id=\"fit\"") {
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
	if code, page, to = x.send(c, "POST /coach/{coach}/fit", names, form); code != http.StatusSeeOther ||
		!strings.Contains(to, "done=saved") {
		t.Errorf("a bulb that fits: %d to %q\n%s", code, to, page)
	}
	if _, page, _ = x.send(c, "GET /coach/{coach}", names, nil); strings.Contains(page, "does not fit") ||
		strings.Contains(page, "squeeze in the narrowest") {
		t.Error("a bulb that fits is still warned of")
	}
}
