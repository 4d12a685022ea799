package daemon

import (
	"fmt"
	"strings"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// wornFleet is a coach file of n coaches whose bulbs were fitted on a day.
func wornFleet(n int, fitted func(i int) string) []byte {
	var b strings.Builder
	b.WriteString("shop: {name: A Shop, postal: 1 Road, zone: America/Phoenix}\ncoaches:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - {coach: c-%02d, stays: [{place: \"Phoenix, AZ\", from: 2015-01-01, slides: out}], slides: "+
			"[{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2015-03-01, parts: [{part: bulb, material: "+
			"epdm_dense, fitted: %s}]}]}]}\n", i, fitted(i))
	}
	return []byte(b.String())
}

// A fleet whose bulbs live twice as long as the rules say proposes a change; once a
// person accepts it, the next pass works under the new version, and another
// account's does not.
func TestOwnExperienceChangesTheRules(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		d, err := New(t.Context(), options(t, nil, conf))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close(t.Context()) //nolint:errcheck // the test is over
		load := func(id coach.AccountID, text []byte) {
			t.Helper()
			c := intake.Read(intake.Options{Today: demoDay, Places: testkit.Tables(t)}, nil,
				intake.File{Name: "f.yaml", Data: text})
			if _, err := d.Desk.Import(t.Context(), id, c); err != nil {
				t.Fatal(err)
			}
		}
		load("main", wornFleet(12, func(int) string { return "2015-03-01" }))
		load("other", wornFleet(2, func(int) string { return "2015-03-01" }))
		if l, err := d.Desk.Experience(t.Context(), "main", d.tools); err != nil || len(l.Proposals) != 1 ||
			l.Proposals[0].Refused == "" {
			t.Fatalf("survivors alone: %+v %v", l, err)
		}
		// Renewed after 6 to 9 years where the rules expect about 3.4.
		load("main", wornFleet(12, func(i int) string { return fmt.Sprintf("%d-%02d-01", 2021+i%4, 1+i) }))
		l, err := d.Desk.Experience(t.Context(), "main", d.tools)
		if err != nil || len(l.Proposals) != 1 {
			t.Fatalf("%+v %v", l, err)
		}
		p := l.Proposals[0]
		if p.Renewed != 12 || p.Refused != "" || p.Ratio.Value < 1.6 || p.Ratio.Value > 3 || p.Version != "2026.1+1" ||
			len(p.Changes) == 0 {
			t.Fatalf("%+v", p)
		}
		if _, err := d.Desk.AcceptExperience(t.Context(), "main", d.tools, coach.Silicone,
			"Ann"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("accepted what is not there: %v", err)
		}
		before, _, err := d.RunPass(t.Context(), "main", demoDay)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := d.Desk.AcceptExperience(t.Context(), "main", d.tools, coach.EPDMDense, "Ann"); err != nil {
			t.Fatal(err)
		}
		after, _, err := d.RunPass(t.Context(), "main", demoDay+1)
		if err != nil {
			t.Fatal(err)
		}
		if a, b := after.Outcomes[0].Forecasts[0].Likely, before.Outcomes[0].Forecasts[0].Likely; a <= b {
			t.Errorf("likely %v under the new rules, %v under the old", a, b)
		}
		if _, _, err := d.RunPass(t.Context(), "other", demoDay+1); err != nil {
			t.Fatal(err)
		}
		err = d.DB.Update(t.Context(), func(tx *store.Tx) error {
			passes, err := tx.Passes(t.Context())
			for _, p := range passes {
				if want := map[string]string{"main": "2026.1+1", "other": "2026.1"}[p.Account]; p.Rulebook != want {
					t.Errorf("account %s passed under %s, want %s", p.Account, p.Rulebook, want)
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		// What was learned is in the rules now: nothing more is proposed.
		if l, err := d.Desk.Experience(t.Context(), "main", d.tools); err != nil || l.Rulebook != "2026.1+1" ||
			l.Proposals[0].Refused == "" {
			t.Errorf("after accepting: %+v %v", l, err)
		}
	})
}

// The rules that an account accepted last hold at once, also when earlier ones of its own
// were read and prepared before.
func TestNewestRulesHold(t *testing.T) {
	d, err := New(t.Context(), options(t, nil, func(c *settings.Config) { c.StorePath = t.TempDir() + "/x.db" }))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close(t.Context()) //nolint:errcheck // the test is over
	importDemo(t, d, "demo")
	base := "2026.1"
	for gap := 15; gap < 18; gap++ {
		version := fmt.Sprintf("ours-%d", gap)
		text := strings.NewReplacer(`version: "2026.1"`, `version: "`+version+`"`, "gap_days: 14",
			fmt.Sprintf("gap_days: %d", gap)).Replace(string(config.Rulebook))
		if err := d.Desk.AcceptRules(t.Context(), "demo", "Ann", base, text, "wider"); err != nil {
			t.Fatal(err)
		}
		for range 2 { // read, then as prepared
			tools, err := d.toolsOf(t.Context(), "demo")
			if err != nil || tools.Engine.Rules.Version != version || tools.Engine.Rules.Manners.GapDays != gap {
				t.Fatalf("after %s was accepted, %s holds: %v", version, tools.Engine.Rules.Version, err)
			}
		}
		base = version
	}
}
