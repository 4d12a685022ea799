package intake

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// readWorkshop reads what the shop can do and has on its shelf. What is wrong in
// it is set aside: the plan then goes on with the rulebook's figure.
func (r *reader) readWorkshop(n *node) {
	f := r.fields(n, "workshop").renamed("appointments")
	before := len(r.problems)
	w := &coach.Workshop{Heated: f.flag("heated", false), Hours: r.weekHours(f, true), Travel: -1}
	if place := f.opt("place"); place != "" {
		if s, err := r.lookup(f.n.get("place"), f.at("place"), place); err == nil {
			w.Site = &s
		}
	}
	w.ReachKM, _ = f.number("reach_km", 0, 40000)
	w.Book, w.Notice = f.count("book_days", 365), f.count("notice_days", 365)
	if days := f.count("travel_days", 60); f.n.get("travel_days") != nil {
		w.Travel = days
	}
	f.note("days", func(x *Field) { x.Form = strings.Join(weekdays, ", ") })
	for i, d := range f.list("days") {
		k := slices.IndexFunc(weekdays, func(s string) bool { return strings.EqualFold(s, strings.TrimSpace(d.text)) })
		if k < 0 {
			r.problem(d, fmt.Sprintf("workshop.days[%d]", i), "is not a day of the week", strings.Join(weekdays, ", "))
			continue
		}
		w.Days = append(w.Days, time.Weekday(k))
	}
	r.weeks(f, w)
	r.work(f, w)
	r.stock(f, w)
	r.partners(f, w)
	r.pins(f, w)
	f.done()
	for i := before; i < len(r.problems); i++ {
		r.problems[i].Aside = true
	}
	r.workshop = w
}

var weekdays = []string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}

func (f *fields) count(key string, most float64) int {
	v, _ := f.number(key, 0, most)
	return int(v)
}

// weekHours reads hours: {skill: hours}. A skill without any hours always is worth
// a word; in a single week it is leave.
func (r *reader) weekHours(f *fields, always bool) map[coach.Skill]float64 {
	n := f.node("hours")
	if n == nil {
		return nil
	}
	g, out := r.fields(n, f.at("hours")).renamed("slide_removal"), map[coach.Skill]float64{}
	for _, s := range coach.Skills {
		key := coach.Named(s)
		if h, ok := g.number(key, 0, 10000); ok {
			out[s] = h
			if h == 0 && always {
				r.warn(g.n.get(key), g.at(key), "is 0: no such work can be planned")
			}
		}
	}
	g.done()
	return out
}

func (r *reader) weeks(f *fields, w *coach.Workshop) {
	for i, n := range f.list("weeks") {
		g := r.fields(n, fmt.Sprintf("workshop.weeks[%d]", i))
		g.must("week", "any day of the week, YYYY-MM-DD")
		x := coach.WeekHours{Week: g.date("week", 0), Hours: r.weekHours(g, false)}
		g.done()
		if x.Week != 0 {
			w.Weeks = append(w.Weeks, x)
		}
	}
}

// work reads hours by kind of work: "2 to 4", or one figure.
func (r *reader) work(f *fields, w *coach.Workshop) {
	n := f.node("work")
	f.note("work", func(x *Field) { x.Form = "hours by kind of work, such as {bulb_only: 0.5 to 1.5}" })
	if n == nil {
		return
	}
	w.Work = map[string][2]float64{}
	for i, key := range n.keys {
		low, high, ok := strings.Cut(n.vals[i].text, " to ")
		if !ok {
			high = low
		}
		a, err1 := strconv.ParseFloat(strings.TrimSpace(low), 64)
		b, err2 := strconv.ParseFloat(strings.TrimSpace(high), 64)
		if err1 != nil || err2 != nil || !(a >= 0 && b >= a && b > 0 && b <= 500) {
			r.problem(n.vals[i], "workshop.work."+key, "is not a range of hours", "such as 2 to 4, in hours above 0")
			continue
		}
		if s, known := coach.WordOf(coach.Skills, key); known {
			key = string(s)
		}
		w.Work[key] = [2]float64{a, b}
	}
}

