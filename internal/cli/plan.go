package cli

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/intake"
	"sealmanac/internal/plan"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

type planCmd struct {
	reading
	File    string `arg:"" optional:"" help:"Coach file, folder of coach files, lists and booking feeds (COACH.ics), or 'demo'; without it the store is planned."`
	Account string `default:"main" help:"Account of the store, when no file is named."`
	Offline bool   `help:"Do not read the booking feeds that the coaches name."`
	On      day    `help:"Day to plan from, YYYY-MM-DD (default today)." placeholder:"DATE"`
	Weeks   int    `default:"26" help:"Weeks to plan, 1 to 260."`
	JSON    bool   `help:"Print JSON."`
	Last    string `help:"The JSON of an earlier plan: visits keep their weeks where they can, and what moved is told." type:"path"`
	Picture string `help:"Also write the weeks before and after levelling as an SVG picture to this file." type:"path"`
}

// Run plans the season of a file.
func (c *planCmd) Run(e *env) error {
	if c.Weeks < 1 || c.Weeks > 260 {
		return fault.New(fault.Invalid, fmt.Sprintf("--weeks %d is out of range", c.Weeks), "Give 1 to 260 weeks.")
	}
	last, err := c.last()
	if err != nil {
		return err
	}
	var p season.Plan
	var problems []string
	err = e.watch("Planning", func() (err error) {
		p, problems, err = c.plan(e, last)
		return err
	})
	if err != nil {
		return err
	}
	p.Problems = append(problems, p.Problems...)
	if c.Picture != "" {
		if err := os.WriteFile(c.Picture, []byte(season.Picture(p)), 0o644); err != nil {
			return fault.New(fault.Invalid, "the picture cannot be written: "+err.Error(),
				"Name a file in a folder you may write to.")
		}
	}
	if c.JSON {
		return printJSON(e.out, planOf(p))
	}
	return printPlan(e.out, p, c.Weeks)
}

// plan reads a file, a folder or the store and plans; what a plan can go on without
// comes back as problems.
func (c *planCmd) plan(e *env, last []season.Visit) (p season.Plan, problems []string, err error) {
	if c.File == "" {
		p, err = c.stored(e)
		return p, nil, err
	}
	on := e.on(c.On)
	content, tools, problems, err := c.readAside(e, on, c.File)
	if err != nil {
		return p, nil, err
	}
	if !c.Offline {
		client := httpkit.Guarded(nil, 20*time.Second)
		for i := range content.Coaches {
			if k := &content.Coaches[i]; k.Feed != "" {
				bs, lines := desk.ReadFeed(e.ctx, func(ctx context.Context, a string) ([]byte, error) {
					return httpkit.Get(ctx, client, a)
				}, k, on)
				k.Bookings, problems = append(k.Bookings, bs...), append(problems, lines...)
			}
		}
	}
	return cycle.Season(tools, snapshotOf(content, on), content.Workshop, c.Weeks, last), problems, nil
}

// stored plans an account of the store, as of today in its zone.
func (c *planCmd) stored(e *env) (p season.Plan, err error) {
	if c.On.Date != 0 || c.Last != "" {
		return p, fault.New(fault.Invalid, "--on and --last are for files",
			"Leave them out: the store is planned as of today, from its last plan.")
	}
	cfg, err := e.settings()
	if err != nil {
		return p, err
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return p, err
	}
	err = withStore(e, cfg, func(db *store.DB) error {
		p, err = (&desk.Desk{DB: db, Now: e.now}).Season(e.ctx, coach.AccountID(c.Account),
			daemon.Tools(rules, tables, cfg.Domain()), c.Weeks)
		return err
	})
	return p, err
}

func snapshotOf(content intake.Content, on civil.Date) cycle.Snapshot {
	snap := cycle.Snapshot{Today: on}
	for _, k := range content.Coaches {
		snap.Members = append(snap.Members, cycle.Member{Coach: k})
	}
	return snap
}

// readAside reads a file or all files of a folder. Problems that a plan can go on
// without come back as lines.
func (r reading) readAside(e *env, on civil.Date, name string) (intake.Content, cycle.Tools, []string, error) {
	names, err := filesOf(name)
	if err != nil {
		return intake.Content{}, cycle.Tools{}, nil, err
	}
	content, tools, err := r.read(e, on, names...)
	if err != nil && content.Problems != nil {
		err = content.Problems.Hard().Err()
	}
	asides := content.Problems.Asides()
	for _, id := range content.JoinBookings() {
		asides = append(asides, fmt.Sprintf("bookings of %s: no such coach is in these files; they were left out", id))
	}
	return content, tools, asides, err
}

// readOn reads what a forecast needs; what it can go on without is noted.
func (r reading) readOn(e *env, on civil.Date, name string) (intake.Content, cycle.Tools, error) {
	content, tools, asides, err := r.readAside(e, on, name)
	notes(e.err, asides)
	return content, tools, err
}

