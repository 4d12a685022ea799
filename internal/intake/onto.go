package intake

import (
	"slices"

	"sealmanac/internal/coach"
)

// Listed are the fields that a list of parts gave about a coach, by the name of their
// column.
type Listed map[string]bool

// Onto returns a coach as a list of parts tells it, upon what is on record: what the list
// has no column for, and what it names no row for, stays. A list holds one person and one
// stay of a coach; it replaces those with the same address or name, the same first day or
// place.
func (l Listed) Onto(old, c coach.Coach) coach.Coach {
	out := old
	set(l["label"], &out.Label, c.Label)
	set(l["class"], &out.Class, c.Class)
	set(l["vin"], &out.VIN, c.VIN)
	set(l["use"], &out.Use, c.Use)
	set(l["sold"], &out.Sold, c.Sold)
	set(l["external_id"], &out.External, c.External)
	out.People, out.Stays, out.Slides = l.people(old, c), l.stays(old, c), slices.Clone(old.Slides)
	for _, s := range c.Slides {
		k := slices.IndexFunc(out.Slides, func(x coach.Slide) bool { return x.ID == s.ID })
		if k < 0 {
			out.Slides = append(out.Slides, s)
		} else {
			out.Slides[k] = l.slide(out.Slides[k], s)
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
	k := slices.IndexFunc(out, func(x coach.Person) bool {
		return p.Email != "" && x.Email == p.Email || p.Email == "" && x.Name == p.Name
	})
	switch {
	case k >= 0:
		x := &out[k]
		set(l["owner"], &x.Name, p.Name)
		set(l["phone"], &x.Phone, p.Phone)
		set(l["zone"], &x.Zone, p.Zone)
		set(l["units"], &x.Units, p.Units)
		set(l["language"], &x.Language, p.Language)
		set(l["role"], &x.Role, p.Role)
		set(l["consent"], &x.Consents, p.Consents)
	case len(out) == 0:
		out = append(out, p)
	default:
		out[0] = p // another owner: what the former one agreed to is not theirs
	}
	return out
}

func (l Listed) stays(old, c coach.Coach) []coach.Stay {
	out := slices.Clone(old.Stays)
	if len(c.Stays) == 0 || !l["place"] {
		return out
	}
	n := c.Stays[0]
	k := slices.IndexFunc(out, func(x coach.Stay) bool { return l["since"] && x.From == n.From })
	if last := len(out) - 1; !l["since"] && last >= 0 && out[last].Site.Name == n.Site.Name {
		k = last // it stands where it stood
	}
	if k < 0 {
		out = append(out, n)
		slices.SortStableFunc(out, func(a, b coach.Stay) int { return int(a.From - b.From) })
		return out
	}
	x := &out[k]
	x.Site = n.Site
	set(l["shelter"], &x.Shelter, n.Shelter)
	set(l["rooms"], &x.Rooms, n.Rooms)
	set(l["cycles"], &x.Cycles, n.Cycles)
	set(l["coastal"], &x.Coastal, n.Coastal)
	set(l["heading"], &x.Heading, n.Heading)
	return out
}

func (l Listed) slide(old, s coach.Slide) coach.Slide {
	out := old
	set(l["slide_label"], &out.Label, s.Label)
	set(l["wall"], &out.Wall, s.Wall)
	set(l["width"], &out.Width, s.Width)
	set(l["height"], &out.Height, s.Height)
	set(l["travel"], &out.Travel, s.Travel)
	set(l["topper"], &out.Topper, s.Topper)
	out.Runs = slices.Clone(old.Runs)
	for _, r := range s.Runs {
		k := slices.IndexFunc(out.Runs, func(x coach.Run) bool { return x.Key() == r.Key() })
		if k < 0 {
			out.Runs = append(out.Runs, r)
		} else {
			out.Runs[k] = l.run(out.Runs[k], r)
		}
	}
	return out
}

func (l Listed) run(old, r coach.Run) coach.Run {
	out := old
	set(l["construction"], &out.Construction, r.Construction)
	set(l["carrier"], &out.Carrier, r.Carrier)
	set(l["free_height"], &out.FreeHeight, r.FreeHeight)
	set(l["gaps"], &out.Gaps, r.Gaps)
	set(l["install_temp"], &out.InstallTemp, r.InstallTemp)
	out.Parts = slices.Clone(old.Parts)
	for _, p := range r.Parts {
		k := slices.IndexFunc(out.Parts, func(x coach.Part) bool { return x.Kind == p.Kind })
		if k < 0 {
			out.Parts = append(out.Parts, p)
			continue
		}
		x := &out.Parts[k]
		set(l["fitted"], &x.Fitted, p.Fitted)
		set(l["material"], &x.Material, p.Material)
		set(l["lot"], &x.Lot, p.Lot)
		set(l["profile"], &x.Profile, p.Profile)
	}
	if l["fitted"] && (r.Fitted < out.Fitted || out.Construction == coach.PushOn) { // no part is older than its run; a one-piece seal is as old
		out.Fitted = r.Fitted
	}
	return out
}
