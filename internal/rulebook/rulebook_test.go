package rulebook

import (
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v3"

	"sealmanac/config"
	"sealmanac/internal/coach"
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
	for _, want := range []string{"exposure.view_top: value 1.6", "exposure.view_top: evidence", "manners:",
		"tasks.replace_bulb.lead_days"} {
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

// A rulebook that was kept before tasks and figures were added goes on to hold, with
// those of the base; what it says itself, and what it leaves out on purpose, stays.
func TestParseKept(t *testing.T) {
	base, err := Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	text := string(config.Rulebook)
	for _, cut := range []string{`(?m)^  booked_visit:\n(    .*\n)+`, `(?m)^work:\n(  .*\n)+`, `(?m)^  book_days: .*\n`} {
		shorter := regexp.MustCompile(cut).ReplaceAllString(text, "")
		if shorter == text {
			t.Fatalf("the rulebook has no %s", cut)
		}
		text = shorter
	}
	hardening := regexp.MustCompile(`(?m)(^  tpv:\n(?:    .*\n)*?)    hardening:\n(?:      .*\n)+`)
	text = hardening.ReplaceAllString(text, "$1")
	text = strings.Replace(text, "gap_days: 14", "gap_days: 20", 1)
	if _, err := Parse([]byte(text)); err == nil {
		t.Error("a new rulebook may leave out what is required")
	}
	r, err := ParseKept([]byte(text), base)
	if err != nil {
		t.Fatal(err)
	}
	same := reflect.DeepEqual(r.Tasks, base.Tasks) && reflect.DeepEqual(r.Work, base.Work) && r.Shop == base.Shop
	if !same || r.Manners.GapDays != 20 {
		t.Errorf("%+v %+v %+v", r.Work, r.Shop, r.Manners)
	}
	if base.Materials["tpv"].Hardening == nil || r.Materials["tpv"].Hardening != nil {
		t.Error("a mechanism that was left out on purpose came back")
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

// TestEarlierStep reads a rulebook made from an earlier default one: its step that
// named no product is told by the products of today's.
func TestEarlierStep(t *testing.T) {
	now, err := Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	old := *now
	old.Tasks = maps.Clone(now.Tasks)
	task := old.Tasks[coach.Lubricate]
	task.How = []Step{task.How[0], {Text: earlierStep}, task.How[3]}
	old.Tasks[coach.Lubricate] = task
	text, err := yaml.Marshal(&old)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	if have, want := got.Tasks[coach.Lubricate].How, now.Tasks[coach.Lubricate].How; !slices.Equal(have, want) {
		t.Errorf("%v, want %v", have, want)
	}
	if told := got.Tell(coach.Lubricate, []coach.Material{coach.PUFoam}); told.Title != got.Tasks[coach.Clean].Title ||
		len(told.How) != 3 {
		t.Errorf("%+v", told)
	}
}

// Rulebooks made from an earlier default one say what the present one says, so that the
// catalogues know their phrases.
func TestEarlierTexts(t *testing.T) {
	text := string(config.Rulebook)
	for before, now := range earlierTexts {
		if !strings.Contains(text, now) {
			t.Errorf("the rulebook does not say %q", now)
		}
		text = strings.Replace(text, now, before, 1)
	}
	got, err := ParseKept([]byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	want, err := Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