// filesOf returns the files of a folder that are read, by name, or the file itself.
func filesOf(name string) ([]string, error) {
	st, err := os.Stat(name)
	if err != nil || !st.IsDir() {
		return []string{name}, nil
	}
	var out []string
	err = filepath.WalkDir(name, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(d.Name(), ".") {
			return err
		}
		switch strings.ToLower(filepath.Ext(p)) {
		case ".yaml", ".yml", ".json", ".csv", ".xlsx", ".ics":
			out = append(out, p)
		}
		return nil
	})
	if err == nil && len(out) == 0 {
		return nil, fault.New(fault.Invalid, "the folder holds no file that is read",
			"Put coach files (.yaml, .json), lists (.csv, .xlsx) or feeds (.ics) into it.")
	}
	return out, err
}

// last reads the visits of an earlier plan's JSON.
func (c *planCmd) last() ([]season.Visit, error) {
	if c.Last == "" {
		return nil, nil
	}
	b, err := os.ReadFile(c.Last)
	var old planReport
	if err == nil {
		err = json.Unmarshal(b, &old)
	}
	if err == nil && len(old.Visits) == 0 {
		err = errors.New("it holds no visits")
	}
	if err != nil {
		return nil, &fault.Error{Kind: fault.Invalid, Msg: "the earlier plan cannot be read",
			Hint: "Name a file that 'sealmanac plan --json' wrote.", Err: err}
	}
	var out []season.Visit
	for _, v := range slices.Concat(old.Visits, old.Elsewhere) {
		s := season.Visit{Coach: v.Coach, Day: v.Date, Unplaced: v.Unplaced}
		for _, t := range v.Tasks {
			s.Tasks = append(s.Tasks, plan.Task{Kind: t.Kind, Run: t.Run, Anchor: t.Anchor, Mark: t.Mark})
		}
		out = append(out, s)
	}
	return out, nil
}

// bar draws how full a week is: 20 marks are 100 %, what is beyond them differs.
func bar(share float64) string {
	n := int(share*20 + .5)
	if n <= 20 {
		return strings.Repeat("#", n)
	}
	return strings.Repeat("#", 20) + strings.Repeat("!", min(n-20, 20))
}

