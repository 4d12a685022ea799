package reminder_test

import (
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

var today = civil.Of(2026, 2, 10) // a Tuesday

var rules = sync.OnceValue(func() *rulebook.Rulebook {
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		panic(err)
	}
	return r
})

var catalogue = sync.OnceValue(func() *wording.Catalogue {
	c := &wording.Catalogue{}
	for tag, po := range config.Words {
		c.Add(tag, po)
	}
	return c
})

// input is a coach of one slide with an edge for each pair of materials, one
// owner, and the tasks given.
func input(t testing.TB, tasks []plan.Task, materials ...[2]coach.Material) reminder.Input {
	t.Helper()
	c := &coach.Coach{ID: "a", Label: "The coach",
		People: []coach.Person{{Name: "Ann", Email: "ann@example.org", Role: coach.Owner}}, Slides: []coach.Slide{{ID: "s"}}}
	for i, m := range materials {
		c.Slides[0].Runs = append(c.Slides[0].Runs, coach.Run{Position: coach.Outer, Side: coach.Sides[i],
			Construction: coach.Track, Fitted: today - 900,
			Parts: []coach.Part{{Kind: coach.Bulb, Material: m[0], Fitted: today - 900},
				{Kind: coach.Wiper, Material: m[1], Fitted: today - 900}}})
	}
	return reminder.Input{Account: &coach.Account{ID: "x", Name: "The shop", Email: "shop@example.org"}, Coach: c,
		Tasks: tasks, Today: today, Rules: rules(), Domain: "example.org", Words: catalogue()}
}

func edge(side coach.Side) string { return "s/outer/" + string(side) }

func due(kind coach.TaskKind, run string, target civil.Date) plan.Task {
	return plan.Task{Kind: kind, Slide: "s", Run: run, Anchor: today - 900, Earliest: target - 30, Target: target,
		Latest: target + 60, Why: wording.Say("year")}
}

// TestStepsUseWhatIsAllowed reads the mails of every task about every pair of
// materials in every language: what the steps say to use is allowed on these
// seals, and nothing that is forbidden on them is named in a step.
func TestStepsUseWhatIsAllowed(t *testing.T) {
	r := rules()
	var products []string
	for _, m := range r.Materials {
		for _, p := range slices.Concat(m.Allow, m.Never) {
			if !slices.Contains(products, p) {
				products = append(products, p)
			}
		}
	}
	// Words for products that no list has.
	strange := map[string][]string{"en": {"conditioner"}, "es": {"acondicionador"},
		"fr": {"produit de traitement", "revitalisant"}}
	used := map[string]bool{}
	for _, lang := range []string{"en", "es", "fr"} {
		for _, bulb := range coach.Materials {
			for _, wiper := range coach.Materials {
				for _, kind := range coach.TaskKinds {
					in := input(t, []plan.Task{due(kind, edge(coach.Top), today)}, [2]coach.Material{bulb, wiper})
					in.Account.Language = lang
					ns, _ := reminder.Due(in)
					if len(ns) != 1 {
						t.Fatalf("%s: %d mails", kind, len(ns))
					}
					w := in.Words.In(lang)
					allow, never := r.CareLists([]coach.Material{bulb, wiper})
					steps := strings.ToLower(between(t, ns[0].Text, w.T("How"), w.T("Please take care")))
					only, _, _ := strings.Cut(w.T("On these seals use only: %s.", "~"), "~")
					steps, _, _ = strings.Cut(steps, strings.ToLower(strings.TrimSpace(only)))
					for _, p := range products {
						if !names(steps, strings.ToLower(w.T(p))) {
							continue
						}
						used[lang+" "+p] = true
						if !slices.Contains(allow, p) || slices.Contains(never, p) {
							t.Errorf("%s, %s and %s, %s: the steps name %q, allowed is only %v", lang, bulb, wiper, kind, p, allow)
						}
					}
					for _, p := range strange[lang] {
						if strings.Contains(steps, p) {
							t.Errorf("%s, %s and %s, %s: the steps name %q, allowed is only %v", lang, bulb, wiper, kind, p, allow)
						}
					}
				}
			}
		}
		for _, p := range []string{"a water-based protectant without silicone or petroleum",
			"a water-based protectant without silicone, after a spot test", "what the seal's maker names"} {
			if !used[lang+" "+p] {
				t.Errorf("%s: no step ever says to use %q", lang, p)
			}
		}
		if t.Failed() {
			return
		}
	}
}

// between returns the part of a mail between two headings, on one line.
func between(t *testing.T, text, from, until string) string {
	t.Helper()
	_, s, ok := strings.Cut(text, "\n"+from+"\n")
	s, _, end := strings.Cut(s, "\n"+until+"\n")
	if !ok || !end {
		t.Fatalf("no %q and %q in %s", from, until, text)
	}
	return strings.Join(strings.Fields(s), " ")
}

// names reports whether a text has a phrase as whole words.
func names(text, phrase string) bool {
	return regexp.MustCompile(`(^|\PL)` + regexp.QuoteMeta(phrase) + `(\PL|$)`).MatchString(text)
}

