package web

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/unit"
)

// formOf returns the fields of a form as a person meant them, without blanks around.
func formOf(r *http.Request) map[string]string {
	_ = r.ParseForm() // what is missing is told by the checks
	out := map[string]string{}
	for k := range r.PostForm {
		out[k] = strings.TrimSpace(r.PostForm.Get(k))
	}
	return out
}

// inUnits returns a form whose bare numbers have the units of the page on which they were
// written. The form itself names those: it may be sent long after the page was left.
func inUnits(form map[string]string) map[string]string {
	u, out := unit.System(form["units"]), maps.Clone(form)
	for k, v := range form {
		switch name, _, _ := strings.Cut(k, " "); name {
		case "width", "slide_height", "travel", "height":
			out[k] = u.Complete(v)
		case "temp":
			out[k] = u.CompleteTemp(v)
		case "gaps":
			gaps := strings.FieldsFunc(v, func(r rune) bool { return r == ',' || r == ';' })
			for i := range gaps {
				gaps[i] = u.Complete(gaps[i])
			}
			out[k] = strings.Join(gaps, ",")
		}
	}
	return out
}

// versionOf reads the version of a coach that a form was made from; 0: whatever it is.
func versionOf(form string) int64 {
	v, _ := strconv.ParseInt(form, 10, 64)
	return v
}

type fitData struct {
	Coach     coach.Coach
	Version   int64
	Today     string
	Slides    []coach.Slide
	Edges     []string
	Builds    []coach.Construction
	Materials []coach.Material
	Carriers  []coach.CarrierMetal
	Walls     []coach.Side4
	PartKinds []string
	Form      map[string]string
	Ticked    []string // edges
	Like      string   // what it was copied from
	Least     float64
	Most      float64
	Problems  []string
	Misfits   []string // what would not fit; saved only when its words come back
	Cautions  []string
	Fault     *trouble
}

var edges = []string{"outer/top", "outer/bottom", "outer/fore", "outer/aft", "inner/top", "inner/bottom", "inner/fore",
	"inner/aft"}

// fitPage is the fitting of a seal, filled in as the last one on this coach was.
func (s *Site) fitPage(r *http.Request, w access.Who) (view, error) {
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	if err != nil {
		return view{}, err
	}
	form, like := lastFitting(&p.Coach, r.URL.Query().Get("slide"), s.unitsOf(r))
	form["day"] = p.Today.String()
	return fitView(p, form, like, nil, nil), nil
}

func fitView(p desk.CoachPage, form map[string]string, like string, problems []string, bad *trouble) view {
	d := fitData{Coach: p.Coach, Version: p.Version, Today: p.Today.String(), Slides: p.Coach.Slides, Edges: edges,
		Builds: coach.Constructions, Materials: coach.Materials, Carriers: coach.Carriers, Walls: coach.Walls,
		PartKinds: fittedParts, Form: form, Like: like,
		Least: p.Rules.Fit.Least.Value, Most: p.Rules.Fit.Most.Value, Problems: problems, Fault: bad}
	for _, c := range []string{"makers", "moving_room", "ladder", "solvents"} {
		d.Cautions = append(d.Cautions, p.Rules.Cautions[c])
	}
	v := view{page: "fit", title: "A fitting", data: d}
	if len(problems) > 0 || bad != nil {
		v.code = http.StatusUnprocessableEntity
	}
	return v
}

// ticked keeps the edges ticked when a form is shown again.
func ticked(v view, r *http.Request) view {
	d, _ := v.data.(fitData)
	d.Ticked = r.PostForm["run"]
	v.data = d
	return v
}

// lastFitting fills the form in from the newest run of a coach, of the named slide if
// it has one.
func lastFitting(c *coach.Coach, slide string, u unit.System) (form map[string]string, like string) {
	form = map[string]string{"slide": slide, "construction": string(coach.PushOn), "bulb": string(coach.EPDMSponge),
		"wiper": string(coach.EPDMDense), "carrier": string(coach.Steel)}
	var best *coach.Run
	var where string
	for i := range c.Slides {
		s := &c.Slides[i]
		for j := range s.Runs {
			if r := &s.Runs[j]; best == nil || r.Fitted > best.Fitted && (slide == "" || string(s.ID) == slide) || slide != "" &&
				string(s.ID) == slide && !strings.HasPrefix(where, slide+",") {
				best, where = r, edge(s.Address(*r))
			}
		}
	}
	if best == nil {
		return form, ""
	}
	form["construction"], form["carrier"] = string(best.Construction), string(best.Carrier)
	for _, k := range fittedParts {
		form[k] = ""
	}
	for _, p := range best.Parts {
		switch p.Kind {
		case coach.Bulb, coach.Wiper, coach.Adhesive:
			form[string(p.Kind)] = string(p.Material)
			if p.Kind == coach.Bulb {
				form["profile"] = p.Profile
			}
		}
	}
	if best.FreeHeight > 0 {
		form["height"] = best.FreeHeight.Format(u)
	}
	return form, where
}