func (r *reader) stock(f *fields, w *coach.Workshop) {
	for i, n := range f.list("stock") {
		g := r.fields(n, fmt.Sprintf("workshop.stock[%d]", i))
		s := coach.Stock{Profile: g.must("profile", "the profile's name"), Coil: g.length("coil", 500*1000),
			Coils: g.count("coils", 10000), Lead: g.count("lead_days", 730)}
		g.note("remnants", func(x *Field) { x.Form = unit.LengthForm })
		for j, x := range g.list("remnants") {
			l, err := unit.ParseLength(x.text)
			if err != nil || l <= 0 || l > 500*1000 {
				r.problem(x, g.nth("remnants", j), "is not a length", unit.LengthForm)
				continue
			}
			s.Remnants = append(s.Remnants, l)
		}
		g.done()
		w.Stock = append(w.Stock, s)
	}
}

func (r *reader) partners(f *fields, w *coach.Workshop) {
	for i, n := range f.list("partners") {
		g := r.fields(n, fmt.Sprintf("workshop.partners[%d]", i))
		p := coach.Partner{Name: g.must("name", "the other shop's name"), Email: g.email("email"), Phone: g.opt("phone")}
		if place := g.must("place", "a town"); place != "" {
			p.Site, _ = r.lookup(g.n.get("place"), g.at("place"), place)
		}
		g.done()
		w.Partners = append(w.Partners, p)
	}
}

// pins reads the appointments, and the days that the shop chose for its plan. Two days in
// one week for one coach, or the same day twice, contradict each other.
func (r *reader) pins(f *fields, w *coach.Workshop) {
	for i, n := range f.list("appointments") {
		g := r.fields(n, f.nth("appointments", i))
		g.must("date", "YYYY-MM-DD")
		p := coach.Pin{
			Coach:   coach.ID(g.name("coach")),
			Day:     g.date("date", 0),
			Task:    word(g, "task", coach.TaskKinds, "none"),
			Planned: g.flag("planned", false),
		}
		if p.Task == "none" {
			p.Task = ""
		}
		g.note("time", func(x *Field) { x.Form = "HH:MM, such as 09:30" })
		if at := g.opt("time"); at != "" {
			t, err := time.Parse("15:04", at)
			if err != nil {
				g.bad(g.n.get("time"), "time", "is not a time of day", "HH:MM, such as 09:30")
			}
			p.At = t.Hour()*60 + t.Minute()
		}
		g.done()
		if p.Coach == "" || p.Day == 0 {
			continue
		}
		if k := slices.IndexFunc(w.Pins, func(o coach.Pin) bool {
			return o.Coach == p.Coach && o.Day.Monday() == p.Day.Monday()
		}); k >= 0 {
			r.problem(n, g.path, fmt.Sprintf("is in the same week as %s for %s: we keep the first", w.Pins[k].Day, p.Coach),
				"one day a week for each coach")
			continue
		}
		w.Pins = append(w.Pins, p)
	}
}

func (r *reader) warranty(n *node, path string) (w coach.Warranty) {
	f := r.fields(n, path)
	w = coach.Warranty{From: f.date("from", 0), Until: f.date("until", 0), ClaimBy: f.date("claim_by", 0)}
	f.must("until", "the last day of the warranty")
	switch {
	case w.Until != 0 && w.From > w.Until:
		f.bad(f.n.get("until"), "until", "is before from", "a day from "+w.From.String())
	case w.ClaimBy != 0 && w.ClaimBy < w.From:
		f.bad(f.n.get("claim_by"), "claim_by", "is before the warranty begins", "a day from "+w.From.String())
	}
	f.done()
	return w
}

func (r *reader) events(f *fields, c *coach.Coach) {
	for i, n := range f.list("events") {
		g := r.fields(n, f.nth("events", i))
		g.must("date", "YYYY-MM-DD")
		e := coach.Event{Kind: word(g, "kind", coach.EventKinds, ""), Day: g.date("date", r.opt.Today),
			Slide: coach.SlideID(g.opt("slide")), Note: g.opt("note"), External: g.key("external_id")}
		r.target(g, c, e.Slide, "")
		g.done()
		if e.Kind != "" && e.Day != 0 {
			c.Events = append(c.Events, e)
		}
	}
	slices.SortStableFunc(c.Events, func(a, b coach.Event) int { return int(a.Day - b.Day) })
}

