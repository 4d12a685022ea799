package intake

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// Write returns coaches as a coach file that Read reads back to the same values.
// Places that the tables do not know by their name stand in it as the shop's own.
func Write(places *climate.Tables, cs ...coach.Coach) ([]byte, error) {
	w := writer{tables: places, own: map[string]bool{}}
	var coaches []yaml.MapSlice
	for i := range cs {
		coaches = append(coaches, w.coach(&cs[i]))
	}
	var doc yaml.MapSlice
	if len(w.places) > 0 {
		doc = append(doc, yaml.MapItem{Key: "places", Value: w.places})
	}
	doc = append(doc, yaml.MapItem{Key: "coaches", Value: coaches})
	return yaml.MarshalWithOptions(doc, yaml.UseLiteralStyleIfMultiline(false))
}

type writer struct {
	tables *climate.Tables
	own    map[string]bool
	places []yaml.MapSlice
	plain  coach.Site // the last that the tables know: many coaches stand in one town
}

// entry collects the fields that say something.
type entry struct{ m yaml.MapSlice }

func (o *entry) put(key string, v any) { o.m = append(o.m, yaml.MapItem{Key: key, Value: v}) }

func (o *entry) text(key, v string) {
	if v != "" {
		o.put(key, v)
	}
}

func (o *entry) day(key string, d civil.Date) { o.text(key, d.String()) }

func (o *entry) length(key string, l unit.Length) {
	if l != 0 {
		o.put(key, LengthText(l))
	}
}

