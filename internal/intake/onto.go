package intake

import (
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Listed are the fields that a list of parts gave about a coach, each with what it is of:
// see listedAt.
type Listed map[string]bool

// listedAt names a field of a coach, or of the slide, run or part that a row is about.
func listedAt(of level, field, slide, run, part string) string {
	switch of {
	case levelSlide:
		field += "|" + slide
	case levelRun:
		field += "|" + slide + "|" + run
	case levelPart:
		field += "|" + slide + "|" + run + "|" + part
	}
	return strings.ToLower(field)
}

// Onto returns a coach as a list of parts tells it, upon what is on record: what the list
// has no column for, leaves blank, or names no row for, stays. A list holds one person and
// one stay of a coach: they change those of the same address, name or role, and of the same
// first day or place. A new place without its first day begins today.
func (l Listed) Onto(old, c coach.Coach, today civil.Date) coach.Coach {
	out := old
	set(l["label"], &out.Label, c.Label)
	set(l["class"], &out.Class, c.Class)
	set(l["vin"], &out.VIN, c.VIN)
	set(l["use"], &out.Use, c.Use)
	set(l["sold"], &out.Sold, c.Sold)
	set(l["external_id"], &out.External, c.External)
	out.People, out.Stays = l.people(old, c), l.stays(old, c, today)
	out.Slides = upon(old.Slides, c.Slides, func(s coach.Slide) string { return string(s.ID) }, l.slide)
	return out
}

// upon returns what is on record with what a list tells of it, found by its name, and
// with what the list adds.
func upon[T any](old, listed []T, name func(T) string, merge func(old, listed T) T) []T {
	out := slices.Clone(old)
	for _, x := range listed {
		k := slices.IndexFunc(out, func(o T) bool { return name(o) == name(x) })
		if k < 0 {
			out = append(out, x)
		} else {
			out[k] = merge(out[k], x)
		}
	}
	return out
}

// set takes a value that was given.
func set[T any](given bool, into *T, v T) {
	if given {
		*into = v
	}
}

func (l Listed) people(old, c coach.Coach) []coach.Person {
	out := slices.Clone(old.People)
	if len(c.People) == 0 || !l["owner"] && !l["email"] {
		return out
	}
	p := c.People[0]
	find := func(same func(coach.Person) bool) int { return slices.IndexFunc(out, same) }
	k := find(func(x coach.Person) bool { return p.Email != "" && x.Email == p.Email })
	if k < 0 {
		k = find(func(x coach.Person) bool { return p.Name != "" && x.Name == p.Name })
	}
	if k < 0 { // somebody else: what the former one agreed to is not theirs
		if k = find(func(x coach.Person) bool { return x.Role == p.Role }); k < 0 {
			return append(out, p)
		}
		out[k] = p
		return out
	}
	x := &out[k]
	set(l["owner"], &x.Name, p.Name)
	set(l["email"], &x.Email, p.Email)
	set(l["phone"], &x.Phone, p.Phone)
	set(l["zone"], &x.Zone, p.Zone)
	set(l["units"], &x.Units, p.Units)
	set(l["language"], &x.Language, p.Language)
	set(l["role"], &x.Role, p.Role)
	set(l["consent"], &x.Consents, p.Consents)
	return out
}

func (l Listed) stays(old, c coach.Coach, today civil.Date) []coach.Stay {
	out := slices.Clone(old.Stays)
	if len(c.Stays) == 0 || !l["place"] {
		return out
	}
	n, last := c.Stays[0], len(out)-1
	if !l["since"] && last >= 0 {
		if n.From = today; out[last].Site.Name == n.Site.Name || out[last].From >= today {
			n.From = out[last].From // it stands where it stood
		}
	}
	k := slices.IndexFunc(out, func(x coach.Stay) bool { return x.From == n.From })
	if k < 0 {
		if last >= 0 && !l["cycles"] {
			n.Cycles = out[last].Cycles // it is used as before
		}
		out = append(out, n)
		slices.SortStableFunc(out, func(a, b coach.Stay) int { return int(a.From - b.From) })
		for i := 0; i+1 < len(out); i++ { // each ends where the next begins
			if x := &out[i]; x.Until == 0 || x.Until >= out[i+1].From {
				x.Until = out[i+1].From - 1
			}
		}
		return out
	}
	x := &out[k]
	if x.Site.Name != n.Site.Name {
		x.Site = n.Site
	}
	set(l["shelter"], &x.Shelter, n.Shelter)
	set(l["slides"], &x.Rooms, n.Rooms)
	set(l["cycles"], &x.Cycles, n.Cycles)
	set(l["coastal"], &x.Coastal, n.Coastal)
	set(l["heading"], &x.Heading, n.Heading)
	return out
}

func (l Listed) slide(old, s coach.Slide) coach.Slide {
	has := func(field string) bool { return l[listedAt(levelSlide, field, string(s.ID), "", "")] }
	out := old
	set(has("slide_label"), &out.Label, s.Label)
	set(has("wall"), &out.Wall, s.Wall)
	set(has("width"), &out.Width, s.Width)
	set(has("height"), &out.Height, s.Height)
	set(has("travel"), &out.Travel, s.Travel)
	set(has("topper"), &out.Topper, s.Topper)
	out.Runs = upon(old.Runs, s.Runs, coach.Run.Key, func(old, r coach.Run) coach.Run { return l.run(s.ID, old, r) })
	return out
}

func (l Listed) run(slide coach.SlideID, old, r coach.Run) coach.Run {
	has := func(field string) bool { return l[listedAt(levelRun, field, string(slide), r.Key(), "")] }
	out := old
	set(has("construction"), &out.Construction, r.Construction)
	set(has("carrier"), &out.Carrier, r.Carrier)
	set(has("free_height"), &out.FreeHeight, r.FreeHeight)
	set(has("gaps"), &out.Gaps, r.Gaps)
	set(has("install_temp"), &out.InstallTemp, r.InstallTemp)
	out.Parts = upon(old.Parts, r.Parts, func(p coach.Part) string {
		return string(p.Kind)
	}, func(x, p coach.Part) coach.Part {
		gave := func(field string) bool { return l[listedAt(levelPart, field, string(slide), r.Key(), string(p.Kind))] }
		set(gave("fitted"), &x.Fitted, p.Fitted)
		set(gave("material"), &x.Material, p.Material)
		set(gave("lot"), &x.Lot, p.Lot)
		set(gave("profile"), &x.Profile, p.Profile)
		if gave("fitted") && out.Construction == coach.PushOn {
			out.Fitted = p.Fitted
		}
		return x
	})
	for i := range out.Parts {
		if x := &out.Parts[i]; out.Construction == coach.PushOn {
			x.Fitted = out.Fitted // a one-piece seal is replaced whole
		} else {
			out.Fitted = min(out.Fitted, x.Fitted)
		}
	}
	return out
}
