package cli

import (
	"fmt"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
)

type explainCmd struct {
	reading
	File  string `arg:"" help:"Coach file, list, or 'demo'."`
	Part  string `arg:"" name:"run/part" help:"SLIDE/RUN/PART, such as galley/outer/top/bulb; with several coaches COACH/SLIDE/RUN/PART."`
	On    day    `help:"Day to explain, YYYY-MM-DD (default today)." placeholder:"DATE"`
	Coach string `help:"The coach, when the file has several."`
}

// Run prints the reasons behind a part's dates.
func (c *explainCmd) Run(e *env) error {
	on := e.on(c.On)
	content, tools, err := c.readOn(e, on, c.File)
	if err != nil {
		return err
	}
	var found []func()
	var where []string
	unsettled := false
	for i := range content.Coaches {
		k := &content.Coaches[i]
		address, ok := c.address(k)
		if !ok {
			continue
		}
		life := projection.Life{Coach: k, Places: tools.Atlas.Places(k)}
		set, ok := plan.Settle(tools.Engine.Rules, life, on)
		if !ok {
			unsettled = true
			continue
		}
		cut := strings.LastIndexByte(address, '/')
		if cut < 0 {
			continue
		}
		f, why, ok := tools.Engine.Explain(life, address[:cut], coach.PartKind(address[cut+1:]),
			projection.When{On: on, CareDays: set.CareDays(tools.Engine.Rules), By: set.NextOpening(on)})
		if !ok {
			continue
		}
		where = append(where, string(k.ID)+"/"+address)
		found = append(found, func() { c.print(e, tools, k, f, set, why) })
	}
	switch {
	case len(found) == 1:
		found[0]()
	case len(found) > 1:
		return fault.New(fault.Invalid, fmt.Sprintf("%q stands on %d coaches", c.Part, len(found)),
			"Write one of: "+strings.Join(where, "; "))
	case unsettled:
		return fault.New(fault.Invalid, "no stay is known of this coach, so nothing can be dated",
			"Add where it stands under stays: place and from.")
	default:
		return fault.New(fault.NotFound, fmt.Sprintf("there is no part %q in %s on %s", c.Part, c.File, on),
			"Parts are:\n  "+strings.Join(parts(content.Coaches), "\n  "))
	}
	return nil
}

// address returns the part's address on a coach, without the coach's name.
func (c *explainCmd) address(k *coach.Coach) (string, bool) {
	if c.Coach != "" && c.Coach != string(k.ID) {
		return "", false
	}
	if rest, ok := strings.CutPrefix(c.Part, string(k.ID)+"/"); ok {
		return rest, true
	}
	return c.Part, strings.Count(c.Part, "/") == 3
}

func parts(cs []coach.Coach) (out []string) {
	for _, c := range cs {
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				for _, p := range r.Parts {
					a := s.Address(r) + "/" + string(p.Kind)
					if len(cs) > 1 {
						a = string(c.ID) + "/" + a
					}
					out = append(out, a)
				}
			}
		}
	}
	if len(out) > 20 {
		out = append(out[:20], fmt.Sprintf("and %d more", len(out)-20))
	}
	return out
}

func (c *explainCmd) print(
	e *env, tools cycle.Tools, k *coach.Coach, f projection.Forecast, set plan.Setting, why []projection.Reason,
) {
	fmt.Fprintf(e.out, "%s, %s/%s: %s on %s, fitted %s\n", k.Name(), f.Run, f.Part,
		tools.Engine.Rules.Materials[f.Material].Name, tools.Engine.Rules.Constructions[f.Construction].Name, f.Fitted)
	topic := ""
	for _, r := range why {
		if r.Topic != topic {
			topic = r.Topic
			fmt.Fprintf(e.out, "\n%s\n", topicWords[topic])
		}
		fmt.Fprintf(e.out, "  - %s\n", r.Text)
		if from := join2(r.Rule, r.Source); from != "" {
			fmt.Fprintf(e.out, "      from %s\n", from)
		}
	}
	fmt.Fprintf(e.out, "\nPlanning\n  - care band %s, because %s; season %s (%s)\n      from bands.%s\n", set.Band,
		set.BandWhy, seasonText(set), set.SeasonWhy, set.Band)
	fmt.Fprintf(e.out, "  - rulebook %s\n\n", tools.Engine.Rules.Version)
}

func join2(rule, source string) string {
	switch {
	case rule == "":
		return source
	case source == "":
		return "rule " + rule
	default:
		return "rule " + rule + ": " + source
	}
}

var topicWords = map[string]string{"place": "Where it stood", "exposure": "What it lived through",
	"damage": "What that did to it", "fit": "How it fits", "reading": "What was measured",
	"need": "When it needs replacement"}