func printPlan(w io.Writer, p season.Plan, weeks int) error {
	fmt.Fprintf(w, "Plan from %s for %d weeks\n", p.On, weeks)
	for _, h := range p.Holds {
		note := ""
		if h.Let {
			note = " It must not be rented out."
		}
		fmt.Fprintf(w, "\nSAFETY STOP: %s, slide %s.%s %s\n", h.Coach, h.Slide, note, h.Why)
	}
	if len(p.Problems) > 0 {
		fmt.Fprintln(w)
		notes(w, p.Problems)
	}
	fmt.Fprintf(w, "\nVisits\n\n")
	if len(p.Visits)+len(p.Elsewhere) == 0 {
		fmt.Fprintln(w, "  nothing is due at the shop in these weeks")
	}
	t := newTable(w)
	for _, v := range slices.Concat(p.Visits, p.Elsewhere) {
		where := ""
		if v.Partner != "" {
			where = "at " + v.Partner
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%.1f to %.1f h\t%s\t%s\n", v.Day.Week(), v.Day, v.Coach, v.Low, v.High, kinds(v.Tasks),
			strings.TrimSpace(where+pinned(v)))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	printBays(w, p)
	printShortages(w, p)
	return printStores(w, p)
}

func pinned(v season.Visit) string {
	switch {
	case v.Pinned:
		return " pinned"
	case v.Chosen:
		return " planned by hand"
	case v.Unplaced:
		return " no room in these weeks"
	}
	return ""
}

// kinds says what is done, each kind once with its count.
func kinds(ts []plan.Task) string {
	count := map[coach.TaskKind]int{}
	var order []coach.TaskKind
	seen := map[string]bool{} // one look at a slide, however many reasons it has
	for _, t := range ts {
		if seen[string(t.Kind)+t.Run] {
			continue
		}
		seen[string(t.Kind)+t.Run] = true
		if count[t.Kind]++; count[t.Kind] == 1 {
			order = append(order, t.Kind)
		}
	}
	var out []string
	for _, k := range order {
		s := strings.ReplaceAll(string(k), "_", " ")
		if count[k] > 1 {
			s += fmt.Sprintf(" x%d", count[k])
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}

func printBays(w io.Writer, p season.Plan) {
	fmt.Fprintf(w, "\nHow full the weeks are: the scarcest skill's hours (20 marks are 100 %%)\n\n")
	t := newTable(w)
	fmt.Fprintln(t, "  week\tall on their best day\t\tlevelled\t\tof its")
	for _, b := range p.Bays {
		if b.Before.Sum() > 0 || b.Load.Sum() > 0 {
			fmt.Fprintf(t, "  %s\t%.0f %%\t%s\t%.0f %%\t%s\t%s\n", b.Week.Week(), 100*b.Full(b.Before), bar(b.Full(b.Before)),
				100*b.Full(b.Load), bar(b.Full(b.Load)), strings.ReplaceAll(string(b.Scarcest(b.Load)), "_", " "))
		}
	}
	_ = t.Flush() // standard output
}

func printShortages(w io.Writer, p season.Plan) {
	for _, s := range p.Short {
		fmt.Fprintf(w, "\nToo much for %s to %s: %.1f h of %s are needed, %.1f h are there. %.1f more hours would do",
			s.First.Week(), s.Last.Week(), s.Need, s.Skill, s.Room, s.Need-s.Room)
		if len(s.Earlier) > 0 {
			var ids []string
			for _, id := range s.Earlier {
				ids = append(ids, string(id))
			}
			fmt.Fprintf(w, "; these could come earlier: %s", strings.Join(ids, ", "))
		}
		fmt.Fprintln(w, ".")
	}
	if p.LateWeeks > 0 {
		fmt.Fprintf(w, "\nThe bays make visits %s late, all together.\n", count(p.LateWeeks, "week", "weeks"))
	}
	if len(p.Late) > 0 {
		fmt.Fprintf(w, "\nLate\n\n")
		t := newTable(w)
		for _, g := range lateGroups(p.Late) {
			day := cmp.Or(g[0].Day.String(), "no day")
			fmt.Fprintf(t, "  %s\tcomes %s\tlatest %s\t%s\t%s\n", g[0].Coach, day, g[0].Task.Latest, kinds(tasksLate(g)),
				g[0].Why)
		}
		_ = t.Flush() // standard output
	}
	if len(p.Moves) > 0 {
		fmt.Fprintf(w, "\nMoved since the earlier plan\n\n")
		for _, m := range p.Moves {
			fmt.Fprintf(w, "  %s from %s to %s: %s\n", m.Coach, m.From.Week(), m.To, m.Why)
		}
	}
}

// lateGroups puts together what is late on one coach, on one day, for one reason;
// the one due first leads.
func lateGroups(ls []season.Late) (out [][]season.Late) {
	at := map[string]int{}
	for _, l := range ls {
		key := string(l.Coach) + l.Day.String() + l.Why
		k, ok := at[key]
		if !ok {
			k = len(out)
			at[key] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], l)
	}
	for _, g := range out {
		slices.SortStableFunc(g, func(a, b season.Late) int { return cmp.Compare(a.Task.Latest, b.Task.Latest) })
	}
	return out
}

func tasksLate(g []season.Late) (out []plan.Task) {
	for _, l := range g {
		out = append(out, l.Task)
	}
	return out
}

func printStores(w io.Writer, p season.Plan) error {
	t := newTable(w)
	if len(p.Parts) > 0 {
		fmt.Fprintf(w, "\nParts\n\n")
		fmt.Fprintln(t, "  month\tprofile\tfeet expected\tenough in 9 of 10\ton the shelf\tto order\torder by")
		hidden := 0
		for _, n := range p.Parts {
			if n.High.Feet() < .5 {
				hidden++
				continue
			}
			by := n.OrderBy.String()
			if n.TooLate {
				by += " (late)"
			}
			fmt.Fprintf(t, "  %s\t%s\t%.1f\t%.0f\t%.0f\t%.0f\t%s\n", n.Month.String()[:7], n.Profile, n.Expected.Feet(),
				n.High.Feet(), n.Shelf.Feet(), n.Order.Feet(), by)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		fmt.Fprintln(w, "\n  Each part counts with the chance that it needs replacement by then; the cutting list "+
			"below takes\n  every planned piece whole.")
		if hidden > 0 {
			fmt.Fprintf(w, "  %s of a month in which most likely nothing is wanted are left out.\n",
				count(hidden, "line", "lines"))
		}
	}
	if len(p.Cuts) > 0 {
		fmt.Fprintf(w, "\nCutting list (feet)\n\n")
		for _, c := range p.Cuts {
			from, rest := "remnant", fmt.Sprintf("%.1f waste", c.Waste.Feet())
			if c.New {
				from = "coil"
			}
			if c.Remnant > 0 {
				rest = fmt.Sprintf("%.1f kept", c.Remnant.Feet())
			}
			var ps []string
			for _, q := range c.Pieces {
				ps = append(ps, fmt.Sprintf("%.1f", q.Length.Feet()))
			}
			fmt.Fprintf(t, "  %s\t%s %.0f\t%s\t%s\n", c.Profile, from, c.Length.Feet(), strings.Join(ps, " + "), rest)
		}
	}
	return t.Flush()
}