// fit stores a fitting: the runs named get new parts, everything else of the coach
// stays. It goes through a coach file, so that the same checks hold.
func (s *Site) fit(r *http.Request, w access.Who) (view, error) {
	form := formOf(r)
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	if err != nil {
		return view{}, err
	}
	read := inUnits(form)
	text, runs, problems := s.fitted(r, w, read)
	if len(problems) > 0 {
		return ticked(fitView(p, form, "", problems, nil), r), nil
	}
	wrong := s.misfits(p, text, cmp.Or(form["new_slide"], form["slide"]), runs)
	if len(wrong) > 0 && form["misfit"] != strings.Join(wrong, " ") {
		v := ticked(fitView(p, form, "", nil, nil), r)
		d, _ := v.data.(fitData)
		d.Misfits, v.code = wrong, http.StatusUnprocessableEntity
		v.data = d
		return v, nil
	}
	_, found, err := s.Desk.SaveText(r.Context(), w.Account, w.Email, p.Coach.ID, versionOf(form["version"]),
		string(p.Coach.ID)+".yaml", text)
	if err != nil {
		v := fitView(p, form, "", nil, nil)
		data, _ := ticked(v, r).data.(fitData)
		return again(err, v, func(t trouble) any { data.Fault = &t; return data })
	}
	if found.Err() != nil {
		return ticked(fitView(p, form, "", found.Wrong().Lines(), nil), r), nil
	}
	if err := s.fittedService(r, w, p, read, runs); err != nil {
		return view{}, err
	}
	if len(wrong) > 0 {
		return goTo("/coach/"+string(p.Coach.ID), "misfit")
	}
	return goTo("/coach/"+string(p.Coach.ID), "saved")
}

// misfits says of which edges a coach's file would have a bulb that does not fit, of
// those that a fitting names. A file that cannot be read has none: saving it says why.
func (s *Site) misfits(p desk.CoachPage, text []byte, slide string, runs []string) (out []string) {
	read := intake.Read(intake.Options{Today: p.Today, Places: s.Desk.Places}, nil,
		intake.File{Name: "form.yaml", Data: text})
	for i := range read.Coaches {
		c := &read.Coaches[i]
		c.Readings = p.Coach.Readings
		out = append(out, misfitsOf(c, p, func(id coach.SlideID, run string) bool {
			return string(id) == slide && slices.Contains(runs, run)
		})...)
	}
	return out
}

// misfitsOf says which bulbs of a coach do not fit, of the edges asked for; nil: of all.
func misfitsOf(c *coach.Coach, p desk.CoachPage, asked func(slide coach.SlideID, run string) bool) (out []string) {
	e := projection.Engine{Rules: p.Rules}
	for i := range c.Slides {
		sl := &c.Slides[i]
		for j := range sl.Runs {
			if r := projection.AsMeasured(c, sl.ID, &sl.Runs[j], p.Today); asked == nil || asked(sl.ID, r.Key()) {
				if why := e.Misfit(&r); !why.IsZero() {
					out = append(out, fmt.Sprintf("%s, %s: %s.", sl.Name(), strings.TrimPrefix(edge("x/"+r.Key()), "x, "), why))
				}
			}
		}
	}
	return out
}

// fittedService notes the replacement of runs that were there before, so that what was
// due for them is done.
func (s *Site) fittedService(
	r *http.Request, w access.Who, p desk.CoachPage, form map[string]string, runs []string,
) error {
	day, err := civil.Parse(form["day"])
	if err != nil {
		return nil // refused before
	}
	var x desk.Records
	for i := range p.Coach.Slides {
		sl := &p.Coach.Slides[i]
		for j := range sl.Runs {
			if string(sl.ID) == form["slide"] && slices.Contains(runs, sl.Runs[j].Key()) && sl.Runs[j].Fitted < day {
				for _, k := range renewals(form) {
					x.Services = append(x.Services, coach.Service{Day: day, Kind: k, Slide: sl.ID, Run: sl.Runs[j].Key(), By: "shop",
						Note: w.Email})
				}
			}
		}
	}
	if len(x.Services) == 0 {
		return nil
	}
	return s.Desk.Record(r.Context(), w.Account, w.Email, p.Coach.ID, x)
}

