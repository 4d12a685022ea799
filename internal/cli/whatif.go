package cli

import (
	"errors"
	"fmt"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/unit"
)

// whatIf is a set of changes read from the command line.
type whatIf struct {
	changes  []cycle.Change
	careDays float64
}

const whatIfForm = "topper=yes|no, shelter=open|carport|indoor, rooms=out|in, place=TOWN, lubricate=N/year"

// parseWhatIf reads changes such as "shelter=carport".
func parseWhatIf(texts []string, tab *climate.Tables, known []coach.Coach) (w whatIf, err error) {
	for _, text := range texts {
		key, value, _ := strings.Cut(text, "=")
		value = strings.TrimSpace(value)
		bad := fault.New(fault.Invalid, fmt.Sprintf("%q is not a change that can be tried", text),
			"Write one of: "+whatIfForm+".")
		switch strings.TrimSpace(key) {
		case "topper":
			yes := value == "yes" || value == "true"
			if !yes && value != "no" && value != "false" {
				return w, bad
			}
			w.changes = append(w.changes, func(s *coach.Stay) { s.Topper = &yes })
		case "shelter":
			x, ok := oneOf(value, coach.Shelters)
			if !ok {
				return w, bad
			}
			w.changes = append(w.changes, func(s *coach.Stay) { s.Shelter = x })
		case "rooms":
			x, ok := oneOf(value, coach.RoomStates)
			if !ok {
				return w, bad
			}
			w.changes = append(w.changes, func(s *coach.Stay) { s.Rooms = x })
		case "place":
			if own, ok := ownSite(known, value); ok {
				w.changes = append(w.changes, func(s *coach.Stay) { s.Site = own })
				continue
			}
			p, err := tab.Lookup(value)
			if pe, ok := errors.AsType[*climate.PlaceError](err); ok {
				return w, &fault.Error{Kind: fault.Invalid, Err: err, Hint: "Write " + pe.Allowed() + "."}
			}
			w.changes = append(w.changes, func(s *coach.Stay) {
				s.Site = coach.Site{Name: p.Label(), Lat: p.Lat, Lon: p.Lon, Elev: p.Elev, Zone: p.Zone}
			})
		case "lubricate":
			r, err := unit.ParseRate(value)
			if err != nil || r <= 0 {
				return w, bad
			}
			w.careDays = 1 / float64(r)
		default:
			return w, bad
		}
	}
	return w, nil
}

// ownSite finds a place of the shop's own among the stays of the file.
func ownSite(known []coach.Coach, name string) (coach.Site, bool) {
	for _, c := range known {
		for _, s := range c.Stays {
			if strings.EqualFold(s.Site.Name, name) {
				return s.Site, true
			}
		}
	}
	return coach.Site{}, false
}

func oneOf[T ~string](value string, set []T) (T, bool) {
	for _, x := range set {
		if string(x) == value {
			return x, true
		}
	}
	return "", false
}

// The JSON of forecast --what-if.
type (
	whatIfReport struct {
		On      civil.Date    `json:"on"`
		WhatIf  []string      `json:"what_if"`
		Coaches []whatIfCoach `json:"coaches"`
	}
	whatIfCoach struct {
		Coach coach.ID     `json:"coach"`
		Parts []whatIfPart `json:"parts"`
	}
	whatIfPart struct {
		Run    string         `json:"run"`
		Part   coach.PartKind `json:"part"`
		Likely civil.Date     `json:"likely"`
		Early  civil.Date     `json:"early_if"`
		If     civil.Date     `json:"likely_if"`
		Late   civil.Date     `json:"late_if"`
		Gained sig            `json:"years_gained"`
		By     string         `json:"governing_if"`
		Beyond bool           `json:"beyond_horizon,omitempty"`
	}
)

// compare forecasts every part as it is and as it would be.
func (c *forecastCmd) compare(e *env, content intake.Content, tools cycle.Tools, on civil.Date) error {
	tab, err := e.tables()
	if err != nil {
		return err
	}
	w, err := parseWhatIf(c.WhatIf, tab, content.Coaches)
	if err != nil {
		return err
	}
	r := whatIfReport{On: on, WhatIf: c.WhatIf, Coaches: []whatIfCoach{}}
	other := tools
	other.CareDays = w.careDays
	for i := range content.Coaches {
		k := &content.Coaches[i]
		changed := tools.WhatIf(k, on, w.changes...)
		was, would := tools.Assess(k, on), other.Assess(&changed, on)
		out := whatIfCoach{Coach: k.ID, Parts: []whatIfPart{}}
		for j := range would.Forecasts {
			a, b := &was.Forecasts[j], &would.Forecasts[j]
			if !a.Hold.IsZero() {
				continue
			}
			out.Parts = append(out.Parts, whatIfPart{b.Run, b.Part, a.Likely, b.Early, b.Likely, b.Late,
				sig(float64(a.Likely.DaysUntil(b.Likely)) / float64(unit.Year)), governing(b), b.Capped})
		}
		r.Coaches = append(r.Coaches, out)
	}
	if c.JSON {
		return printJSON(e.out, r)
	}
	fmt.Fprintf(e.out, "From %s on, with %s:\n", on, strings.Join(c.WhatIf, ", "))
	for _, k := range r.Coaches {
		fmt.Fprintf(e.out, "\n%s\n", k.Coach)
		t := newTable(e.out)
		fmt.Fprintln(t, "  run\tpart\tlikely\twould be\tyears gained\tthen by")
		for _, p := range k.Parts {
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%+.1f\t%s\n", p.Run, p.Part, p.Likely, p.If, float64(p.Gained), p.By)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}