// LengthText writes a length so that it reads back to the same bits: in inches where
// it was given so, else in millimetres.
func LengthText(l unit.Length) string {
	short := func(v unit.Length, unit string) string { return number(math.Round(float64(v)*1e4)/1e4) + unit }
	for _, form := range []func() string{
		func() string { return l.Format(unit.Imperial) },
		func() string { return short(l, " mm") },
		func() string { return short(l/unit.Foot, " ft") },
		func() string { return short(l/unit.Inch, " in") },
	} {
		s := form()
		if back, err := unit.ParseLength(s); err == nil && back == l {
			return s
		}
	}
	return number(float64(l)) + " mm"
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// RateText writes a rate so that it reads back to the same bits, in the span that
// gives the shortest number.
func RateText(r unit.PerDay) string {
	best := number(float64(r)) + "/day"
	for _, per := range []struct {
		name string
		days float64
	}{{"year", float64(unit.Year)}, {"month", float64(unit.Year) / 12}, {"week", 7}} {
		s := number(math.Round(float64(r)*per.days*100)/100) + "/" + per.name
		if back, err := unit.ParseRate(s); err == nil && back == r && len(s) < len(best) {
			best = s
		}
	}
	return best
}

func celsius(c float64) string { return number(c) + " C" }

func (w *writer) coach(c *coach.Coach) yaml.MapSlice {
	o := entry{}
	o.put("coach", string(c.ID))
	o.text("label", c.Label)
	o.text("class", string(c.Class))
	o.text("vin", c.VIN)
	o.text("use", string(c.Use))
	o.day("sold", c.Sold)
	o.text("feed", c.Feed)
	o.text("external_id", c.External)
	o.put("people", each(c.People, person))
	if !c.Season.IsZero() {
		o.put("season", yaml.MapSlice{{Key: "opens", Value: c.Season.Opens.String()},
			{Key: "closes", Value: c.Season.Closes.String()}})
	}
	o.put("stays", each(c.Stays, w.stay))
	o.put("slides", each(c.Slides, slide))
	if len(c.Services) > 0 {
		o.put("services", each(c.Services, service))
	}
	if len(c.Readings) > 0 {
		o.put("readings", each(c.Readings, reading))
	}
	if len(c.Events) > 0 {
		o.put("events", each(c.Events, eventText))
	}
	if len(c.Bookings) > 0 {
		o.put("rentals", each(c.Bookings, func(b coach.Booking) yaml.MapSlice {
			o := entry{}
			o.day("from", b.From)
			o.day("until", b.Until)
			o.text("external_id", b.External)
			return o.m
		}))
	}
	return o.m
}

func each[T any](in []T, f func(T) yaml.MapSlice) []yaml.MapSlice {
	out := make([]yaml.MapSlice, len(in))
	for i, x := range in {
		out[i] = f(x)
	}
	return out
}

func person(p coach.Person) yaml.MapSlice {
	o := entry{}
	o.text("name", p.Name)
	o.text("email", p.Email)
	o.text("phone", p.Phone)
	o.text("role", string(p.Role))
	o.text("zone", p.Zone)
	o.text("units", string(p.Units))
	o.text("language", p.Language)
	o.text("external_id", p.External)
	if len(p.Consents) > 0 {
		o.put("consents", each(p.Consents, func(c coach.Consent) yaml.MapSlice {
			o := entry{}
			o.put("channel", string(c.Channel))
			o.day("date", c.Day)
			o.text("how", c.How)
			return o.m
		}))
	}
	return o.m
}

func (w *writer) stay(s coach.Stay) yaml.MapSlice {
	w.site(s.Site)
	o := entry{}
	o.put("place", s.Site.Name)
	o.day("from", s.From)
	o.day("until", s.Until)
	o.text("shelter", string(s.Shelter))
	o.text("slides", string(s.Rooms))
	o.put("cycles", RateText(s.Cycles))
	if s.Coastal {
		o.put("coastal", true)
	}
	if s.Heading >= 0 {
		o.put("heading", s.Heading)
	}
	if s.Topper != nil {
		o.put("topper", *s.Topper)
	}
	o.text("external_id", s.External)
	return o.m
}

// site notes a place of the shop's own.
func (w *writer) site(s coach.Site) {
	if w.own[s.Name] || s.Tmax == nil && s.Name == w.plain.Name && s.Lat == w.plain.Lat && s.Lon == w.plain.Lon &&
		s.Elev == w.plain.Elev && s.Zone == w.plain.Zone {
		return
	}
	if p, err := w.tables.Lookup(s.Name); err == nil && p.Label() == s.Name && p.Lat == s.Lat && p.Lon == s.Lon &&
		p.Elev == s.Elev && p.Zone == s.Zone && s.Tmax == nil {
		w.plain = s
		return
	}
	w.own[s.Name] = true
	o := entry{}
	o.put("place", s.Name)
	o.put("lat", s.Lat)
	o.put("lon", s.Lon)
	o.put("elevation_m", s.Elev)
	o.text("zone", s.Zone)
	if s.Tmax != nil {
		o.put("tmax", s.Tmax)
		o.put("tmin", s.Tmin)
	}
	w.places = append(w.places, o.m)
}

func slide(s coach.Slide) yaml.MapSlice {
	o := entry{}
	o.put("slide", string(s.ID))
	o.text("label", s.Label)
	o.text("wall", string(s.Wall))
	o.length("width", s.Width)
	o.length("height", s.Height)
	o.length("travel", s.Travel)
	if s.Topper {
		o.put("topper", true)
	}
	o.text("external_id", s.External)
	o.put("edges", each(s.Runs, run))
	return o.m
}

func run(r coach.Run) yaml.MapSlice {
	o := entry{}
	o.put("edge", coach.EdgeName(r.Key()))
	o.text("construction", string(r.Construction))
	o.day("fitted", r.Fitted)
	o.text("carrier", coach.Named(r.Carrier))
	o.length("free_height", r.FreeHeight)
	o.text("external_id", r.External)
	if len(r.Gaps) > 0 {
		gaps := make([]string, len(r.Gaps))
		for i, g := range r.Gaps {
			gaps[i] = LengthText(g)
		}
		o.put("gaps", gaps)
	}
	if r.InstallTemp != nil {
		o.put("install_temp", celsius(float64(*r.InstallTemp)))
	}
	if r.Warranty.Until != 0 {
		x := entry{}
		x.day("from", r.Warranty.From)
		x.day("until", r.Warranty.Until)
		x.day("claim_by", r.Warranty.ClaimBy)
		o.put("warranty", x.m)
	}
	o.put("parts", each(r.Parts, func(p coach.Part) yaml.MapSlice { return part(p, r.Fitted) }))
	return o.m
}

func part(p coach.Part, run civil.Date) yaml.MapSlice {
	o := entry{}
	o.put("part", string(p.Kind))
	o.text("material", string(p.Material))
	if p.Fitted != run {
		o.day("fitted", p.Fitted)
	}
	if p.Lot != coach.UnknownLot {
		o.text("lot", p.Lot)
	}
	o.text("profile", p.Profile)
	o.text("external_id", p.External)
	if h := p.HotSet; h != nil {
		o.put("hot_set", yaml.MapSlice{{Key: "set", Value: number(float64(h.Set))}, {Key: "hours", Value: h.Hours},
			{Key: "temp", Value: celsius(float64(h.Temp))}})
	}
	return o.m
}

func service(s coach.Service) yaml.MapSlice {
	o := entry{}
	o.day("date", s.Day)
	o.put("kind", coach.Named(s.Kind))
	o.text("slide", string(s.Slide))
	o.text("edge", coach.EdgeName(s.Run))
	o.text("by", s.By)
	o.text("note", s.Note)
	o.text("external_id", s.External)
	if len(s.Removed) > 0 {
		o.put("removed", s.Removed)
	}
	return o.m
}

func reading(r coach.Reading) yaml.MapSlice {
	o := entry{}
	o.day("date", r.Day)
	o.put("kind", string(r.Kind))
	o.text("slide", string(r.Slide))
	o.text("edge", coach.EdgeName(r.Run))
	o.text("part", string(r.Part))
	o.put("value", ReadingText(r))
	o.text("by", r.By)
	o.text("note", r.Note)
	o.text("external_id", r.External)
	return o.m
}

// ReadingText writes a reading's value as Read reads it: "17 mm", "62", "drip".
func ReadingText(r coach.Reading) string {
	if words := readingWords[r.Kind]; words != nil {
		if i := int(r.Value); i >= 0 && i < len(words) {
			return words[i]
		}
	}
	switch r.Kind {
	case coach.BulbHeight, coach.ClosedGap, coach.LipThickness, coach.LiftedEdge:
		return LengthText(unit.Length(r.Value))
	}
	return number(r.Value)
}

func eventText(e coach.Event) yaml.MapSlice {
	o := entry{}
	o.day("date", e.Day)
	o.put("kind", string(e.Kind))
	o.text("slide", string(e.Slide))
	o.text("note", e.Note)
	o.text("external_id", e.External)
	return o.m
}

// Lines returns the problems as lines, each telling where, what and what is allowed.
func (p Problems) Lines() (out []string) {
	for _, x := range p {
		out = append(out, strings.TrimSpace(x.String()))
	}
	return out
}

// ParseReading reads a value of a kind of reading as a coach file does.
func ParseReading(k coach.ReadingKind, text string) (float64, error) {
	if readingForms[k] == "" {
		return 0, fmt.Errorf("%q is not a kind of reading", k)
	}
	r := &reader{}
	n := &node{kind: object}
	n.set("value", &node{text: text})
	f := r.fields(n, "")
	v, ok := f.readingValue("value", k)
	if !ok {
		return 0, fmt.Errorf("%q is not %s", text, readingForms[k])
	}
	return v, nil
}
