package desk

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
)

// RulesPage is an account's rulebook and its history.
type RulesPage struct {
	Rules    *rulebook.Rulebook
	Text     string
	Versions []store.RulesRow
}

// RulesPage returns the rulebook in force.
func (d *Desk) RulesPage(ctx context.Context, id coach.AccountID) (p RulesPage, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return p, err
	}
	p.Rules = tools.Engine.Rules
	b, err := yaml.Marshal(p.Rules)
	if err != nil {
		return p, err
	}
	p.Text = string(b)
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		p.Versions, err = tx.RuleVersions(ctx, id)
		return err
	})
	return p, err
}

// mostTried is how many coaches the effect of a change is tried on: those at the
// greatest risk.
const mostTried = 200

// Effect is what a changed rulebook would do.
type Effect struct {
	Version string
	Figures []FigureChange
	Tried   int // coaches it was tried on
	Coaches int // of so many
	Parts   int // whose likely date moves by a month or more
	Earlier int
	Later   int
	Moves   []DateMove // the greatest
	Due     [2]int     // tasks aimed at within 90 days, before and after
}

// FigureChange is a figure that differs.
type FigureChange struct{ Path, Was, Now string }

// DateMove is a part whose likely date moves.
type DateMove struct {
	Coach    coach.ID
	Run      string
	Part     coach.PartKind
	Was, Now civil.Date
}

// TryRules reads a changed rulebook and says what it would do to the fleet; nothing is
// kept.
func (d *Desk) TryRules(ctx context.Context, id coach.AccountID, text string) (e Effect, err error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return e, err
	}
	changed, err := parseRules(text, tools.Engine.Rules)
	if err != nil {
		return e, err
	}
	e.Version = changed.Version
	e.Figures = differ(tools.Engine.Rules, changed)
	var cs []coach.Coach
	var today civil.Date
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		today = d.today(a)
		rows, total, err := tx.Board(ctx, id, store.BoardFilter{}, 0, mostTried)
		e.Coaches = total
		for _, r := range rows {
			c, _, err := tx.Coach(ctx, id, coach.ID(r.Coach))
			if err != nil {
				return err
			}
			cs = append(cs, c)
		}
		return err
	})
	if err != nil {
		return e, err
	}
	e.Tried = len(cs)
	other := tools
	other.Engine = projection.NewEngine(changed)
	for i := range cs {
		e.add(&cs[i], tools, other, today)
	}
	slices.SortFunc(e.Moves, func(a, b DateMove) int {
		return cmp.Compare(abs(b.Was.DaysUntil(b.Now)), abs(a.Was.DaysUntil(a.Now)))
	})
	e.Moves = e.Moves[:min(len(e.Moves), 25)]
	return e, nil
}

func abs(n int) int { return max(n, -n) }

func (e *Effect) add(c *coach.Coach, was, now cycle.Tools, today civil.Date) {
	a, b := was.Assess(c, today), now.Assess(c, today)
	for i := range a.Forecasts {
		f, g := &a.Forecasts[i], &b.Forecasts[i]
		if n := f.Likely.DaysUntil(g.Likely); abs(n) >= 30 {
			e.Parts++
			if n < 0 {
				e.Earlier++
			} else {
				e.Later++
			}
			e.Moves = append(e.Moves, DateMove{c.ID, f.Run, f.Part, f.Likely, g.Likely})
		}
	}
	for i, o := range []cycle.Outcome{a, b} {
		for _, t := range o.Tasks {
			if t.Target <= today.Add(90) {
				e.Due[i]++
			}
		}
	}
}

// parseRules reads a changed rulebook; its version must be a new one.
func parseRules(text string, now *rulebook.Rulebook) (*rulebook.Rulebook, error) {
	r, err := rulebook.Parse([]byte(text))
	if err == nil && r.Version == now.Version {
		err = fault.New(fault.Invalid, fmt.Sprintf("the version is still %s", now.Version),
			"Change version: too, such as to "+nextVersion(now.Version)+", so that forecasts tell under which rules they were "+
				"made.")
	}
	return r, err
}

func differ(a, b *rulebook.Rulebook) (out []FigureChange) {
	was := map[string]string{}
	rulebook.Figures(a, func(path string, f rulebook.Figure) { was[path] = f.String() + " (" + string(f.Evidence) + ")" })
	rulebook.Figures(b, func(path string, f rulebook.Figure) {
		if now := f.String() + " (" + string(f.Evidence) + ")"; was[path] != now {
			out = append(out, FigureChange{path, cmp.Or(was[path], "none"), now})
		}
	})
	return out
}

// AcceptRules keeps a changed rulebook for the account; it holds from now on. base is
// the version that was changed: it must still be the one in force.
func (d *Desk) AcceptRules(ctx context.Context, id coach.AccountID, by, base, text, note string) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	r, err := parseRules(text, tools.Engine.Rules)
	if err != nil {
		return err
	}
	if base != tools.Engine.Rules.Version {
		return fault.New(fault.Conflict, fmt.Sprintf("the rules are at %s now; what you changed began from %s",
			tools.Engine.Rules.Version, base), "Open the rules again and make your change there.")
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, true); err != nil {
			return err
		}
		vs, err := tx.RuleVersions(ctx, id)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(vs, func(v store.RulesRow) bool { return v.Version == r.Version }) {
			return fault.New(fault.Conflict, fmt.Sprintf("there was a version %s already", r.Version),
				"Give it another version.")
		}
		if err := tx.SaveRules(ctx, id, r.Version, text, "edited by "+by+": "+oneLine(note, 200)); err != nil {
			return err
		}
		if err := tx.AddAudit(ctx, id, by, "changed rules", r.Version, oneLine(note, 200)); err != nil {
			return err
		}
		return d.replan(ctx, tx, id)
	})
}

// KeepRules is AcceptExperience with its entry in the list of changes.
func (d *Desk) KeepRules(ctx context.Context, id coach.AccountID, m coach.Material, by string) error {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return err
	}
	p, err := d.AcceptExperience(ctx, id, tools, m, by)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if err := tx.AddAudit(ctx, id, by, "accepted experience", string(m), p.Version); err != nil {
			return err
		}
		return d.replan(ctx, tx, id)
	})
}