// renewals returns what a fitting was: of the whole seal, or of the parts that did not
// stay.
func renewals(form map[string]string) (out []coach.TaskKind) {
	if len(kept(form)) == 0 || isNew(form, "wiper") {
		return []coach.TaskKind{coach.ReplaceSeal}
	}
	if isNew(form, "bulb") {
		out = append(out, coach.ReplaceBulb)
	}
	if isNew(form, "adhesive") {
		out = append(out, coach.Rebond)
	}
	return out
}

// isNew reports whether a form brings a new part of a kind.
func isNew(form map[string]string, kind string) bool {
	return form[kind] != "" && form[kind] != asItIs
}

// fitted returns the coach's file with the fitting in it, and the runs it names.
func (s *Site) fitted(r *http.Request, w access.Who, form map[string]string) (text []byte, runs, problems []string) {
	now, _, err := s.Desk.Text(r.Context(), w.Account, coachID(r))
	if err != nil {
		return nil, nil, []string{err.Error()}
	}
	doc, err := intake.Tree([]byte(now))
	if err != nil {
		return nil, nil, []string{err.Error()}
	}
	runs = r.PostForm["run"]
	if len(runs) == 0 {
		problems = append(problems, "Edges: check at least one")
	}
	id := cmp.Or(form["new_slide"], form["slide"])
	if form["new_slide"] != "" && strings.Contains(now, "slide: "+form["new_slide"]+"\n") {
		problems = append(problems,
			"New slide: "+form["new_slide"]+" is already on this coach; choose it in the list, or enter another short name")
	}
	if id == "" {
		problems = append(problems, "Slide: choose one, or enter a short name such as galley for a new one")
	}
	if len(problems) > 0 {
		return nil, nil, problems
	}
	form["slide"] = id
	coaches, _ := doc["coaches"].([]any)
	one, ok := coaches[0].(map[string]any)
	if !ok {
		return nil, nil, []string{"the coach cannot be read"}
	}
	slide, stay := slideOf(one, id, form), kept(form)
	if len(stay) > 0 {
		if gone := strangers(slide, runs); len(gone) > 0 {
			return nil, nil, []string{"Parts: there is no record of " + strings.Join(gone, ", ") +
				", so 'stays as it is' is not possible; choose what is there"}
		}
		if len(renewals(form)) == 0 {
			return nil, nil, []string{"Parts: every part stays as it is; choose the one that is new"}
		}
	}
	for _, key := range runs {
		setRun(slide, runOf(key, form), stay)
	}
	if text, err = yaml.Marshal(doc); err != nil {
		return nil, nil, []string{err.Error()}
	}
	return text, runs, nil
}

// slideOf returns a slide of a coach's tree, made when it is new.
func slideOf(one map[string]any, id string, form map[string]string) map[string]any {
	slides, _ := one["slides"].([]any)
	for _, x := range slides {
		if m, ok := x.(map[string]any); ok && m["slide"] == id {
			return m
		}
	}
	m := map[string]any{"slide": id, "edges": []any{}}
	for _, k := range []string{"width", "travel"} {
		if form[k] != "" {
			m[k] = form[k]
		}
	}
	if form["slide_height"] != "" {
		m["height"] = form["slide_height"]
	}
	if form["wall"] != "" {
		m["wall"] = form["wall"]
	}
	one["slides"] = append(slides, m)
	return m
}

// strangers returns the runs that a slide does not have yet.
func strangers(slide map[string]any, runs []string) (out []string) {
	old, _ := slide["edges"].([]any)
	for _, key := range runs {
		if !has(old, "edge", coach.EdgeName(key)) {
			out = append(out, key)
		}
	}
	return out
}

// has reports whether one of a file's items has a field of a value.
func has(items []any, field, value string) bool {
	return slices.ContainsFunc(items, func(x any) bool { m, _ := x.(map[string]any); return m[field] == value })
}

// asItIs is the answer for a part that stays where it is.
const asItIs = "as_it_is"

// kept returns the kinds of part that a fitting leaves alone.
func kept(form map[string]string) (out []string) {
	for _, k := range fittedParts {
		if form[k] == asItIs {
			out = append(out, k)
		}
	}
	return out
}

var fittedParts = []string{"bulb", "wiper", "adhesive"}

