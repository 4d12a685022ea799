package rulebook

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

// typeNames are what the parser says of this program's own types.
var typeNames = regexp.MustCompile(` in type [\w.\[\]]+| into [\w.\[\]]+`)

// Parse reads and checks a rulebook. Unknown keys are refused; all faults are
// reported at once, each with the key as written.
func Parse(text []byte) (*Rulebook, error) { return parse(text, nil) }

// ParseKept reads a rulebook that was checked and kept by this version or an earlier one.
// A task, a kind of work or a figure that its version did not know yet is taken from
// base: an account's own rules must outlive the upgrades of the program.
func ParseKept(text []byte, base *Rulebook) (*Rulebook, error) { return parse(text, base) }

func parse(text []byte, base *Rulebook) (*Rulebook, error) {
	var r Rulebook
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	if err := d.Decode(&r); err != nil {
		what := typeNames.ReplaceAllString(strings.TrimPrefix(err.Error(), "yaml: "), "")
		return nil, &fault.Error{Op: "rulebook", Kind: fault.Invalid, Msg: what, Hint: "Fix the rulebook at the line shown."}
	}
	r.renewSteps()
	r.renewTexts()
	if base != nil {
		complete(reflect.ValueOf(&r).Elem(), reflect.ValueOf(base).Elem(), true)
	}
	if bad := r.check(); len(bad) > 0 {
		return nil, &fault.Error{Op: "rulebook", Kind: fault.Invalid, Msg: strings.Join(bad, "\n"),
			Hint: "Correct the figures named above."}
	}
	return &r, nil
}

// earlierStep stood in the default rulebook, and so in those made from it. It named
// no product, also for seals that bear none.
const earlierStep = "Put a little conditioner on a cloth and wipe every bulb and wiper; do not spray it on."

// earlierTexts stood in the default rulebook, and so in those made from it: their present
// forms are those that the catalogues know.
var earlierTexts = map[string]string{
	"Ask the shop to write the readings down: they re-date the forecast.": "Ask the shop to record the readings: " +
		"they update the dates.",
	"The adhesive line is renewed in a warm, dry bay.": "The adhesive line is replaced in a warm, dry bay.",
	"Ring the shop: they tell you what to do next. No other reminder about this room comes until it is settled.": "Call " +
		"the shop: they tell you what to do next. We will not remind you of other work on this slide until the shop " +
		"clears it.",
	"Dry wet places within a day or two. Leave large mould areas, or any if you are ill, to a professional.": "Dry wet " +
		"places within a day or two. Leave large mold areas, or any if you are ill, to a professional.",
}

// renewTexts reads earlier texts as the present ones.
func (r *Rulebook) renewTexts() {
	for kind, t := range r.Tasks {
		for i, s := range t.How {
			if now := earlierTexts[s.Text]; now != "" {
				t.How = slices.Clone(t.How)
				t.How[i].Text = now
			}
		}
		r.Tasks[kind] = t
	}
	for name, s := range r.Cautions {
		if now := earlierTexts[s]; now != "" {
			r.Cautions[name] = now
		}
	}
}

// renewSteps reads the earlier step as those that have taken its place.
func (r *Rulebook) renewSteps() {
	t := r.Tasks[coach.Lubricate]
	i := slices.IndexFunc(t.How, func(s Step) bool { return s.Text == earlierStep && s.With == "" })
	if i < 0 {
		return
	}
	with := func(product string) Step {
		return Step{With: product, Text: "Wipe every bulb and wiper with a cloth and " + product + "; do not spray it on."}
	}
	t.How = slices.Replace(slices.Clone(t.How), i, i+1,
		with("a water-based protectant without silicone or petroleum"),
		with("a water-based protectant without silicone, after a spot test"))
	r.Tasks[coach.Lubricate] = t
}

// complete fills in the figures that a value lacks and, at the top, the entries of its
// maps. Below the top an entry that is missing was left out on purpose.
func complete(v, base reflect.Value, top bool) {
	switch {
	case v.Type() == figureType:
		if v.IsZero() {
			v.Set(base)
		}
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			complete(v.Field(i), base.Field(i), top && v.Field(i).Kind() == reflect.Map)
		}
	case v.Kind() == reflect.Map && top:
		if v.IsNil() {
			v.Set(reflect.MakeMap(v.Type()))
		}
		for _, k := range base.MapKeys() {
			if !v.MapIndex(k).IsValid() {
				v.SetMapIndex(k, base.MapIndex(k))
				continue
			}
			entry := reflect.New(v.Type().Elem()).Elem() // what a map holds cannot be changed in place
			entry.Set(v.MapIndex(k))
			complete(entry, base.MapIndex(k), false)
			v.SetMapIndex(k, entry)
		}
	}
}

var evidences = []Evidence{Standard, Published, Derived, Practice, Default}

// check returns every fault of the rulebook, in a fixed order.
func (r *Rulebook) check() []string {
	var bad []string
	say := func(format string, a ...any) { bad = append(bad, fmt.Sprintf(format, a...)) }
	if r.Version == "" {
		say("version: is required")
	}
	Figures(r, func(path string, f Figure) {
		if !slices.Contains(evidences, f.Evidence) {
			say("%s: evidence is %q; allowed: %v", path, f.Evidence, evidences)
		}
		if f.Source == "" {
			say("%s: source is required", path)
		}
		low, high := bounds(path)
		if !(f.Value >= low && f.Value <= high) {
			say("%s: value %g is outside %g to %g", path, f.Value, low, high)
		}
	})
	r.checkSets(say)
	return bad
}

