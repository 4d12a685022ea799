package cli

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/season"
	"sealmanac/internal/unit"
)

type sheetCmd struct {
	reading
	File  string      `arg:"" help:"Coach file, folder, or 'demo'."`
	Coach string      `arg:"" help:"The coach's short name."`
	On    day         `help:"Day to plan from, YYYY-MM-DD (default today)." placeholder:"DATE"`
	Weeks int         `default:"52" help:"Weeks in which to look for the next visit."`
	Units unit.System `default:"in" enum:"in,mm" help:"Units of lengths: in or mm."`
	HTML  bool        `help:"Print a page that prints on one side of paper."`
}

// Run prints the job sheet of a coach's next visit.
func (c *sheetCmd) Run(e *env) error {
	on := e.on(c.On)
	content, tools, asides, err := c.readAside(e, on, c.File)
	if err != nil {
		return err
	}
	notes(e.err, asides)
	k := slices.IndexFunc(content.Coaches, func(x coach.Coach) bool { return string(x.ID) == c.Coach })
	if k < 0 {
		var names []string
		for _, x := range content.Coaches {
			names = append(names, string(x.ID))
		}
		return fault.New(fault.NotFound, fmt.Sprintf("there is no coach %q in %s", c.Coach, c.File),
			"Name one of: "+strings.Join(names, ", "))
	}
	p := cycle.Season(tools, snapshotOf(content, on), content.Workshop, max(1, min(c.Weeks, 260)), nil)
	v, ok := p.NextVisit(coach.ID(c.Coach))
	if !ok {
		fmt.Fprintf(e.out, "Nothing is due at the shop for %s in the %d weeks from %s.\n", c.Coach, c.Weeks, on)
		return nil
	}
	s := season.SheetOf(tools.Engine.Rules, &content.Coaches[k], v, c.Units)
	if c.HTML {
		fmt.Fprint(raw(e.out), s.HTML())
		return nil
	}
	fmt.Fprint(e.out, s.Text())
	return nil
}

type lotCmd struct {
	reading
	File  string `arg:"" help:"Coach file, folder, or 'demo'."`
	Lot   string `arg:"" optional:"" help:"The lot as written on the parts, or 'unknown'; leave it out with --from or --until."`
	From  day    `help:"Only parts fitted on this day or later." placeholder:"DATE"`
	Until day    `help:"Only parts fitted on this day or earlier." placeholder:"DATE"`
	JSON  bool   `help:"Print JSON."`
}

// lotsOf lists the lots that parts carry, at most 20, and how many parts of unknown
// lot there are.
func lotsOf(cs []coach.Coach) string {
	seen := map[string]bool{}
	unknown := 0
	for _, k := range cs {
		for _, h := range season.PartsOf(&k, "", 0, 0) {
			if seen[h.Lot] = true; h.Lot == coach.UnknownLot {
				unknown++
			}
		}
	}
	delete(seen, coach.UnknownLot)
	lots := slices.Sorted(maps.Keys(seen))
	if len(lots) > 20 {
		lots = append(lots[:20], "and more")
	}
	return fmt.Sprintf("%s. %s of unknown lot: add --from and --until to count those fitted in between.",
		strings.Join(lots, ", "), count(unknown, "part is", "parts are"))
}

// lotReport is the JSON of lot: a coach, its people and the parts found.
type lotReport struct {
	Coach  coach.ID     `json:"coach"`
	Label  string       `json:"label"`
	Sold   civil.Date   `json:"sold,omitempty"`
	People []lotPerson  `json:"people"`
	Parts  []season.Hit `json:"parts"`
}

type lotPerson struct {
	Name  string     `json:"name"`
	Email string     `json:"email,omitempty"`
	Phone string     `json:"phone,omitempty"`
	Role  coach.Role `json:"role"`
}

// Run lists the coaches that carry a lot.
func (c *lotCmd) Run(e *env) error {
	if c.Lot == "" && c.From.Date == 0 && c.Until.Date == 0 {
		return fault.New(fault.Invalid, "neither a lot nor days are given",
			"Name a lot, or parts fitted between two days with --from and --until.")
	}
	if c.Until.Date != 0 && c.Until.Date < c.From.Date {
		return fault.New(fault.Invalid, "--until is before --from", "Give the earlier day as --from.")
	}
	content, _, asides, err := c.readAside(e, e.on(day{}), c.File)
	if err != nil {
		return err
	}
	notes(e.err, asides)
	found := []lotReport{}
	n := 0
	for i := range content.Coaches {
		k := &content.Coaches[i]
		hits := season.PartsOf(k, c.Lot, c.From.Date, c.Until.Date)
		if len(hits) == 0 {
			continue
		}
		n += len(hits)
		r := lotReport{Coach: k.ID, Label: k.Name(), Sold: k.Sold, People: []lotPerson{}, Parts: hits}
		for _, p := range k.People {
			r.People = append(r.People, lotPerson{p.Name, p.Email, p.Phone, p.Role})
		}
		found = append(found, r)
	}
	if c.JSON {
		return printJSON(e.out, found)
	}
	if n == 0 {
		return fault.New(fault.NotFound, "no part carries that lot, or was fitted then",
			"Lots in these files: "+lotsOf(content.Coaches))
	}
	fmt.Fprintf(e.out, "%s with %s\n\n", count(len(found), "coach", "coaches"), count(n, "part", "parts"))
	t := newTable(e.out)
	for _, r := range found {
		var who []string
		for _, p := range r.People {
			who = append(who, strings.Join(strings.Fields(p.Name+" "+p.Email+" "+p.Phone), " "))
		}
		if len(who) == 0 {
			who = []string{"nobody is known: find the owner by the VIN or the invoice"}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", r.Coach, r.Label, strings.Join(who, "; "))
		for _, h := range r.Parts {
			fmt.Fprintf(t, "\t  %s/%s, lot %s, fitted %s\t\n", h.Run, h.Part, h.Lot, h.Fitted)
		}
	}
	return t.Flush()
}
