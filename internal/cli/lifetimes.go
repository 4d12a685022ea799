package cli

import (
	"fmt"

	"sealmanac/internal/coach"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

type lifetimesCmd struct {
	Account string `default:"main" help:"Account to look at."`
	Accept  string `help:"Accept the proposal for a material: the account's rulebook gets a new version." placeholder:"MATERIAL"`
	By      string `help:"Who accepts it; required with --accept."`
	JSON    bool   `help:"Print JSON."`
}

// Run compares the account's own lives with its rules.
func (c *lifetimesCmd) Run(e *env) error {
	if c.Accept != "" && c.By == "" {
		return fault.New(fault.Invalid, "a change of the rules needs a name", "Add --by NAME.")
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return err
	}
	tools := daemon.Tools(rules, tables, cfg.Domain())
	return withStore(e, cfg, func(db *store.DB) error {
		d := &desk.Desk{DB: db, Now: e.now}
		if c.Accept != "" {
			p, err := d.AcceptExperience(e.ctx, coach.AccountID(c.Account), tools, coach.Material(c.Accept), c.By)
			if err != nil {
				return err
			}
			fmt.Fprintf(e.out, "Rulebook %s holds for account %q from the next pass on.\n", p.Version, c.Account)
			return nil
		}
		l, err := d.Experience(e.ctx, coach.AccountID(c.Account), tools)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(e.out, experienceReport(l))
		}
		return printExperience(e, l)
	})
}

// experienceReport gives what was learned the names of the command's contract.
func experienceReport(l desk.Learned) any {
	type figure struct {
		Figure string `json:"figure"`
		Now    sig    `json:"now"`
		After  sig    `json:"proposed"`
		Unit   string `json:"unit"`
	}
	type finding struct {
		Material coach.Material `json:"material"`
		Parts    int            `json:"parts"`
		Renewed  int            `json:"renewed"`
		Ratio    sig            `json:"life_ratio"`
		Interval [2]sig         `json:"life_ratio_95"`
		Refused  string         `json:"refused,omitempty"`
		Version  string         `json:"version,omitempty"`
		Figures  []figure       `json:"figures"`
	}
	out := struct {
		Rulebook string    `json:"rulebook"`
		Findings []finding `json:"findings"`
	}{l.Rulebook, []finding{}}
	for _, p := range l.Proposals {
		f := finding{p.Material, p.Parts, p.Renewed, sig(p.Ratio.Value), [2]sig{sig(p.Ratio.Low), sig(p.Ratio.High)},
			p.Refused, p.Version, []figure{}}
		for _, c := range p.Changes {
			f.Figures = append(f.Figures, figure{c.Path, sig(c.Before.Value), sig(c.After.Value), c.After.Unit})
		}
		out.Findings = append(out.Findings, f)
	}
	return out
}

func printExperience(e *env, l desk.Learned) error {
	fmt.Fprintf(e.out, "Own lifetimes beside rulebook %s\n", l.Rulebook)
	if len(l.Proposals) == 0 {
		fmt.Fprintln(e.out, "\nNo part has a lifetime to learn from yet. A replacement is recorded when an import brings a "+
			"later fitting date of a part.")
	}
	for _, p := range l.Proposals {
		fmt.Fprintf(e.out, "\n%s: %s, %d replaced\n", p.Material, count(p.Parts, "part", "parts"), p.Renewed)
		if p.Ratio.Value > 0 {
			fmt.Fprintf(e.out, "  they last %.2f times as long as the rules say (95 %%: %.2f to %.2f)\n", p.Ratio.Value,
				p.Ratio.Low,
				p.Ratio.High)
		}
		if p.Refused != "" {
			fmt.Fprintf(e.out, "  nothing is proposed: %s\n", p.Refused)
			continue
		}
		t := newTable(e.out)
		fmt.Fprintf(t, "  figure\tnow\tproposed, as %s\n", p.Version)
		for _, c := range p.Changes {
			fmt.Fprintf(t, "  %s\t%s\t%s\n", c.Path, c.Before, c.After)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "  accept it with: sealmanac lifetimes --accept %s --by NAME\n", p.Material)
	}
	return nil
}
