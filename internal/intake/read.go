package intake

import (
	"errors"
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/language"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// Options are what reading depends on besides the file.
type Options struct {
	Today      civil.Date // nothing may be fitted after it
	Places     *climate.Tables
	ConfirmOld bool // accept fittings more than 25 years ago
}

// Content is what a set of files holds.
type Content struct {
	Shop     *coach.Account  // nil when no file says who the shop is
	Workshop *coach.Workshop // nil when no file says what the shop can do
	// Booked are the bookings that came beside the coaches, from feeds and lists, and
	// BookingFiles the files they came from: each replaces what it said before.
	Booked       map[coach.ID][]coach.Booking
	BookingFiles []string
	Coaches      []coach.Coach
	// Listed tells of coaches that came in lists of parts what was given: see Listed.Onto.
	Listed   map[coach.ID]Listed
	Problems Problems // warnings too; Problems.Err tells whether it may be stored
}

// reader turns trees into vocabulary and collects problems.
type reader struct {
	opt      Options
	file     string
	problems Problems
	sites    map[string]coach.Site // places of the shop's own, by folded name
	shop     *coach.Account
	workshop *coach.Workshop
	booked   map[coach.ID][]coach.Booking
	sources  []string // files of bookings
	coaches  []coach.Coach
	listed   map[coach.ID]Listed
	seen     map[coach.ID]string // where each coach was first read
}

func (r *reader) problem(n *node, field, message, allowed string) {
	p := Problem{File: r.file, Field: field, Message: message, Allowed: allowed}
	if n != nil {
		p.Line, p.Value = n.line, n.text
		if n.field != "" {
			p.Field = "column " + n.field
		}
	}
	r.problems = append(r.problems, p)
}

// aside reports what a plan can go on without.
func (r *reader) aside(n *node, field, message, allowed string) {
	r.problem(n, field, message, allowed)
	r.problems[len(r.problems)-1].Aside = true
}

func (r *reader) warn(n *node, field, message string) {
	r.problem(n, field, message, "")
	r.problems[len(r.problems)-1].Warning = true
}

// document reads one document of a coach file.
func (r *reader) document(n *node) {
	f := r.fields(n, "")
	if s := f.node("shop"); s != nil {
		r.readShop(s)
	}
	for i, p := range f.list("places") {
		r.ownPlace(p, fmt.Sprintf("places[%d]", i))
	}
	if w := f.node("workshop"); w != nil {
		r.readWorkshop(w)
	}
	for i, c := range f.list("coaches") {
		r.coach(c, fmt.Sprintf("coaches[%d]", i))
	}
	f.done()
}

func (r *reader) readShop(n *node) {
	f := r.fields(n, "shop")
	r.shop = &coach.Account{Name: f.must("name", "the shop's name"),
		Postal: f.must("postal", "the postal address that reminders must show"),
		Email:  f.email("email"), Phone: f.opt("phone"), Zone: f.zone("zone"), Language: f.language("language")}
	f.done()
}

// email reads one plain address.
func (f *fields) email(key string) string {
	const form = "one address such as name@example.org"
	f.note(key, func(x *Field) { x.Form = form })
	s := f.opt(key)
	if s == "" {
		return ""
	}
	a, err := mail.ParseAddress(s)
	if err != nil || a.Address != s || len(s) > 254 {
		f.bad(f.n.get(key), key, "is not an e-mail address", form)
		return ""
	}
	return s
}

// language reads a language tag.
func (f *fields) language(key string) string {
	const form = "a tag such as en, es, fr or es-MX"
	f.note(key, func(x *Field) { x.Form = form })
	s := f.opt(key)
	if s == "" {
		return ""
	}
	if _, err := language.Parse(s); err != nil {
		f.bad(f.n.get(key), key, "is not a language tag", form)
		return ""
	}
	return s
}

func (f *fields) zone(key string) string {
	const form = "an IANA name such as America/Denver"
	f.note(key, func(x *Field) { x.Form = form })
	s := f.opt(key)
	if s == "" {
		return ""
	}
	if _, err := time.LoadLocation(s); err != nil || s == "Local" {
		f.bad(f.n.get(key), key, "is not a time zone", form)
		return ""
	}
	return s
}

// ownPlace reads a place of the shop's own, with or without its own months.
func (r *reader) ownPlace(n *node, path string) {
	f := r.fields(n, path)
	s := coach.Site{Name: f.must("place", "a name used in stays")}
	var ok1, ok2 bool
	s.Lat, ok1 = f.number("lat", -90, 90)
	s.Lon, ok2 = f.number("lon", -180, 180)
	if near := f.opt("near"); near != "" {
		base, err := r.lookup(f.n.get("near"), f.at("near"), near)
		if err == nil && !ok1 && !ok2 {
			s.Lat, s.Lon, ok1, ok2 = base.Lat, base.Lon, true, true
			s.Elev, s.Zone = base.Elev, base.Zone
		}
	}
	if e, ok := f.number("elevation_m", -400, 5000); ok {
		s.Elev = e
	} else if ok1 && ok2 && f.n.get("near") == nil {
		town, km := r.opt.Places.Nearest(s.Lat, s.Lon)
		s.Elev = town.Elev
		r.warn(&node{line: n.line}, path, fmt.Sprintf("has no elevation_m: we use %.0f m, that of %s, %.0f km away",
			town.Elev, town.Label(), km))
	}
	if z := f.zone("zone"); z != "" {
		s.Zone = z
	}
	if !ok1 || !ok2 || s.Zone == "" {
		r.problem(&node{line: n.line}, path, "needs lat, lon and zone, or near",
			"lat and lon in degrees with zone, or near: a town")
	}
	s.Tmax, s.Tmin = f.months("tmax"), f.months("tmin")
	if (s.Tmax == nil) != (s.Tmin == nil) {
		r.problem(&node{line: n.line}, path, "has only one of tmax and tmin", "both, twelve temperatures each, or neither")
		s.Tmax, s.Tmin = nil, nil
	}
	for m := range s.Tmin {
		if s.Tmin[m] > s.Tmax[m] {
			r.problem(&node{line: n.line}, f.nth("tmin", m), "is above tmax of the same month", "")
		}
	}
	f.done()
	r.sites[strings.ToLower(s.Name)] = s
}

// months reads twelve temperatures, January first.
func (f *fields) months(key string) []float64 {
	const form = "twelve temperatures, January first, such as 12.5 C"
	f.note(key, func(x *Field) { x.Numbers, x.Form = true, form })
	items := f.list(key)
	if items == nil {
		return nil
	}
	if len(items) != 12 {
		f.bad(f.n.get(key), key, fmt.Sprintf("has %d values", len(items)), form)
		return nil
	}
	out := make([]float64, 12)
	for i, it := range items {
		t := it.text
		if !strings.ContainsAny(strings.ToUpper(t), "CF") {
			t += " C"
		}
		c, err := unit.ParseCelsius(t)
		if err != nil {
			f.r.problem(it, fmt.Sprintf("%s[%d]", f.at(key), i), "is not a temperature", "degrees Celsius, or a number with F")
		}
		out[i] = float64(c)
	}
	return out
}

// lookup finds a place by the shop's own names first.
func (r *reader) lookup(n *node, field, name string) (coach.Site, error) {
	if s, ok := r.sites[strings.ToLower(name)]; ok {
		return s, nil
	}
	p, err := r.opt.Places.Lookup(name)
	if err != nil {
		allowed := ""
		if pe, ok := errors.AsType[*climate.PlaceError](err); ok {
			allowed = pe.Allowed()
			if pe.Ambiguous {
				r.problem(n, field, "is the name of several places", allowed)
				return coach.Site{}, err
			}
		}
		r.problem(n, field, "is not a place we know", allowed)
		return coach.Site{}, err
	}
	return coach.Site{Name: p.Label(), Lat: p.Lat, Lon: p.Lon, Elev: p.Elev, Zone: p.Zone}, nil
}

// coach reads one coach and keeps it when it has a name.
func (r *reader) coach(n *node, path string) {
	f := r.fields(n, path).renamed("rentals")
	c := coach.Coach{ID: coach.ID(f.name("coach")), Label: f.opt("label"), VIN: strings.ToUpper(f.opt("vin")),
		External: f.key("external_id")}
	if c.ID != "" {
		path = "coach " + string(c.ID)
		f.path = path
	}
	c.Class = word(f, "class", coach.Classes, coach.OtherClass)
	c.Use = word(f, "use", coach.Uses, coach.Weekend)
	if doubt := coach.VINDoubt(c.VIN); doubt != "" {
		r.warn(f.n.get("vin"), f.at("vin"), "looks mistyped: "+doubt)
	}
	c.Sold = f.date("sold", r.opt.Today)
	r.people(f, &c)
	r.season(f, &c)
	r.stays(f, &c)
	r.slides(f, &c)
	r.services(f, &c)
	r.readings(f, &c)
	r.events(f, &c)
	r.bookings(f, &c)
	f.done()
	r.doubts(f, &c)
	if c.ID == "" {
		return
	}
	if where, dup := r.seen[c.ID]; dup {
		r.problem(&node{line: n.line, text: string(c.ID), field: n.field}, "coach", "is given twice; first at "+where,
			"each coach once")
		return
	}
	r.seen[c.ID] = fmt.Sprintf("%s:%d", r.file, n.line)
	r.coaches = append(r.coaches, c)
}

// doubts notes what is accepted but is probably not what was meant.
func (r *reader) doubts(f *fields, c *coach.Coach) {
	here := &node{line: f.n.line}
	if len(c.People) == 0 {
		r.warn(here, f.at("people"), "is empty: reminders about this coach reach nobody")
	}
	if len(c.Slides) == 0 {
		r.warn(here, f.at("slides"), "is empty: nothing can be dated")
	}
	var first civil.Date
	for _, s := range c.Slides {
		for _, x := range s.Runs {
			if x.Fitted != 0 && (first == 0 || x.Fitted < first) {
				first = x.Fitted
			}
		}
	}
	for i, st := range c.Stays {
		switch {
		case i == 0 && first != 0 && st.From > first && st.Site.Name != "":
			r.warn(here, f.at("stays"), fmt.Sprintf("has no entry for %s to %s: we assume the first place, %s", first, st.From-1,
				st.Site.Name))
		case i > 0 && c.Stays[i-1].Until != 0 && c.Stays[i-1].Until+31 < st.From:
			r.warn(here, f.at("stays"), fmt.Sprintf("has no entry for %s to %s: we assume the coach stayed at %s",
				c.Stays[i-1].Until+1, st.From-1, c.Stays[i-1].Site.Name))
		}
	}
}

func (r *reader) people(f *fields, c *coach.Coach) {
	for i, p := range f.list("people") {
		if p.kind == object && len(p.keys) == 0 {
			continue // a list without a person's columns
		}
		g := r.fields(p, f.nth("people", i))
		x := coach.Person{Name: g.opt("name"), Email: strings.ToLower(g.email("email")), Phone: g.opt("phone"),
			Role: word(g, "role", coach.Roles, coach.Owner), Zone: g.zone("zone"),
			Units:    word(g, "units", []unit.System{unit.Imperial, unit.Metric}, unit.Imperial),
			Language: g.language("language"), External: g.key("external_id")}
		x.Consents = r.consents(g)
		if x.Name == "" && x.Email == "" && x.Phone == "" {
			r.problem(&node{line: p.line}, g.path, "names nobody", "name, and email or phone")
		}
		g.done()
		if x.Email != "" && slices.ContainsFunc(c.People, func(o coach.Person) bool { return o.Email == x.Email }) {
			r.problem(p.get("email"), g.at("email"), "is given twice for this coach", "each address once")
			continue
		}
		c.People = append(c.People, x)
	}
}

// consents reads consent: a day, which is consent to mail, and consents: a list by
// channel.
func (r *reader) consents(g *fields) (out []coach.Consent) {
	if d := g.date("consent", r.opt.Today); d != 0 {
		out = append(out, coach.Consent{Channel: coach.ByMail, Day: d})
	}
	for i, n := range g.list("consents") {
		h := r.fields(n, g.nth("consents", i))
		c := coach.Consent{Channel: word(h, "channel", coach.Channels, ""), Day: h.date("date", r.opt.Today),
			How: h.opt("how")}
		h.must("date", "YYYY-MM-DD")
		h.done()
		if c.Channel == "" || c.Day == 0 {
			continue
		}
		if slices.ContainsFunc(out, func(o coach.Consent) bool { return o.Channel == c.Channel }) {
			r.problem(&node{line: n.line, text: string(c.Channel)}, h.at("channel"), "is given twice for this person",
				"each channel once")
			continue
		}
		out = append(out, c)
	}
	return out
}

func (r *reader) season(f *fields, c *coach.Coach) {
	n := f.node("season")
	if n == nil {
		return
	}
	g := r.fields(n, f.at("season"))
	opens, ok1 := value(g, "opens", civil.ParseMonthDay)
	closes, ok2 := value(g, "closes", civil.ParseMonthDay)
	for _, k := range []string{"opens", "closes"} {
		g.note(k, func(x *Field) { x.Must = true })
	}
	g.done()
	if ok1 && ok2 {
		c.Season = civil.Season{Opens: opens, Closes: closes}
	} else if g.n.get("opens") == nil || g.n.get("closes") == nil {
		r.problem(&node{line: n.line}, g.path, "needs opens and closes", "opens: MM-DD and closes: MM-DD")
	}
}

func (r *reader) stays(f *fields, c *coach.Coach) {
	items := f.list("stays")
	if len(items) == 0 {
		r.warn(&node{line: f.n.line}, f.at("stays"), "is empty: without a place nothing can be dated")
	}
	lines := map[civil.Date]*node{}
	for i, n := range items {
		if n.kind == object && len(n.keys) == 0 {
			continue // a list without a place column
		}
		g := r.fields(n, f.nth("stays", i)).renamed("slides")
		st := coach.Stay{Heading: -1, Shelter: word(g, "shelter", coach.Shelters, coach.Open),
			Rooms: word(g, "slides", coach.RoomStates, coach.RoomsIn), Coastal: g.flag("coastal", false),
			External: g.key("external_id")}
		st.From, st.Until = g.date("from", 0), g.date("until", 0)
		if place := g.must("place", "a town, a ZIP or a place of your own"); place != "" {
			st.Site, _ = r.lookup(g.n.get("place"), g.at("place"), place)
		}
		st.Cycles, _ = value(g, "cycles", unit.ParseRate)
		if st.Cycles > 50 {
			g.bad(g.n.get("cycles"), "cycles", "is more often than a slide can move", "up to 50/day")
		}
		if topper := g.flag("topper", false); g.n.get("topper") != nil {
			st.Topper = &topper
		}
		g.note("topper", func(x *Field) { x.Default = "" }) // the slide's own
		if h, ok := g.number("heading", 0, 360); ok {
			st.Heading = h
		}
		g.needs("from", "YYYY-MM-DD")
		if st.Until != 0 && st.From != 0 && st.Until < st.From {
			g.bad(g.n.get("until"), "until", "is before from", "a day from "+st.From.String())
		}
		g.done()
		if st.From != 0 {
			c.Stays = append(c.Stays, st)
			lines[st.From] = n
		}
	}
	slices.SortStableFunc(c.Stays, func(a, b coach.Stay) int { return int(a.From - b.From) })
	for i := 1; i < len(c.Stays); i++ {
		if a, b := c.Stays[i-1], c.Stays[i]; a.Until == 0 || a.Until >= b.From {
			n := lines[b.From]
			r.problem(&node{line: n.line, text: b.From.String()}, f.at("stays"),
				fmt.Sprintf("overlaps the stay from %s to %s", a.From, orOpen(a.Until)),
				"stays one after the other: end the first with until")
		}
	}
}

func orOpen(d civil.Date) string {
	if d == 0 {
		return "no end"
	}
	return d.String()
}

func (r *reader) services(f *fields, c *coach.Coach) {
	for i, n := range f.list("services") {
		g := r.fields(n, f.nth("services", i)).renamed("edge")
		s := coach.Service{Kind: word(g, "kind", coach.TaskKinds, ""), Day: g.date("date", r.opt.Today),
			Slide: coach.SlideID(g.opt("slide")), Run: g.edge(),
			By: g.opt("by"), Note: g.opt("note"), External: g.key("external_id")}
		for _, x := range g.list("removed") {
			s.Removed = append(s.Removed, strings.TrimSpace(x.text))
		}
		g.must("date", "YYYY-MM-DD")
		r.target(g, c, s.Slide, s.Run)
		g.done()
		if s.Day != 0 && s.Kind != "" {
			c.Services = append(c.Services, s)
		}
	}
	slices.SortStableFunc(c.Services, func(a, b coach.Service) int { return int(a.Day - b.Day) })
}

// edge reads the name of an edge, such as outer/front, and returns its key.
func (f *fields) edge() string {
	f.note("edge", func(x *Field) { x.Form = edgeForm })
	return coach.EdgeKey(strings.ToLower(f.opt("edge")))
}

// edgeForm is how an edge is named.
const edgeForm = "outer or inner, a slash, then top, bottom, front or rear: outer/top"

// target checks that a slide and an edge named in a service or reading exist.
func (r *reader) target(g *fields, c *coach.Coach, slide coach.SlideID, run string) {
	s := c.FindSlide(slide)
	if slide != "" && s == nil {
		g.bad(g.n.get("slide"), "slide", "is not a slide of this coach", slideNames(c))
	}
	if run != "" && (slide == "" || s != nil) && !s.HasRun(run) {
		g.bad(g.n.get("edge"), "edge", "is not an edge of that slide", "an edge, such as outer/top, with its slide")
	}
}

func slideNames(c *coach.Coach) string {
	var out []string
	for _, s := range c.Slides {
		out = append(out, string(s.ID))
	}
	return strings.Join(out, ", ")
}