// keep fits a part of a run only: the run keeps its day and what the form leaves empty,
// the new parts have the day of the fitting.
func keep(old, run map[string]any, stay []string) {
	now, _ := run["parts"].([]any)
	for _, y := range now {
		if p, ok := y.(map[string]any); ok {
			p["fitted"] = run["fitted"]
		}
	}
	run["fitted"] = old["fitted"]
	parts, _ := old["parts"].([]any)
	for _, x := range parts {
		p, _ := x.(map[string]any)
		kind := fmt.Sprint(p["part"])
		if slices.Contains(stay, kind) || !slices.Contains(fittedParts, kind) && !has(now, "part", kind) {
			now = append(now, p)
		}
	}
	run["parts"] = now
	for k, v := range old {
		if run[k] == nil {
			run[k] = v
		}
	}
}

func setRun(slide, run map[string]any, stay []string) {
	runs, _ := slide["edges"].([]any)
	for i, x := range runs {
		if m, ok := x.(map[string]any); ok && m["edge"] == run["edge"] {
			if len(stay) > 0 {
				keep(m, run, stay)
			} else {
				carryOver(m, run)
			}
			runs[i] = run
			return
		}
	}
	slide["edges"] = append(runs, run)
}

// carryOver keeps the parts of a run that the form has no field for: corners, and the
// carrier when the construction stays.
func carryOver(old, run map[string]any) {
	parts, _ := old["parts"].([]any)
	now, _ := run["parts"].([]any)
	for _, x := range parts {
		p, _ := x.(map[string]any)
		kind := fmt.Sprint(p["part"])
		if kind != "corner" && (kind != "carrier" || old["construction"] != run["construction"] ||
			has(now, "part", "carrier")) {
			continue
		}
		if p["fitted"] == nil {
			p["fitted"] = old["fitted"]
		}
		if old["construction"] == string(coach.PushOn) || fmt.Sprint(p["fitted"]) < fmt.Sprint(run["fitted"]) {
			p["fitted"] = run["fitted"] // a new seal has new corners, or they were fitted again with it
		}
		now = append(now, p)
	}
	run["parts"] = now
}

func runOf(key string, form map[string]string) map[string]any {
	run := map[string]any{"edge": coach.EdgeName(key), "construction": form["construction"], "fitted": form["day"]}
	if form["carrier"] != "" {
		run["carrier"] = form["carrier"]
	}
	if form["height"] != "" {
		run["free_height"] = form["height"]
	}
	if form["temp"] != "" {
		run["install_temp"] = form["temp"]
	}
	if form["warranty"] != "" {
		run["warranty"] = map[string]any{"from": form["day"], "until": form["warranty"]}
	}
	var gaps []string
	for _, g := range strings.FieldsFunc(cmp.Or(form["gaps "+key], form["gaps"]), func(r rune) bool {
		return r == ',' || r == ';'
	}) {
		if g = strings.TrimSpace(g); g != "" {
			gaps = append(gaps, g)
		}
	}
	if len(gaps) > 0 {
		run["gaps"] = gaps
	}
	var parts []any
	for _, k := range fittedParts {
		if !isNew(form, k) {
			continue
		}
		p := map[string]any{"part": k, "material": form[k]}
		if form["lot"] != "" {
			p["lot"] = form["lot"]
		}
		if k == "bulb" && form["profile"] != "" {
			p["profile"] = form["profile"]
		}
		parts = append(parts, p)
	}
	if form["construction"] == string(coach.PushOn) && form["carrier"] == string(coach.Steel) {
		parts = append(parts, map[string]any{"part": "carrier", "material": string(coach.SteelCarrier)})
	}
	run["parts"] = parts
	return run
}

// newCoachFile is a coach file of one coach without slides.
func newCoachFile(form map[string]string) ([]byte, error) {
	one := map[string]any{"coach": form["coach"], "slides": []any{}}
	for _, k := range []string{"label", "class", "use", "vin"} {
		if form[k] != "" {
			one[k] = form[k]
		}
	}
	person := map[string]any{}
	for _, k := range []string{"name", "email", "phone", "role", "consent", "language"} {
		if form[k] != "" {
			person[k] = form[k]
		}
	}
	if form["name"] != "" || form["email"] != "" || form["phone"] != "" {
		one["people"] = []any{person}
	}
	stay := map[string]any{}
	for _, k := range []string{"place", "from", "shelter", "rooms", "cycles"} {
		if form[k] != "" {
			stay[k] = form[k]
		}
	}
	one["stays"] = []any{stay}
	return yaml.Marshal(map[string]any{"coaches": []any{one}})
}
