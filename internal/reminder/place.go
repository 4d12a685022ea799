package reminder

import (
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/wording"
)

// Where says on which slides and edges of a coach some tasks are: "Galley (outer top
// edge, outer front edge); bedroom slide (all edges)".
func Where(w *wording.Words, c *coach.Coach, tasks []*plan.Task) string {
	var order []coach.SlideID
	edges := map[coach.SlideID][]string{}
	for _, t := range tasks {
		if _, seen := edges[t.Slide]; !seen {
			order = append(order, t.Slide)
			edges[t.Slide] = nil
		}
		_, run, _ := strings.Cut(t.Run, "/")
		if edge := Edge(w, run); edge != "" {
			edges[t.Slide] = append(edges[t.Slide], edge)
		}
	}
	var out []string
	for _, id := range order {
		s := slideName(w, c, id)
		whole := c.FindSlide(id)
		switch e := edges[id]; {
		case len(e) > 1 && whole != nil && len(e) >= len(whole.Runs):
			s = w.T("%s (all edges)", s)
		case len(e) > 0:
			s += " (" + strings.Join(e, ", ") + ")"
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

// Place says one slide of a coach, or one of its edges, such as "outer/top".
func Place(w *wording.Words, c *coach.Coach, id coach.SlideID, run string) string {
	if id == "" {
		return ""
	}
	if run == "" {
		return slideName(w, c, id)
	}
	return slideName(w, c, id) + " (" + Edge(w, run) + ")"
}

// Edge says an edge, such as "outer/top".
func Edge(w *wording.Words, run string) string { return edgeWords[run].In(w) }

func slideName(w *wording.Words, c *coach.Coach, id coach.SlideID) string {
	if s := c.FindSlide(id); s != nil && s.Label != "" {
		return s.Label
	}
	return w.T("%s slide", string(id))
}

var edgeWords = map[string]wording.Text{
	"outer/top": wording.Say("outer top edge"), "outer/bottom": wording.Say("outer bottom edge"),
	"outer/fore": wording.Say("outer front edge"), "outer/aft": wording.Say("outer rear edge"),
	"inner/top": wording.Say("inner top edge"), "inner/bottom": wording.Say("inner bottom edge"),
	"inner/fore": wording.Say("inner front edge"), "inner/aft": wording.Say("inner rear edge"),
}

// WorkWords say work as a thing and not as a request.
var WorkWords = map[coach.TaskKind]wording.Text{
	coach.Inspect: wording.Say("Inspection with readings"), coach.WaterTest: wording.Say("Hose test"),
	coach.ReplaceBulb: wording.Say("New bulb"),
	coach.ReplaceSeal: wording.Say("New seal"), coach.Rebond: wording.Say("Re-bonding"),
	coach.Refit: wording.Say("Seal that does not fit"), coach.Warranted: wording.Say("Look before the warranty ends"),
	coach.Clean: wording.Say("Cleaning"), coach.Lubricate: wording.Say("Cleaning and conditioning"),
	coach.Exercise:   wording.Say("Running the rooms"),
	coach.SafetyStop: wording.Say("Look at a stopped room"),
}
