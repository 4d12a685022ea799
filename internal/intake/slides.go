package intake

import (
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

func (r *reader) slides(f *fields, c *coach.Coach) {
	for i, n := range f.list("slides") {
		g := r.fields(n, f.nth("slides", i)).renamed("edges")
		id := coach.SlideID(g.name("slide"))
		if id != "" {
			g.path = f.path + "." + string(id)
		}
		s := coach.Slide{ID: id, Label: g.opt("label"), Wall: word(g, "wall", coach.Walls, coach.Left),
			Width: g.length("width", 20*1000), Height: g.length("height", 4*1000), Travel: g.length("travel", 3*1000),
			Topper: g.flag("topper", false), External: g.key("external_id")}
		for j, m := range g.list("edges") {
			r.run(m, g.nth("edges", j), &s)
		}
		g.needs("edges", "at least one edge with its seal")
		g.done()
		if slices.ContainsFunc(c.Slides, func(o coach.Slide) bool { return o.ID == s.ID }) {
			r.problem(n.get("slide"), g.at("slide"), "is given twice for this coach", "each slide once")
			continue
		}
		c.Slides = append(c.Slides, s)
	}
}

func (r *reader) run(n *node, path string, s *coach.Slide) {
	f := r.fields(n, path).renamed("edge")
	run := coach.Run{Construction: word(f, "construction", coach.Constructions, ""),
		Carrier: word(f, "carrier", coach.Carriers, coach.NoCarrier), External: f.key("external_id")}
	key := coach.EdgeKey(strings.ToLower(f.must("edge", edgeForm)))
	pos, side, _ := strings.Cut(key, "/")
	run.Position, run.Side = coach.Position(pos), coach.Side(side)
	if key != "" && (!slices.Contains(coach.Positions, run.Position) || !slices.Contains(coach.Sides, run.Side)) {
		f.bad(f.n.get("edge"), "edge", "is not an edge", edgeForm)
	}
	run.Fitted = f.fittedOn("fitted")
	run.FreeHeight = f.length("free_height", 100)
	f.note("gaps", func(x *Field) { x.Form = unit.LengthForm + ", up to 100 mm" })
	for i, g := range f.list("gaps") {
		l, err := unit.ParseLength(g.text)
		if err != nil || l > 100 {
			r.problem(g, f.nth("gaps", i), "is not a closed gap", unit.LengthForm+", up to 100 mm")
			continue
		}
		run.Gaps = append(run.Gaps, l)
	}
	if t, ok := value(f, "install_temp", unit.ParseCelsius); ok {
		run.InstallTemp = &t
	}
	if w := f.node("warranty"); w != nil {
		run.Warranty = r.warranty(w, path+".warranty")
	}
	for i, m := range f.list("parts") {
		r.part(m, f.nth("parts", i), &run, f.n.get("fitted") != nil)
	}
	if run.Fitted == 0 && len(run.Parts) > 0 {
		run.Fitted = slices.MinFunc(run.Parts, func(a, b coach.Part) int { return int(a.Fitted - b.Fitted) }).Fitted
	}
	f.needs("parts", "at least one part: bulb, wiper, carrier, adhesive or corner")
	f.done()
	if slices.ContainsFunc(s.Runs, func(o coach.Run) bool { return o.Key() == run.Key() }) {
		r.problem(f.n.get("edge"), f.at("edge"), "is given twice for this slide", "each edge once")
		return
	}
	s.Runs = append(s.Runs, run)
}

// materialsOf are the materials that a part can be made of.
var materialsOf = func() map[coach.PartKind][]coach.Material {
	rubber := []coach.Material{coach.EPDMSponge, coach.EPDMDense, coach.TPV, coach.Silicone, coach.Neoprene, coach.PVC,
		coach.PEFoam, coach.PUFoam, coach.Unknown}
	return map[coach.PartKind][]coach.Material{
		coach.Bulb: rubber, coach.Wiper: rubber, coach.Corner: rubber,
		coach.Carrier:  {coach.SteelCarrier, coach.PVC, coach.TPV, coach.EPDMDense, coach.Unknown},
		coach.Adhesive: append([]coach.Material{coach.AcrylicTape}, rubber...), // what is bonded is often named by its strip
	}
}()

// part reads one part; dated tells that its edge has a date, good or bad.
func (r *reader) part(n *node, path string, run *coach.Run, dated bool) {
	f := r.fields(n, path)
	p := coach.Part{Kind: word(f, "part", coach.PartKinds, ""), Material: word(f, "material", coach.Materials, ""),
		Lot: f.key("lot"), Profile: f.key("profile"), External: f.key("external_id")}
	if p.Lot == "" {
		p.Lot = "unknown"
	}
	p.Fitted = f.fittedOn("fitted")
	switch {
	case p.Fitted == 0 && f.n.get("fitted") == nil && !dated:
		r.problem(&node{line: n.line}, f.at("fitted"), "is missing", "YYYY-MM-DD on the part or on its edge")
	case p.Fitted == 0:
		p.Fitted = run.Fitted
	case run.Fitted != 0 && p.Fitted < run.Fitted:
		f.bad(f.n.get("fitted"), "fitted", "is before its edge was fitted", "a day from "+run.Fitted.String())
	case run.Fitted != 0 && p.Fitted > run.Fitted && run.Construction == coach.PushOn:
		f.bad(f.n.get("fitted"), "fitted", "differs from its edge: a one-piece seal is replaced whole",
			run.Fitted.String()+", or set the date of the edge")
	}
	if allowed := materialsOf[p.Kind]; p.Material != "" && allowed != nil && !slices.Contains(allowed, p.Material) {
		f.bad(f.n.get("material"), "material", "is not what a "+string(p.Kind)+" is made of", join(allowed))
	}
	if h := f.node("hot_set"); h != nil {
		p.HotSet = r.hotSet(h, f.at("hot_set"))
	}
	f.done()
	if slices.ContainsFunc(run.Parts, func(o coach.Part) bool { return o.Kind == p.Kind && p.Kind != "" }) {
		r.problem(n.get("part"), f.at("part"), "is given twice for this edge", "each part once")
		return
	}
	run.Parts = append(run.Parts, p)
}

// hotSet reads a data sheet's compression set; only a hot test can be used.
func (r *reader) hotSet(n *node, path string) *coach.HotSet {
	f := r.fields(n, path)
	set, ok1 := value(f, "set", unit.ParseFraction)
	hours, ok2 := f.number("hours", 1, 10000)
	temp, ok3 := value(f, "temp", unit.ParseCelsius)
	for _, k := range []string{"set", "hours", "temp"} {
		f.note(k, func(x *Field) { x.Must = true })
	}
	f.done()
	switch {
	case f.n.get("set") == nil || f.n.get("hours") == nil || f.n.get("temp") == nil:
		r.problem(&node{line: n.line}, path, "needs set, hours and temp", "such as {set: 35 %, hours: 22, temp: 70 C}")
	case !ok1 || !ok2 || !ok3: // reported where it stands
	case set <= 0 || set >= 0.95:
		f.bad(f.n.get("set"), "set", "is not a usable figure", "more than 0 %, less than 95 %")
	case temp < 50:
		f.bad(f.n.get("temp"), "temp", "is not a hot test: near room temperature the set is not ageing", "50 C or more")
	default:
		return &coach.HotSet{Set: set, Hours: hours, Temp: temp}
	}
	return nil
}
