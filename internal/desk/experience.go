package desk

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/experience"
	"sealmanac/internal/fault"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/unit"
)

// RulesOf returns the rulebook that an account works with: the one it accepted
// last, else the given one. An accepted one that an earlier version kept takes from the
// given one what that version did not know.
func RulesOf(
	ctx context.Context, tx *store.Tx, id coach.AccountID, given *rulebook.Rulebook,
) (*rulebook.Rulebook, error) {
	text, err := tx.Rules(ctx, id)
	if err != nil || text == "" {
		return given, err
	}
	return rulebook.ParseKept([]byte(text), given)
}

// Proposal is a finding with what it would change in the rulebook.
type Proposal struct {
	experience.Finding
	Version string // of the rulebook it would make; "" when nothing is proposed
	Changes []experience.Change
}

// Learned is what an account's own lives say.
type Learned struct {
	Rulebook  string // version in force
	Proposals []Proposal
}

// Experience compares the account's own renewals and survivors with its rules.
func (d *Desk) Experience(ctx context.Context, id coach.AccountID, t cycle.Tools) (out Learned, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		out, _, err = d.experience(ctx, tx, id, t)
		return err
	})
	return out, err
}

func (d *Desk) experience(
	ctx context.Context, tx *store.Tx, id coach.AccountID, t cycle.Tools,
) (out Learned, rules *rulebook.Rulebook, err error) {
	a, err := tx.Account(ctx, id, false)
	if err != nil {
		return out, nil, err
	}
	if rules, err = RulesOf(ctx, tx, id, t.Engine.Rules); err != nil {
		return out, nil, err
	}
	if rules != t.Engine.Rules {
		t.Engine = projection.NewEngine(rules)
	}
	cs, err := tx.Coaches(ctx, id)
	if err != nil {
		return out, nil, err
	}
	lives, err := tx.Lives(ctx, id)
	if err != nil {
		return out, nil, err
	}
	out.Rulebook = rules.Version
	for _, f := range experience.Find(observe(t, cs, lives, d.today(a))) {
		p := Proposal{Finding: f}
		if f.Refused == "" {
			p.Version = nextVersion(rules.Version)
			_, p.Changes = experience.Apply(rules, f, p.Version, d.today(a))
		}
		out.Proposals = append(out.Proposals, p)
	}
	return out, rules, nil
}

// nextVersion numbers an account's own versions: "2026.1" becomes "2026.1+1".
func nextVersion(v string) string {
	base, n, _ := strings.Cut(v, "+")
	k, _ := strconv.Atoi(n) // no number yet: 0
	return fmt.Sprintf("%s+%d", base, k+1)
}

// observe measures each part, ended or in service, against what the rules alone
// predict for it: readings are left out, they already know.
func observe(t cycle.Tools, cs []coach.Coach, lives []store.Life, today civil.Date) (out []experience.Observed) {
	byCoach := map[coach.ID][]store.Life{}
	for _, l := range lives {
		byCoach[l.Coach] = append(byCoach[l.Coach], l)
	}
	for i := range cs {
		c := cs[i]
		c.Readings = nil
		for _, f := range t.Assess(&c, today).Forecasts {
			add(&out, f, today, false)
		}
		for _, l := range byCoach[c.ID] {
			old := asItWas(c, l)
			for _, f := range t.Assess(&old, l.Ended).Forecasts {
				if f.Run == l.Run && f.Part == l.Part {
					add(&out, f, l.Ended, true)
				}
			}
		}
	}
	return out
}

// add notes one life; parts that nothing dates, and carriers, teach nothing here.
func add(out *[]experience.Observed, f projection.Forecast, until civil.Date, renewed bool) {
	years := func(d civil.Date) float64 { return float64(f.Fitted.DaysUntil(d)) / float64(unit.Year) }
	if f.Hold.IsZero() && f.Governing != "" && f.Part != coach.Carrier && f.Likely < f.Late && until > f.Fitted {
		*out = append(*out, experience.Observed{Material: f.Material, Years: years(until), Predicted: years(f.Likely),
			Renewed: renewed})
	}
}

// asItWas returns a coach with a part as it was before its renewal.
func asItWas(c coach.Coach, l store.Life) coach.Coach {
	slides := append([]coach.Slide(nil), c.Slides...)
	for i := range slides {
		runs := append([]coach.Run(nil), slides[i].Runs...)
		for j := range runs {
			if slides[i].Address(runs[j]) != l.Run {
				continue
			}
			runs[j].Construction, runs[j].Gaps = l.Construction, nil
			parts := append([]coach.Part(nil), runs[j].Parts...)
			for k := range parts {
				if parts[k].Kind == l.Part {
					parts[k].Fitted, parts[k].Material = l.Fitted, l.Material
				}
			}
			runs[j].Parts = parts
		}
		slides[i].Runs = runs
	}
	c.Slides = slides
	return c
}

// AcceptExperience makes a new version of the account's rulebook from what its
// lives say of a material. A person decides it; the next pass uses it, and what
// earlier passes wrote keeps the version it was made under.
func (d *Desk) AcceptExperience(
	ctx context.Context, id coach.AccountID, t cycle.Tools, m coach.Material, by string,
) (p Proposal, err error) {
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		learned, rules, err := d.experience(ctx, tx, id, t)
		if err != nil {
			return err
		}
		for _, p = range learned.Proposals {
			if p.Material == m {
				break
			}
		}
		switch {
		case p.Material != m:
			return fault.New(fault.NotFound, fmt.Sprintf("this account has no parts of %s to learn from", m),
				"See 'sealmanac lifetimes' for what there is.")
		case p.Refused != "":
			return fault.New(fault.Conflict, fmt.Sprintf("nothing is proposed for %s: %s", m, p.Refused),
				"Wait for more replacements, or edit the rulebook by hand.")
		}
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		changed, _ := experience.Apply(rules, p.Finding, p.Version, d.today(a))
		text, err := yaml.Marshal(changed)
		if err != nil {
			return err
		}
		if _, err := rulebook.Parse(text); err != nil {
			return err // a proposal that leaves the bounds of the rulebook is not kept
		}
		return tx.SaveRules(ctx, id, p.Version, string(text), "from own experience, accepted by "+by)
	})
	return p, err
}
