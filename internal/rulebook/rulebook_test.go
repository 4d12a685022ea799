package rulebook

import (
	"strings"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/testkit"
)

func TestDefaultRulebook(t *testing.T) {
	r, err := Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	Figures(r, func(string, Figure) { n++ })
	if n < 100 {
		t.Errorf("only %d figures were walked", n)
	}
}

func TestParseReportsEveryFault(t *testing.T) {
	text := string(config.Rulebook)
	for _, cut := range [][2]string{
		{"view_top: {value: 0.5, unit: share, evidence: default", "view_top: {value: 1.6, unit: share, evidence: guess"},
		{"gap_days: 14", "gap_days: -1"},
		{"lead_days: [84, 56, 28]", "lead_days: [28, 56]"},
	} {
		if !strings.Contains(text, cut[0]) {
			t.Fatalf("the rulebook has no %q", cut[0])
		}
		text = strings.Replace(text, cut[0], cut[1], 1)
	}
	_, err := Parse([]byte(text))
	if err == nil {
		t.Fatal("a broken rulebook passed")
	}
	for _, want := range []string{"exposure.view_top: value 1.6", "exposure.view_top: evidence", "manners:", "tasks.replace_bulb.lead_days"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the report lacks %q:\n%v", want, err)
		}
	}
}

func TestParseRefusesUnknownKeys(t *testing.T) {
	_, err := Parse([]byte(strings.Replace(string(config.Rulebook), "gap_days:", "gap_dayz:", 1)))
	if err == nil || !strings.Contains(err.Error(), "gap_dayz") {
		t.Errorf("got %v", err)
	}
}

// A rulebook that is nested deep is refused before it costs much: any manager may try one.
func TestNestedRulesAreCheap(t *testing.T) {
	for _, one := range []string{"[", "{a: ", "- ", "? ", "{materials: ", "- &a "} {
		testkit.Bound(t, 20<<20, func() {
			if _, err := Parse([]byte(strings.Repeat(one, 1<<20/len(one)))); err == nil {
				t.Errorf("%q was read", one)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("version: x"))
	f.Add([]byte("materials: {pvc: {set: {ea: {value: 1}}}}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if r, err := Parse(b); err == nil && r.Version == "" {
			t.Error("an empty rulebook passed")
		}
	})
}