// bookings reads the periods in which a coach is rented out and the address of its feed.
func (r *reader) bookings(f *fields, c *coach.Coach) {
	for i, n := range f.list("rentals") {
		g := r.fields(n, f.nth("rentals", i))
		r.booking(g, c.ID, &c.Bookings)
	}
	for i := range c.Bookings {
		c.Bookings[i].Source = "" // the record itself: the same sent again, from anywhere, is the same
	}
	f.note("feed", func(x *Field) { x.Form = "https://..." })
	if c.Feed = f.opt("feed"); c.Feed != "" && !strings.HasPrefix(c.Feed, "https://") {
		f.bad(f.n.get("feed"), "feed", "is not an https address", "https://...")
		c.Feed = ""
	}
}

// booking reads one period; a bad one is set aside.
func (r *reader) booking(g *fields, id coach.ID, into *[]coach.Booking) {
	before := len(r.problems)
	g.must("from", "the first day, YYYY-MM-DD")
	g.must("until", "the last day, YYYY-MM-DD")
	b := coach.Booking{From: g.date("from", 0), Until: g.date("until", 0), Source: r.file, External: g.key("external_id")}
	if b.From != 0 && b.Until != 0 && b.Until < b.From {
		g.bad(g.n.get("until"), "until", "is before from", "a day from "+b.From.String())
		b.Until = 0
	}
	g.done()
	for i := before; i < len(r.problems); i++ {
		r.problems[i].Aside = true
	}
	if b.From != 0 && b.Until != 0 && id != "" {
		*into = append(*into, b)
	}
}

func (r *reader) addBooked(id coach.ID, bs []coach.Booking) {
	if r.booked == nil {
		r.booked = map[coach.ID][]coach.Booking{}
	}
	r.booked[id] = append(r.booked[id], bs...)
}

// JoinBookings gives each coach the booked periods that came beside it, by date, and
// returns the names that are no coach of these files. It is for plans made from
// files; a store keeps them by their source.
func (c *Content) JoinBookings() (unknown []coach.ID) {
	left := map[coach.ID]bool{}
	for id := range c.Booked {
		left[id] = true
	}
	for i := range c.Coaches {
		k := &c.Coaches[i]
		k.Bookings = append(k.Bookings, c.Booked[k.ID]...)
		delete(left, k.ID)
		slices.SortStableFunc(k.Bookings, func(a, b coach.Booking) int { return int(a.From - b.From) })
	}
	return slices.Sorted(maps.Keys(left))
}

// isBookings reports whether a list holds booked periods: coach, from, until.
func (t table) isBookings() bool {
	has := func(name string) bool {
		return slices.ContainsFunc(t.headings, func(h string) bool { return foldHeading(h) == name })
	}
	return has("coach") && has("from") && has("until")
}

func (r *reader) bookingRows(t table) {
	r.sources = append(r.sources, r.file)
	for _, rw := range t.rows {
		n := &node{line: rw.line, kind: object}
		for _, key := range []string{"coach", "from", "until"} {
			if v := rw.cells[key]; v != "" {
				n.set(key, &node{line: rw.line, field: key, text: v})
			}
		}
		g := r.fields(n, "")
		before := len(r.problems)
		id := coach.ID(g.name("coach"))
		for i := before; i < len(r.problems); i++ {
			r.problems[i].Aside = true
		}
		var bs []coach.Booking
		r.booking(g, id, &bs)
		if len(bs) > 0 {
			r.addBooked(id, bs)
		}
	}
}

// zoneOf returns where a coach's days begin: the place where it stands today.
func (r *reader) zoneOf(id coach.ID) *time.Location {
	for _, c := range r.coaches {
		if c.ID == id {
			return c.Location(r.opt.Today)
		}
	}
	return time.UTC
}

// feed reads a feed of bookings of one coach.
func (r *reader) feed(f File, id string) {
	r.sources = append(r.sources, f.Name)
	bs, bad := ParseFeed(f.Data, r.zoneOf(coach.ID(id)), r.opt.Today)
	for _, m := range bad {
		r.aside(nil, m.Where, m.Message, m.Allowed)
		r.problems[len(r.problems)-1].Warning = m.Note
	}
	for i := range bs {
		bs[i].Source = f.Name
	}
	if len(bs) > 0 {
		r.addBooked(coach.ID(id), bs)
	}
}
