package web

import (
	"net/http"
	"net/url"
	"testing"

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
