package plan

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/projection"
	"sealmanac/internal/wording"
)

// replacements adds one task per run and kind of replacement, from the part that
// comes to need it first, and a refit for runs that do not fit.
func (p *planner) replacements(forecasts []projection.Forecast) {
	first := len(p.tasks)
	limit := p.on.AddMonths(int(p.rules.Plan.SearchYears.Value * 12))
	for i := range forecasts {
		f := &forecasts[i]
		var t Task
		switch {
		case !f.Hold.IsZero():
			t = Task{Kind: coach.Refit, Slide: f.Slide, Run: f.Run, Anchor: f.Fitted, Earliest: p.on, Target: p.on.Add(14),
				Latest: p.on.Add(30),
				Why:    wording.Say("This run is on hold: %s.", f.Hold)}
		case f.Governing == "" || f.Likely > limit || f.Likely >= f.Late && f.Capped:
			continue
		default:
			t = p.replace(f)
		}
		if k := p.find(first, t); k < 0 {
			p.tasks = append(p.tasks, t)
		} else if t.Target < p.tasks[k].Target {
			p.tasks[k] = t
		}
	}
}

// find returns the replacement already planned from index first on for the same
// run and kind, or -1.
func (p *planner) find(first int, t Task) int {
	for i := first; i < len(p.tasks); i++ {
		if p.tasks[i].Run == t.Run && p.tasks[i].Kind == t.Kind {
			return i
		}
	}
	return -1
}

// Replacement returns what is done when a part of a construction needs renewal:
// the bulb of a track is changed alone, an adhesive line is renewed, everything
// else is changed whole.
func Replacement(c coach.Construction, part coach.PartKind) coach.TaskKind {
	switch {
	case part == coach.Adhesive:
		return coach.Rebond
	case c == coach.Track && part == coach.Bulb:
		return coach.ReplaceBulb
	default:
		return coach.ReplaceSeal
	}
}

// soonDays is how near a need is when its day is not named any more: it could pass
// before somebody reads of it.
const soonDays = 14

func (p *planner) replace(f *projection.Forecast) Task {
	t := Task{Kind: Replacement(f.Construction, f.Part), Slide: f.Slide, Run: f.Run, Part: f.Part, Anchor: f.Fitted,
		Earliest: f.Early, Target: f.Likely, Latest: f.Likely}
	name, why := p.partName(f), MechanismWords[f.Governing]
	far := f.Likely >= p.on.Add(soonDays)
	var need wording.Text
	switch {
	case f.Likely < p.on:
		need = wording.Say("%[1]s is overdue: half of such seals need replacement by %[2]s (%[3]s).", name,
			wording.Month{Day: f.Likely}, why)
	case !far:
		need = wording.Say("%[1]s is about to need replacement (%[2]s).", name, why)
	default:
		need = wording.Say("%[1]s is likely to need replacement by %[2]s, between %[3]s and %[4]s (%[5]s).", name, f.Likely,
			wording.Month{Day: f.Early}, wording.Month{Day: f.Late}, why)
	}
	t.Why = need
	t.Target = p.beforeSeason(f.Likely, &t.Why)
	switch {
	case t.Target >= p.on:
	case far:
		t.Why = wording.Say("%[1]s is likely to need replacement by %[2]s (%[3]s), and the season has begun or is about to.",
			name, f.Likely, why)
	default:
		t.Why = need
	}
	t.Earliest, t.Latest = min(t.Earliest, t.Target), max(t.Latest, t.Target)
	return t
}

// beforeSeason pulls a need to the days before the opening it falls after.
func (p *planner) beforeSeason(need civil.Date, why *wording.Text) civil.Date {
	open := p.set.Season.OpeningBefore(need)
	if open == 0 {
		return need
	}
	ready := open.Add(-p.rules.Plan.ReadyDays.Days())
	if ready > need { // it falls in storage and would be late: the coach stands, so the opening is soon enough
		*why = why.And("The coach is out of season then; have it done before the season opens on %s.", open)
		return ready
	}
	if need < open {
		*why = why.And("That is just before the season, so have it done well before it opens on %s.", open)
	} else {
		*why = why.And("That is inside the season, so have it done well before it opens on %s.", open)
	}
	return ready
}

func (p *planner) partName(f *projection.Forecast) wording.Text {
	return wording.Say("The %[1]s %[2]s fitted in %[3]s", wording.Say(p.rules.Materials[f.Material].Name),
		PartWords[f.Part], wording.Month{Day: f.Fitted})
}

// PartWords says each kind of part to people.
var PartWords = map[coach.PartKind]wording.Text{
	coach.Bulb: wording.Say("bulb"), coach.Wiper: wording.Say("wiper"), coach.Corner: wording.Say("corner"),
	coach.Carrier: wording.Say("carrier"), coach.Adhesive: wording.Say("adhesive"),
}

// MechanismWords says each mechanism to people.
var MechanismWords = map[coach.Mechanism]wording.Text{
	coach.CompressionSet: wording.Say("it loses its spring under pressure"),
	coach.Weathering:     wording.Say("sun makes it hard and cracked"),
	coach.OzoneCracking:  wording.Say("ozone cracks it where it is stretched"),
	coach.Abrasion:       wording.Say("the lip wears as the room moves"),
	coach.Hardening:      wording.Say("it stiffens with age"),
	coach.Plasticiser:    wording.Say("it loses what keeps it soft"),
	coach.AdhesionLoss:   wording.Say("the adhesive lets go"),
	coach.Corrosion:      wording.Say("the steel inside rusts"),
}
