package desk

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/store"
	"sealmanac/internal/survival"
	"sealmanac/internal/unit"
)

// Curve is the survival of a group of parts: the share still in service by years
// after the fitting, with 95 % intervals (Greenwood's, clipped to 0 and 1).
type Curve struct {
	Group   string // material, construction, climate, lot
	Name    string
	Parts   int
	Renewed int
	Median  string // in words, with its interval when a Weibull fit is possible
	Last    float64
	Steps   []CurveStep
}

// CurveStep is a step of a curve.
type CurveStep struct{ Years, Share, Low, High float64 }

// keptExperience is what an account's own lives say, kept for the day.
type keptExperience struct {
	Day     civil.Date
	Learned Learned
	Curves  []Curve
}

// mostAtOnce is up to how many coaches the experience is worked out while a page
// waits; larger fleets work it out when a manager asks.
const mostAtOnce = 500

// ExperiencePage returns what the account's own lives say, worked out today where the
// fleet is small enough, else as it was worked out last.
func (d *Desk) ExperiencePage(ctx context.Context, id coach.AccountID) (l Learned, cs []Curve, err error) {
	var kept keptExperience
	fresh := false
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		doc, err := tx.PlanPart(ctx, id, "experience")
		if err != nil {
			return err
		}
		if doc != "" {
			if err := json.Unmarshal([]byte(doc), &kept); err != nil {
				return err
			}
		}
		counts, err := tx.BoardCounts(ctx, id)
		all := 0
		for _, n := range counts {
			all += n
		}
		vs, e := tx.RuleVersions(ctx, id)
		fresh = kept.Day == d.today(a) && (len(vs) == 0 || vs[0].Version == kept.Learned.Rulebook) || all > mostAtOnce
		err = cmp.Or(err, e)
		return err
	})
	if err != nil || fresh {
		return kept.Learned, kept.Curves, err
	}
	return d.WorkOutExperience(ctx, id)
}

// WorkOutExperience works the account's experience out anew and keeps it.
func (d *Desk) WorkOutExperience(ctx context.Context, id coach.AccountID) (l Learned, cs []Curve, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return l, nil, err
	}
	if l, err = d.Experience(ctx, id, tools); err != nil {
		return l, nil, err
	}
	var today civil.Date
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		today = d.today(a)
		all, err := tx.Coaches(ctx, id)
		if err != nil {
			return err
		}
		lives, err := tx.Lives(ctx, id)
		cs = curves(tools, all, lives, today)
		return err
	})
	if err != nil {
		return l, nil, err
	}
	doc, err := json.Marshal(keptExperience{today, l, cs})
	if err != nil {
		return l, nil, err
	}
	return l, cs, d.DB.Update(ctx, func(tx *store.Tx) error { return tx.SavePlanPart(ctx, id, "experience", string(doc)) })
}

// groups collects lives by group and name.
type groups map[[2]string][]survival.Life

func (g groups) add(group, name string, from, until civil.Date, renewed bool) {
	if name == "" || until <= from {
		return
	}
	k := [2]string{group, name}
	g[k] = append(g[k], survival.Life{Time: float64(from.DaysUntil(until)) / float64(unit.Year), Failed: renewed})
}

func curves(t cycle.Tools, all []coach.Coach, lives []store.Life, today civil.Date) (out []Curve) {
	g := groups{}
	band := map[coach.ID]string{}
	for i := range all {
		c := &all[i]
		if set, ok := plan.Settle(t.Engine.Rules, projection.Life{Coach: c, Places: t.Atlas.Places(c)}, today); ok {
			band[c.ID] = t.Engine.Rules.Bands[set.Band].Name
		}
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				for _, p := range r.Parts {
					g.part(p.Kind, p.Material, r.Construction, band[c.ID], p.Lot, p.Fitted, today, false)
				}
			}
		}
	}
	for _, l := range lives {
		g.part(l.Part, l.Material, l.Construction, band[l.Coach], "", l.Fitted, l.Ended, true)
	}
	for k, ls := range g {
		if k[0] == "lot" && len(ls) < 5 {
			continue // too few to tell a lot by
		}
		out = append(out, curveOf(k[0], k[1], ls))
	}
	order := map[string]int{"material": 0, "construction": 1, "climate": 2, "lot": 3}
	slices.SortFunc(out, func(a, b Curve) int {
		return cmp.Or(cmp.Compare(order[a.Group], order[b.Group]), cmp.Compare(b.Parts, a.Parts), cmp.Compare(a.Name, b.Name))
	})
	return out[:min(len(out), 60)]
}

func (g groups) part(
	kind coach.PartKind, m coach.Material, c coach.Construction, band, lot string, from, until civil.Date, renewed bool,
) {
	if kind == coach.Carrier {
		return
	}
	g.add("material", string(m)+" "+string(kind), from, until, renewed)
	g.add("construction", string(c), from, until, renewed)
	g.add("climate", band, from, until, renewed)
	if lot != coach.UnknownLot {
		g.add("lot", lot, from, until, renewed)
	}
}

func curveOf(group, name string, ls []survival.Life) Curve {
	c := Curve{Group: group, Name: name, Parts: len(ls), Renewed: survival.Failures(ls),
		Median: "too few replacements to tell"}
	for _, l := range ls {
		c.Last = max(c.Last, l.Time)
	}
	for _, s := range survival.KaplanMeier(ls) {
		c.Steps = append(c.Steps, CurveStep{s.Time, s.Survival, max(0, s.Survival-1.96*s.SE), min(1, s.Survival+1.96*s.SE)})
	}
	if w, ok := survival.FitWeibull(ls); ok {
		c.Median = fmt.Sprintf("half by %.1f years (%.1f to %.1f)", w.Median.Value, w.Median.Low, w.Median.High)
	}
	return c
}

// Kept returns what the last pass kept back, of one reason or all, and how often each
// reason did.
func (d *Desk) Kept(
	ctx context.Context, id coach.AccountID, reason string, most int,
) (rows []store.SuppressedRow, counts map[string]int, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		if counts, err = tx.SuppressedCounts(ctx, id); err != nil {
			return err
		}
		rows, err = tx.SuppressedOf(ctx, id, reason, most)
		return err
	})
	return rows, counts, err
}

// Note adds to the list of changes what somebody did.
func (d *Desk) Note(ctx context.Context, id coach.AccountID, who, what, about string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error { return tx.AddAudit(ctx, id, who, what, oneLine(about, 200), "") })
}