// TestNothingIsAskedTwice tells an owner for seven months of tasks by chance, none of
// which is done: work that replaces a seal stands for all other work on its edge, and a
// message names at most three kinds of work and one look at a slide.
func TestNothingIsAskedTwice(t *testing.T) {
	sides := []coach.Side{coach.Top, coach.Bottom, coach.Fore, coach.Aft}
	edgeKinds := []coach.TaskKind{coach.Refit, coach.ReplaceSeal, coach.ReplaceBulb, coach.Rebond, coach.Lubricate}
	slideKinds := []coach.TaskKind{coach.Inspect, coach.WaterTest, coach.Exercise, coach.Warranted}
	rapid.Check(t, func(rt *rapid.T) {
		var tasks []plan.Task
		target := func(name string) civil.Date { return today.Add(rapid.IntRange(-100, 200).Draw(rt, name)) }
		for _, side := range sides {
			for _, kind := range edgeKinds {
				if rapid.IntRange(0, 2).Draw(rt, "has") == 0 {
					tasks = append(tasks, due(kind, edge(side), target("edge")))
				}
			}
		}
		for _, kind := range slideKinds {
			for n := range rapid.IntRange(0, 2).Draw(rt, "looks") {
				k := due(kind, "s", target("slide"))
				k.Mark = string('a' + rune(n))
				tasks = append(tasks, k)
			}
		}
		stands := map[string]civil.Date{} // edges whose seal is to be replaced, since when that was told
		in := input(t, tasks, [2]coach.Material{coach.EPDMSponge, coach.EPDMDense},
			[2]coach.Material{coach.PUFoam, coach.PUFoam},
			[2]coach.Material{coach.Silicone, coach.EPDMDense}, [2]coach.Material{coach.EPDMSponge, coach.TPV})
		for day := today; day < today+210; day++ {
			in.Today = day
			ns, _ := reminder.Due(in)
			for _, n := range ns {
				in.Past = append(in.Past, reminder.Past{Person: n.Person, Task: n.Task, Covers: n.Covers, TaskKey: n.TaskKey,
					Day: day})
				kinds, looks, care := map[string]bool{}, 0, map[string]bool{}
				for _, c := range n.Covers {
					f := strings.Split(c, "|")
					kind, run := coach.TaskKind(f[0]), f[1]
					kinds[f[0]] = true
					switch kind {
					case coach.ReplaceSeal, coach.Refit:
						stands[run] = day
					case coach.Inspect:
						looks++
					case coach.Lubricate:
						care[run] = true
					}
				}
				for _, c := range n.Covers {
					f := strings.Split(c, "|")
					kind, run := coach.TaskKind(f[0]), f[1]
					since, replaced := stands[run]
					if replaced && kind != coach.ReplaceSeal && kind != coach.Refit {
						rt.Fatalf("on %s: %s of %s, whose seal is to be replaced since %s", day, kind, run, since)
					}
					if (kind == coach.ReplaceBulb || kind == coach.Rebond) && care[run] {
						rt.Fatalf("on %s: care and %s of %s in one message", day, kind, run)
					}
				}
				if len(kinds) > 3 || looks > 1 {
					rt.Fatalf("on %s: %d kinds, %d looks at one slide: %v", day, len(kinds), looks, n.Covers)
				}
			}
		}
	})
}

// TestDaysAreNeverPast makes messages at all hours: no day stands in their words that
// has passed when they leave, or when delivery tries for the last time.
func TestDaysAreNeverPast(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lang := rapid.SampledFrom([]string{"en", "es", "fr"}).Draw(rt, "lang")
		zone := rapid.SampledFrom([]string{"America/St_Johns", "America/Phoenix", "Pacific/Honolulu"}).Draw(rt, "zone")
		var tasks []plan.Task
		for _, kind := range []coach.TaskKind{coach.Inspect, coach.Lubricate, coach.Exercise, coach.WaterTest,
			coach.ReplaceSeal} {
			run := "s"
			if kind == coach.Lubricate || kind == coach.ReplaceSeal {
				run = edge(rapid.SampledFrom([]coach.Side{coach.Top, coach.Aft}).Draw(rt, "side"))
			}
			if rapid.Bool().Draw(rt, "has") {
				tasks = append(tasks, due(kind, run, today.Add(rapid.IntRange(-20, 40).Draw(rt, "target"))))
			}
		}
		in := input(t, tasks, [2]coach.Material{coach.EPDMSponge, coach.EPDMDense})
		in.Coach.People[0].Language, in.Coach.People[0].Zone = lang, zone
		in.Today = today.Add(rapid.IntRange(0, 10).Draw(rt, "today"))
		in.Now = in.Today.Time().Add(time.Duration(rapid.IntRange(0, 40).Draw(rt, "hour")) * time.Hour)
		ns, _ := reminder.Due(in)
		loc, _ := time.LoadLocation(zone)
		for _, n := range ns {
			leaves := civil.FromTime(n.NotBefore.In(loc))
			w := in.Words.In(lang)
			for d := in.Today - 100; d < leaves+4; d++ {
				for _, says := range []string{w.T("by %s", d), w.T("by %s", wording.DayMonth{Day: d})} {
					if strings.Contains(n.Subject+"\n"+strings.Join(strings.Fields(n.Text), " "), says) {
						rt.Fatalf("it leaves on %s and says %q", leaves, says)
					}
				}
			}
		}
	})
}
