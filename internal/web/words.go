package web

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/plan"
	"sealmanac/internal/unit"
)

// doneWords are what a page says after something was done.
var doneWords = map[string]string{
	"saved":    "Saved.",
	"misfit":   "Saved. Do not use this edge yet: the bulb does not fit its gap.",
	"recorded": "Saved. Dates updated.",
	"undone":   "Undone.", "pinned": "The appointment is saved. We are updating the plan.",
	"unpinned": "The date is canceled. We are updating the plan.",
	"planned": "Planned. We tell nobody about it: " +
		"press \"Agreed with the owner\" when they have said yes.",
	"moved":        "The new place is saved. Dates updated.",
	"called":       "Saved. The call is off the list.",
	"by-phone":     "No message is sent. The call stays on the list until you have reached them.",
	"stop-sent":    "We are sending the message now.",
	"stop-morning": "We will send the message at 7:00 in the morning, their time.",
	"started":      "Started. We will send the messages in each person's next sending hours.",
	"rested":       "Withdrawn. We will remind these people after the day you gave.",
	"joined":       "You are signed in.", "left": "You are signed out.", "invited": "The invitation is on its way.",
	"role": "Role changed.", "removed": "Removed.", "ended": "Ended.",
	"password": "Your password is changed. You are signed out everywhere else.",
	"released": "We will send it within a minute.", "withdrawn": "Withdrawn. We will not send it.",
	"accepted": "Accepted. The new rules apply from now on.", "attached": "Attached.", "view": "View saved.",
	"imported": "Imported.", "tested": "A test event is on its way.",
}

// stateNames are the states of a coach as people read them.
var stateNames = map[string]string{desk.OnHold: "do not use", desk.Overdue: "overdue", desk.Due: "due",
	desk.Booked: "booked", desk.Fine: "sound", desk.Undated: "no place on record"}

// taskNames are tasks as things.
var taskNames = map[coach.TaskKind]string{
	coach.Clean: "clean", coach.Lubricate: "clean and condition", coach.Exercise: "exercise the slide",
	coach.Inspect: "inspection", coach.WaterTest: "hose test", coach.ReplaceBulb: "new bulb",
	coach.ReplaceSeal: "new seal", coach.Rebond: "re-bonding", coach.Refit: "seal does not fit",
	coach.SafetyStop: "safety stop", coach.Warranted: "inspection before the warranty ends",
	coach.BookedVisit: "appointment",
}

func taskName(k any) string {
	s := fmt.Sprint(k)
	if n, ok := taskNames[coach.TaskKind(s)]; ok {
		return n
	}
	return plain(s)
}

// plain turns a stored word into words for people: "epdm_sponge" to "epdm sponge".
func plain(v any) string { return strings.ReplaceAll(fmt.Sprint(v), "_", " ") }

var funcs = template.FuncMap{
	"plain": plain, "task": taskName, "long": longDay, "day": shortDay, "pct": percent, "chance": chance,
	"join":   strings.Join,
	"anchor": anchor, "kinds": kinds, "far": far,
	"query":     func(s string) template.URL { return template.URL(s) }, // of a kept view: url.Values has escaped it
	"state":     func(s any) string { return stateNames[fmt.Sprint(s)] },
	"size":      func(l unit.Length, u unit.System) string { return l.Format(u) },
	"add":       func(a, b int) int { return a + b },
	"edge":      func(s any) string { return edge(fmt.Sprint(s)) },
	"runname":   func(s string) string { return strings.TrimPrefix(edge("x/"+s), "x, ") },
	"month":     func(d civil.Date) string { return d.Time().Format("January 2006") },
	"noday":     func(s any) bool { return fmt.Sprint(s) == desk.NoDay || fmt.Sprint(s) == "" },
	"first":     func(n int, s string) string { return s[:min(n, len(s))] },
	"hour":      func(v float64) string { return fmt.Sprintf("%.1f", v) },
	"worn":      func(r partRow) string { _, w := wornness(&r.Forecast); return w.String() },
	"wornclass": func(r partRow) string { c, _ := wornness(&r.Forecast); return c },
	"mechanism": func(m coach.Mechanism) string { return plan.MechanismWords[m].String() },
	"has":       func(all []string, one string) bool { return slices.Contains(all, one) },
	"clock":     func(at int) string { return fmt.Sprintf("%02d:%02d", at/60, at%60) },
	"short":     func(s any) string { return fmt.Sprint(s) },
}

// far shows a length of stock: feet or metres.
func far(l unit.Length, u unit.System) string {
	if l == 0 {
		return "0"
	}
	if u == unit.Metric {
		return fmt.Sprintf("%.1f m", l.Metres())
	}
	return fmt.Sprintf("%.1f ft", l.Feet())
}

// At shows an instant, in microseconds since 1970, in the zone of the shop.
func (l layout) At(us int64) string {
	return time.UnixMicro(us).In(l.Zone).Format("2 Jan 2006 15:04 MST")
}

// AtOr shows an instant that may not have been.
func (l layout) AtOr(us *int64) string {
	if us == nil {
		return "never"
	}
	return l.At(*us)
}

func percent(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }

// chance says a chance as people count: "6 in 10".
func chance(v float64) string {
	switch {
	case v < 0.05:
		return "less than 1 in 10"
	case v >= 0.95:
		return "more than 9 in 10"
	}
	return fmt.Sprintf("%.0f in 10", 10*v)
}

// dayOf returns a day given as such or as its text.
func dayOf(v any) (d civil.Date, ok bool) {
	if d, ok = v.(civil.Date); ok {
		return d, true
	}
	d, err := civil.Parse(fmt.Sprint(v))
	return d, err == nil
}

// longDay shows a day or its text as "Tue 3 March 2026".
func longDay(v any) string {
	d, ok := dayOf(v)
	if !ok {
		return ""
	}
	return d.Long()
}

// shortDay shows a day or its text as "3 Mar 2026".
func shortDay(v any) string {
	d, ok := dayOf(v)
	if !ok || d == 0 {
		return ""
	}
	return d.Time().Format("2 Jan 2006")
}

var sideNames = map[string]string{"top": "top", "bottom": "bottom", "fore": "front", "aft": "rear"}

// edge turns "galley/outer/top" into "galley, outer top".
func edge(address string) string {
	f := strings.Split(address, "/")
	if len(f) < 3 {
		return address
	}
	out := f[0] + ", " + f[1] + " " + sideNames[f[2]]
	if len(f) > 3 {
		out += " " + f[3]
	}
	return out
}
