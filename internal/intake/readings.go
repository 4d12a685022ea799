package intake

import (
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// readingForms says, for each kind of reading, what its value may be.
var readingForms = map[coach.ReadingKind]string{
	coach.BulbHeight: "a length, such as 17 mm", coach.ClosedGap: "a length, such as 12 mm",
	coach.LipThickness: "a length, such as 1.4 mm", coach.LiftedEdge: "a length, such as 3 mm",
	coach.ShoreA:     "Shore A, 10 to 100",
	coach.CrackGrade: "a grade: 0 none, 1 under a lens, 2 when bent, 3 unbent, 4 through",
	coach.Flip:       "a count of places, 0 to 100",
	coach.PaperStrip: "holds or slides", coach.Light: "yes or no", coach.SoftFloor: "yes or no",
	coach.HoseTest: "dry, damp, drip or run",
}

// readingWords are the words of the readings that are not numbers.
var readingWords = map[coach.ReadingKind][]string{
	coach.PaperStrip: {"slides", "holds"}, coach.Light: {"no", "yes"}, coach.SoftFloor: {"no", "yes"},
	coach.HoseTest: {"dry", "damp", "drip", "run"},
}

func (r *reader) readings(f *fields, c *coach.Coach) {
	for i, n := range f.list("readings") {
		g := r.fields(n, f.nth("readings", i)).renamed("edge")
		x := coach.Reading{Kind: word(g, "kind", coach.ReadingKinds, ""), Day: g.date("date", r.opt.Today),
			Slide: coach.SlideID(g.must("slide", slideNames(c))), Run: g.edge(),
			Part: word(g, "part", coach.PartKinds, "none"), By: word(g, "by", []string{"shop", "owner"}, "shop"),
			Note: g.opt("note"), External: g.key("external_id")}
		g.must("date", "YYYY-MM-DD")
		if x.Part == "none" {
			x.Part = ""
		}
		r.target(g, c, x.Slide, x.Run)
		ok := false
		if x.Kind != "" {
			x.Value, ok = g.readingValue("value", x.Kind)
		} else {
			g.opt("value")
		}
		g.note("value", func(x *Field) { x.Must, x.Form = true, "what its kind asks for" })
		r.about(g, c, &x)
		g.done()
		if ok && x.Day != 0 {
			c.Readings = append(c.Readings, x)
		}
	}
	slices.SortStableFunc(c.Readings, func(a, b coach.Reading) int { return int(a.Day - b.Day) })
}

// about fills in the part that a kind of reading speaks of, and tells when a
// reading can be kept as a note only.
func (r *reader) about(g *fields, c *coach.Coach, x *coach.Reading) {
	if x.Part == "" {
		x.Part = map[coach.ReadingKind]coach.PartKind{coach.BulbHeight: coach.Bulb, coach.LipThickness: coach.Wiper,
			coach.LiftedEdge: coach.Adhesive}[x.Kind]
	}
	if x.Kind == coach.ShoreA && (x.Part == coach.Bulb || x.Part == "" || soft(c, x)) {
		r.warn(g.n.get("kind"), g.at("kind"),
			"is kept as a note: Shore A says nothing on a hollow bulb or a sponge; name a dense wiper, or measure the bulb's "+
				"height")
	}
	if x.Kind == coach.CrackGrade && x.Part == "" {
		r.problem(&node{line: g.n.line}, g.at("part"), "is missing: a crack is on a part", "bulb, wiper or corner")
	} else if x.Part != "" && x.Run != "" && c.FindSlide(x.Slide) != nil && !hasPart(c, x) {
		r.warn(&node{line: g.n.line}, g.at("part"),
			"names a "+string(x.Part)+" that the edge does not have: the reading is kept as a note")
	}
	for _, s := range c.Slides {
		for _, run := range s.Runs {
			if s.ID == x.Slide && run.Key() == x.Run && x.Day != 0 && x.Day < run.Fitted {
				r.warn(g.n.get("date"), g.at("date"),
					"is before the edge was fitted on "+run.Fitted.String()+": the reading moves no date")
			}
		}
	}
	if needsRun := x.Kind == coach.BulbHeight || x.Kind == coach.CrackGrade || x.Kind == coach.LipThickness ||
		x.Kind == coach.LiftedEdge; needsRun && x.Run == "" {
		r.problem(&node{line: g.n.line}, g.at("edge"), "is missing", edgeForm)
	}
}

func hasPart(c *coach.Coach, x *coach.Reading) bool {
	for _, s := range c.Slides {
		for _, run := range s.Runs {
			if s.ID == x.Slide && run.Key() == x.Run && slices.ContainsFunc(run.Parts, func(p coach.Part) bool {
				return p.Kind == x.Part
			}) {
				return true
			}
		}
	}
	return false
}

// soft reports whether a reading's part is made of sponge or foam.
func soft(c *coach.Coach, x *coach.Reading) bool {
	for _, s := range c.Slides {
		for _, run := range s.Runs {
			for _, p := range run.Parts {
				if s.ID == x.Slide && run.Key() == x.Run && p.Kind == x.Part {
					return p.Material == coach.EPDMSponge || p.Material == coach.PEFoam || p.Material == coach.PUFoam
				}
			}
		}
	}
	return false
}

// readingValue reads the value of a kind of reading.
func (f *fields) readingValue(key string, k coach.ReadingKind) (float64, bool) {
	form := readingForms[k]
	s := f.must(key, form)
	if s == "" {
		return 0, false
	}
	if words := readingWords[k]; words != nil {
		i := slices.Index(words, strings.ToLower(s))
		if i < 0 {
			i = slices.Index([]string{"false", "true"}, strings.ToLower(s)) // as YAML writers may put no and yes
		}
		if i < 0 || i >= len(words) {
			f.bad(f.n.get(key), key, "is not a value of this reading", form)
			return 0, false
		}
		return float64(i), true
	}
	switch k {
	case coach.ShoreA:
		return f.number(key, 10, 100)
	case coach.CrackGrade:
		return f.number(key, 0, 4)
	case coach.Flip:
		return f.number(key, 0, 100)
	}
	l, err := unit.ParseLength(s)
	if err != nil || l > 200 {
		f.bad(f.n.get(key), key, "is not a value of this reading", form)
		return 0, false
	}
	return float64(l), true
}
