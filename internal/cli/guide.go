package cli

import (
	"fmt"
	"strings"

	"sealmanac/internal/fault"
	"sealmanac/internal/guide"
)

type guideCmd struct {
	Name   string `arg:"" optional:"" help:"Guide to print; without it, the guides are listed."`
	Search string `help:"List the sections in which all these words stand." placeholder:"WORDS"`
}

// Run lists, searches or prints guides.
func (c *guideCmd) Run(e *env) error {
	switch {
	case c.Search != "":
		found := guide.Search(c.Search)
		if len(found) == 0 {
			fmt.Fprintln(e.out, "No guide says all of that. Try fewer words.")
		}
		for _, s := range found {
			fmt.Fprintf(e.out, "%s: %s\n  %s\n", s.Guide.Name, s.Heading, s.Excerpt(c.Search))
		}
		return nil
	case c.Name == "":
		for _, g := range guide.All() {
			fmt.Fprintln(e.out, g)
		}
		fmt.Fprintln(e.out, "\nPrint one with 'sealmanac guide NAME'. The daemon shows them at /guide/.")
		return nil
	}
	g, ok := guide.Find(c.Name)
	if !ok {
		return fault.New(fault.NotFound, fmt.Sprintf("there is no guide %q", c.Name),
			"Guides: "+strings.Join(guide.Names, ", ")+".")
	}
	_, err := fmt.Fprint(e.out, g.Text)
	return err
}
