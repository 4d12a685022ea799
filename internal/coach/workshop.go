package coach

import (
	"slices"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/unit"
)

// UnknownLot is the lot of a part whose lot nobody recorded.
const UnknownLot = "unknown"

// Event is something that happened to a coach, or to one slide of it.
type Event struct {
	Day      civil.Date
	Kind     EventKind
	Slide    SlideID // "": the whole coach
	Note     string
	External string // key of another system; may be empty
}

// Booking is a period in which a coach is let: From to Until, both included.
type Booking struct {
	From, Until civil.Date
	Source      string // the file or feed it came from
	External    string // key of another system; may be empty
}

// Warranty is the supplier's promise on a run. Until and ClaimBy are the last
// days; a zero Until: none is known.
type Warranty struct {
	From, Until, ClaimBy civil.Date
}

// Workshop is what an account can do and has on its shelf. The zero value leaves
// everything to the rulebook's defaults.
type Workshop struct {
	Site     *Site                 // where the bays are; nil: not given, and no coach is too far
	ReachKM  float64               // coaches further off go to another shop; 0: none is too far
	Heated   bool                  // adhesive work can be done in any weather
	Hours    map[Skill]float64     // of an ordinary week; a missing skill: the rulebook's default
	Weeks    []WeekHours           // other hours in single weeks
	Days     []time.Weekday        // on which work begins; empty: Monday to Friday
	Book     int                   // days ahead at which owners are asked to book; 0: the rulebook's
	Notice   int                   // least days between planning and a visit; 0: the rulebook's
	Travel   int                   // days to bring a coach and to take it back; < 0: the rulebook's
	Work     map[string][2]float64 // hours by kind of work, low and high; missing: the rulebook's
	Stock    []Stock
	Partners []Partner
	Pins     []Pin
}

// WeekHours are the hours of one week.
type WeekHours struct {
	Week  civil.Date // any day of it
	Hours map[Skill]float64
}

// Stock is what is known of one profile: how it is sold, what is at hand and how
// long more of it takes.
type Stock struct {
	Profile  string
	Coil     unit.Length // length of one coil as sold; 0: the rulebook's
	Coils    int         // whole coils at hand
	Remnants []unit.Length
	Lead     int // days from order to shelf; 0: the rulebook's
}

// Partner is another shop that helps where this one is too far.
type Partner struct {
	Name, Email, Phone string
	Site               Site
}

// Pin is a day on which a coach comes, whatever the plan would say.
type Pin struct {
	Coach ID
	Day   civil.Date
	Task  TaskKind // "": the visit whose window is nearest
	At    int      // when it is expected, minutes after midnight in the zone of the shop; 0: any time of the day
	Name  string   // that of the visit, which stays when its day moves; "": by its coach and day
	// Planned: the shop chose the day for its plan and nobody was asked. A pin without it is
	// agreed with the coach's people.
	Planned bool
}

// Agreed returns the days that are agreed with people. Only those make a coach booked, a
// reminder of the day, an entry of a calendar; the plan keeps the others too.
func (w *Workshop) Agreed() []Pin {
	if w == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(w.Pins), func(p Pin) bool { return p.Planned })
}

// VisitName names the visit of a pin in calendars.
func (p *Pin) VisitName() string {
	if p.Name != "" {
		return p.Name
	}
	return string(p.Coach) + "-" + p.Day.String()
}

// HoursOf returns the hours of a skill in the week of a day, or def where the
// workshop says nothing.
func (w *Workshop) HoursOf(s Skill, monday civil.Date, def float64) float64 {
	for _, x := range w.Weeks {
		if h, ok := x.Hours[s]; ok && x.Week.Monday() == monday {
			return h
		}
	}
	if h, ok := w.Hours[s]; ok {
		return h
	}
	return def
}

// Opens reports whether work begins on a day of the week.
func (w *Workshop) Opens(d time.Weekday) bool {
	if len(w.Days) == 0 {
		return d != time.Saturday && d != time.Sunday
	}
	for _, x := range w.Days {
		if x == d {
			return true
		}
	}
	return false
}