// bounds returns the allowed range of a figure by the last word of its path.
func bounds(path string) (low, high float64) {
	name := path[strings.LastIndexByte(path, '.')+1:]
	switch name {
	case "scatter", "least_band", "grade_error":
		return 0.01, 3
	case "beta":
		return 0.05, 3
	case "ea", "uv_activation":
		return 0, 200
	case "limit", "hot_set", "detection", "miss":
		return 0.001, 0.999
	case "view_top", "view_side", "view_bottom", "view_behind", "topper", "absorptance", "relaxed_rate", "indoor_follow",
		"cabin_follow", "least", "most", "cold_penalty", "waste", "least_share":
		return 0, 1
	case "freezing", "least_temp", "indoor_mean", "hot", "hot_temp":
		return -60, 200
	case "tau_years", "dose", "years", "rate", "hot_hours", "lip_limit", "pressure", "cycles", "days", "dry_rate",
		"per_year", "points", "shore", "horizon_years", "search_years", "height_error", "shore_error", "lip_error",
		"owner_factor", "coil", "day_hours", "pull_days":
		return 1e-6, 1e6
	default:
		return 0, 1e6
	}
}

func (r *Rulebook) checkSets(say func(string, ...any)) {
	for _, m := range coach.Materials {
		mat, ok := r.Materials[m]
		if !ok {
			say("materials.%s: is required", m)
			continue
		}
		if s := mat.Set; s != nil && s.TauYears == nil && (s.HotSet == nil || s.HotHours == nil || s.HotTemp == nil) {
			say("materials.%s.set: give tau_years, or hot_set with hot_hours and hot_temp", m)
		}
	}
	for _, c := range coach.Constructions {
		if _, ok := r.Constructions[c]; !ok {
			say("constructions.%s: is required", c)
		}
	}
	for _, b := range []Band{"A", "B", "C", "D", "E"} {
		if _, ok := r.Bands[b]; !ok {
			say("bands.%s: is required", b)
		}
	}
	for _, k := range slices.Concat(coach.TaskKinds, []coach.TaskKind{coach.BookedVisit}) {
		t, ok := r.Tasks[k]
		switch {
		case !ok:
			say("tasks.%s: is required", k)
		case len(t.Lead) == 0 || !slices.IsSortedFunc(t.Lead, func(a, b int) int { return b - a }):
			say("tasks.%s.lead_days: give at least one, the earliest reminder step (most days) first", k)
		}
		for role, l := range t.LeadFor {
			if !slices.Contains(coach.Roles, role) || !slices.IsSortedFunc(l, func(a, b int) int { return b - a }) {
				say("tasks.%s.lead_days_for.%s: roles are %v, and the earliest reminder step (most days) comes first", k, role,
					coach.Roles)
			}
		}
		for _, s := range t.How {
			if s.With != "" && !r.allowed(s.With) {
				say("tasks.%s.how: %q is on no material's list of what is allowed", k, s.With)
			}
		}
		for _, c := range t.Cautions {
			if r.Cautions[c] == "" {
				say("tasks.%s.cautions: %q is not among cautions", k, c)
			}
		}
	}
	for _, k := range WorkKinds {
		if w, ok := r.Work[k]; !ok || !slices.Contains(coach.Skills, w.Skill) || w.Low.Value > w.High.Value ||
			w.High.Value <= 0 {
			say("work.%s: needs a skill (%v), and low hours not above high ones", k, coach.Skills)
		}
	}
	m := r.Manners
	if m.SendFrom < 0 || m.SendUntil > 24 || m.SendFrom >= m.SendUntil || len(m.SendDays) == 0 || m.GapDays < 0 ||
		m.PerYear < 1 || m.Reserved < 0 || m.Reserved >= m.PerYear || m.Unanswered < 1 || m.SnoozeDays < 1 ||
		m.BookingDays < 1 {
		say("manners: need send_days, send_from before send_until (0-24), gap_days >= 0, per_year, unanswered, snooze_days " +
			"and booking_days >= 1, reserved_for_work below per_year")
	}
	for _, d := range m.SendDays {
		if !slices.Contains(weekdays, d) {
			say("manners.send_days: %q; allowed: %v", d, weekdays)
		}
	}
}

// allowed reports whether a product is on the list of any material.
func (r *Rulebook) allowed(product string) bool {
	for _, m := range r.Materials {
		if slices.Contains(m.Allow, product) {
			return true
		}
	}
	return false
}

var weekdays = []string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}

// Figures calls see for every figure of the rulebook with its path, such as
// "materials.epdm_sponge.uv.dose", in a fixed order.
func Figures(r *Rulebook, see func(path string, f Figure)) {
	walk("", reflect.ValueOf(r).Elem(), see)
}

var figureType = reflect.TypeFor[Figure]()

func walk(path string, v reflect.Value, see func(string, Figure)) {
	switch {
	case v.Type() == figureType:
		see(path, v.Interface().(Figure))
	case v.Kind() == reflect.Pointer:
		if !v.IsNil() {
			walk(path, v.Elem(), see)
		}
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("yaml"), ",")
			if name != "-" && name != "" {
				walk(join(path, name), v.Field(i), see)
			}
		}
	case v.Kind() == reflect.Map:
		keys := v.MapKeys()
		slices.SortFunc(keys, func(a, b reflect.Value) int { return strings.Compare(a.String(), b.String()) })
		for _, k := range keys {
			walk(join(path, k.String()), v.MapIndex(k), see)
		}
	}
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "." + b
}

// String prints the figure with its unit, trimmed to 4 significant digits.
func (f Figure) String() string {
	v := f.Value
	if v != 0 {
		p := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(v))))
		v = math.Round(v*p) / p
	}
	return strings.TrimSpace(fmt.Sprintf("%g %s", v, f.Unit))
}
