package season

import (
	"embed"
	"fmt"
	htmltemplate "html/template"
	"math"
	"slices"
	"strings"
	texttemplate "text/template"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

//go:embed templates
var files embed.FS

var (
	textSheet = texttemplate.Must(texttemplate.New("sheet.txt").Funcs(texttemplate.FuncMap{"wrap": func(n int,
		s string) string {
		return wording.Wrap(96, n, s)
	}}).ParseFS(files, "templates/sheet.txt"))
	htmlSheet = htmltemplate.Must(htmltemplate.ParseFS(files, "templates/sheet.html"))
)

// Sheet is what a technician takes to a coach.
type Sheet struct {
	Coach, VIN string
	Day        civil.Date
	Low, High  float64
	People     []string
	Cautions   []string
	Jobs       []Job
	Steps      []string // the order of work
	Off        []string // what comes off, in order; from the last visit where it was recorded
	Recorded   civil.Date
	Back       []string // the same, in reverse
	Measure    []string
	Allow      string
	Never      string
	Cure       string
	Notes      []string
	Why        []string // why it is done, each reason once
	Shop       string   // where: the other shop when it is not ours
	Baseline   []string // readings that become the baseline
}

// Job is one line of work.
type Job struct {
	What, Where, Profile, Length, Fit, Lot string
}

// NextVisit returns the first visit of a coach in a plan.
func (p Plan) NextVisit(id coach.ID) (Visit, bool) {
	found, ok := Visit{}, false
	for _, v := range slices.Concat(p.Visits, p.Elsewhere) {
		if v.Coach == id && (!ok || v.Day < found.Day) {
			found, ok = v, true
		}
	}
	return found, ok
}

// SheetOf writes the sheet of a visit of a coach.
func SheetOf(r *rulebook.Rulebook, c *coach.Coach, v Visit, units unit.System) Sheet {
	s := Sheet{Coach: c.Name(), VIN: c.VIN, Day: v.Day, Low: v.Low, High: v.High, Notes: slices.Clone(v.Notes)}
	for _, p := range c.People {
		s.People = append(s.People, strings.TrimSpace(strings.Join([]string{p.Name, p.Phone, p.Email}, " ")))
	}
	w := writer{rules: r, coach: c, units: units, sheet: &s}
	if s.Shop = v.Partner; s.Shop != "" {
		s.Shop = "at " + s.Shop
	}
	for _, t := range v.Tasks {
		w.job(t)
	}
	w.reasons(v)
	w.lists(v)
	w.takenOff()
	w.steps(v)
	if v.Unplaced {
		s.Notes = append(s.Notes, "NOT PLANNED YET: no week has room for it; the day above is only the first one after the "+
			"plan")
	}
	if v.CureUntil != 0 {
		s.Cure = fmt.Sprintf("No room moves, and no hose test, up to and including %s, counted for the longest time the "+
			"work may take. The tape's and the sealant's own sheets win.", v.CureUntil.Long())
	}
	return s
}

// Text writes the sheet in plain text.
func (s Sheet) Text() string {
	var b strings.Builder
	if err := textSheet.Execute(&b, s); err != nil {
		panic(err) // parsed at start, data is a struct: the golden test would show it
	}
	return b.String()
}

// HTML writes the sheet as a page that prints on one side of paper.
func (s Sheet) HTML() string {
	var b strings.Builder
	if err := htmlSheet.Execute(&b, s); err != nil {
		panic(err) // as above
	}
	return b.String()
}

// writer fills a sheet.
type writer struct {
	rules *rulebook.Rulebook
	coach *coach.Coach
	units unit.System
	sheet *Sheet
}

// reasons tells why the visit is made: the weightiest work first, at most four
// reasons, each once.
func (w *writer) reasons(v Visit) {
	tasks := slices.Clone(v.Tasks)
	slices.SortStableFunc(tasks, func(a, b plan.Task) int {
		return w.rules.Tasks[b.Kind].Weight - w.rules.Tasks[a.Kind].Weight
	})
	kinds := map[string]bool{}
	for _, t := range tasks {
		k := string(t.Kind) + t.Mark
		if len(w.sheet.Why) < 4 && !kinds[k] && t.Mark != "again" {
			kinds[k] = true
			w.sheet.Why = append(w.sheet.Why, t.Why.String())
		}
	}
}

var jobWords = map[coach.TaskKind]string{
	coach.Inspect: "inspect", coach.Warranted: "inspect (warranty)", coach.WaterTest: "hose test",
	coach.ReplaceBulb: "new bulb only",
	coach.ReplaceSeal: "new seal, whole", coach.Rebond: "re-bond", coach.Refit: "right size, then refit",
	coach.SafetyStop: "ON HOLD: find the cause",
}

func (w *writer) job(t plan.Task) {
	sl, r := runOf(w.coach, t)
	if sl == nil {
		return
	}
	j := Job{What: jobWords[t.Kind], Where: sl.Name()}
	if r != nil {
		j.Where += ", " + strings.ReplaceAll(r.Key(), "/", " ")
		for _, p := range pieces(w.coach, t) {
			j.Profile = strings.TrimPrefix(j.Profile+" + "+p.profile, " + ")
		}
		if l := sl.Length(*r); l > 0 {
			j.Length = whole(l+unit.Length(w.rules.Shop.Allowance.Value), w.units)
		}
		j.Fit = w.fit(r)
	}
	if !slices.Contains(w.sheet.Jobs, j) {
		w.sheet.Jobs = append(w.sheet.Jobs, j)
	}
}

// whole says a length to cut: whole millimetres, rounded up.
func whole(l unit.Length, s unit.System) string {
	if s == unit.Metric {
		l = unit.Length(math.Ceil(float64(l)))
	}
	return l.Format(s)
}

// fit says what was measured at the last fitting and what squeeze that gives.
func (w *writer) fit(r *coach.Run) string {
	least, most, ok := r.GapSpread()
	if !ok {
		return "measure 8 closed gaps"
	}
	s := "gaps " + least.Format(w.units) + " to " + most.Format(w.units)
	if r.FreeHeight > 0 {
		s += fmt.Sprintf(", bulb %s: squeeze %.0f to %.0f %%", r.FreeHeight.Format(w.units), 100*(1-most/r.FreeHeight),
			100*(1-least/r.FreeHeight))
	}
	return s
}

// lists adds the cautions of all tasks and what may touch the materials: what every
// one of them allows, and what any of them forbids.
func (w *writer) lists(v Visit) {
	seen := map[string]bool{}
	for _, t := range v.Tasks {
		for _, c := range w.rules.Tasks[t.Kind].Cautions {
			if !seen[c] {
				seen[c] = true
				w.sheet.Cautions = append(w.sheet.Cautions, w.rules.Cautions[c])
			}
		}
	}
	allow, never := w.rules.CareLists(w.materials(v))
	w.sheet.Allow, w.sheet.Never = strings.Join(allow, "; "), strings.Join(never, "; ")
}

// materials are those of the slides that the visit works on.
func (w *writer) materials(v Visit) (out []coach.Material) {
	for _, s := range w.coach.Slides {
		if !slices.ContainsFunc(v.Tasks, func(t plan.Task) bool { return t.Slide == s.ID }) {
			continue
		}
		for _, r := range s.Runs {
			for _, p := range r.Parts {
				if len(w.rules.Materials[p.Material].Allow) > 0 && !slices.Contains(out, p.Material) {
					out = append(out, p.Material)
				}
			}
		}
	}
	return out
}

// takenOff lists what has to come off to get at the seals: as recorded at the
// last visit, else what such slides usually have (common practice, no source).
func (w *writer) takenOff() {
	fitting := slices.ContainsFunc(w.sheet.Jobs, func(j Job) bool { return j.Profile != "" })
	if !fitting {
		return
	}
	for _, s := range w.coach.Services {
		if len(s.Removed) > 0 {
			w.sheet.Off, w.sheet.Recorded = s.Removed, s.Day
		}
	}
	if w.sheet.Recorded == 0 {
		if slices.ContainsFunc(w.sheet.Notes, func(n string) bool { return strings.HasPrefix(n, "topper") }) {
			w.sheet.Off = append(w.sheet.Off, "topper (trained person: spring energy)")
		}
		w.sheet.Off = append(w.sheet.Off, "outer trim and its screws", "flange cover", "end dams and corner pieces")
	}
	w.sheet.Back = slices.Clone(w.sheet.Off)
	slices.Reverse(w.sheet.Back)
}

// steps orders the work (common practice, no source).
func (w *writer) steps(v Visit) {
	has := func(kinds ...coach.TaskKind) bool {
		return slices.ContainsFunc(v.Tasks, func(t plan.Task) bool { return slices.Contains(kinds, t.Kind) })
	}
	fitting := has(coach.ReplaceBulb, coach.ReplaceSeal, coach.Rebond, coach.Refit)
	add := func(s ...string) { w.sheet.Steps = append(w.sheet.Steps, s...) }
	add("Level and chock the coach, charge the battery, open a window, clear people inside and out.")
	add("Room in, outside: even reveal, rust at screws. Part way: both bulbs, both wiper faces (not on inflatable " +
		"seals). Room out: lips, corners first; inside: floor and corners.")
	if fitting {
		add("Measure before anything is cut: flange, free bulb, closed gap at eight places; check level, stops and "+
			"alignment of the room.",
			"Isolate: battery off, shore power unplugged, key tagged. Take off in the order below; bag and label.",
			"Strip the old seal; clean the flange with alcohol and water, dry. Dry-fit, cut corners, do not stretch; start at "+
				"the middle of the top, two people.",
			"End dams and corner sealant as the seal's maker says. Put back in reverse.")
	}
	if v.CureUntil != 0 {
		add("Roll the adhesive down and leave it to cure: see below.")
	}
	add("Cycle twice in sight of the room: flip test, paper strip every 12 in and at corners, light.")
	if has(coach.WaterTest) || fitting {
		add("Hose without a jet, bottom up, five minutes for five feet, a watcher inside; not before the cure.")
	}
	add("Record the readings: they are the baseline. Hand the care card over and say when the first check is.")
	w.sheet.Measure = []string{"closed gaps (8)", "free bulb height", "crack grade 0-4", "flip: places that stay rolled",
		"paper strip", "light", "damp at floor edge"}
	w.sheet.Baseline = w.sheet.Measure[:4]
}
