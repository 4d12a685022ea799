// Package coach is the vocabulary: coaches, slide-outs, runs of seal, parts,
// stays, services and readings, with the checks that need nothing but the values
// themselves.
//
// It is pure, imports row 0 only and no technology: no tags for JSON, YAML or
// SQL stand here. Package intake translates coach files to these types, and package
// store stored documents. Everything above row 1 speaks these words.
package coach

import (
	"cmp"
	"math"
	"slices"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/unit"
)

type (
	// ID is an account's short name of a coach, such as "juniper-07".
	ID string
	// SlideID is a coach's short name of a slide-out, such as "galley".
	SlideID string
	// AccountID names a shop's or fleet's own records.
	AccountID string
)

// Account is the shop or fleet that keeps the records and signs the mail.
type Account struct {
	ID     AccountID
	Name   string // the shop as owners know it
	Postal string // postal address, required in every reminder
	Email  string // where answers go
	Phone  string
	Zone   string // IANA name; the nightly pass runs in it
	// Language is that of people who gave none of their own, as a BCP 47 tag; "":
	// English.
	Language string
}

// Location returns the account's zone; UTC when it gave none or one that this
// machine does not know.
func (a Account) Location() *time.Location {
	return location(a.Zone)
}

func location(zone string) *time.Location {
	if loc, err := time.LoadLocation(zone); err == nil {
		return loc // "" is UTC
	}
	return time.UTC
}

// Coach is a motor coach or trailer, its slide-outs and its life so far.
type Coach struct {
	ID       ID
	Label    string // as its people call it
	Class    Class
	VIN      string // may be empty
	Use      Use
	People   []Person
	Season   civil.Season // as the owner gave it; zero if not given
	Stays    []Stay       // by date, not overlapping
	Slides   []Slide
	Services []Service // by date
	Readings []Reading // by date
	Events   []Event   // by date
	Bookings []Booking // by date; days on which it is let
	Feed     string    // https address of an iCalendar feed of bookings; "": none
	Sold     civil.Date
	External string // key of another system, such as the shop's customer system; may be empty
}

// Person hears about a coach.
type Person struct {
	Name  string
	Email string // empty: hears by other means than mail
	Phone string
	Role  Role
	Zone  string // IANA name; empty: the place's
	Units unit.System
	// Language is how the person is written to, as a BCP 47 tag such as "es"; "": the
	// account's.
	Language string
	Consents []Consent // one a channel at most
	External string    // key of another system, such as the shop's customer system; may be empty
}

// Ref names a person among those of a coach: by e-mail address, else by name or phone
// number. "" is nobody.
func (p Person) Ref() string { return cmp.Or(p.Email, p.Name, p.Phone) }

// Consent is a person's agreement to be reached over a channel.
type Consent struct {
	Channel Channel
	Day     civil.Date // on which it was given
	How     string     // such as "signed form"; may be empty
}

// Agreed returns a person's recorded consent to a channel.
func (p Person) Agreed(ch Channel) (Consent, bool) {
	for _, c := range p.Consents {
		if c.Channel == ch {
			return c, true
		}
	}
	return Consent{}, false
}

// Site is a place as resolved: a town, a postal area or a place of the shop's own.
type Site struct {
	Name           string
	Lat, Lon, Elev float64 // degrees, degrees, metres
	Zone           string
	Tmax, Tmin     []float64 // °C, twelve each when the shop gave its own months, else empty
}

// KM returns the great-circle distance to another site in kilometres, on a sphere
// of 6,371 km.
func (s Site) KM(o Site) float64 {
	const rad = math.Pi / 180
	a, b := math.Sin((o.Lat-s.Lat)*rad/2), math.Sin((o.Lon-s.Lon)*rad/2)
	return 2 * 6371 * math.Asin(math.Sqrt(min(1, a*a+math.Cos(s.Lat*rad)*math.Cos(o.Lat*rad)*b*b)))
}

// Stay is a dated period at a place. Until is the last day; zero: open-ended.
type Stay struct {
	Site     Site
	From     civil.Date
	Until    civil.Date
	Shelter  Shelter
	Rooms    Rooms
	Cycles   unit.PerDay // out-and-in cycles of each slide
	Coastal  bool        // salt air
	Heading  float64     // compass bearing of the nose in degrees; < 0: not known
	Topper   *bool       // fabric over the slides during this stay; nil: as the slide says
	External string      // key of another system, such as the shop's customer system; may be empty
}

// Slide is a room that moves.
type Slide struct {
	ID       SlideID
	Label    string
	Wall     Side4
	Width    unit.Length // along the wall
	Height   unit.Length
	Travel   unit.Length
	Topper   bool
	Runs     []Run
	External string // key of another system, such as the shop's customer system; may be empty
}

// Run is one continuous piece of seal on one slide.
type Run struct {
	Position     Position
	Side         Side
	Construction Construction
	Fitted       civil.Date
	FreeHeight   unit.Length   // of the bulb, new; 0: not measured
	Gaps         []unit.Length // closed gaps measured along the run
	InstallTemp  *unit.Celsius // at the fitting; nil: not recorded
	Carrier      CarrierMetal
	Warranty     Warranty
	Parts        []Part
	External     string // key of another system, such as the shop's customer system; may be empty
}

// Part is what wears on a run.
type Part struct {
	Kind     PartKind
	Material Material
	Fitted   civil.Date // own clock; equal to the run's when fitted together
	Lot      string     // UnknownLot when not recorded
	Profile  string     // the shop's name of the section; "": material, part and height name it
	HotSet   *HotSet    // from the part's data sheet; nil: the rulebook's default
	External string     // key of another system, such as the shop's customer system; may be empty
}

// HotSet is one compression-set figure of a data sheet.
type HotSet struct {
	Set   unit.Fraction
	Hours float64
	Temp  unit.Celsius
}

// Service is something done to a coach's seals on a day. Slide and Run may be
// empty: the whole coach, or the whole slide.
type Service struct {
	Day   civil.Date
	Kind  TaskKind
	Slide SlideID
	Run   string // position/side, such as "outer/top"
	By    string // who said so: "shop", "owner"
	Note  string
	// Removed is what was taken off to get at the seal, in the order it came off.
	Removed  []string
	External string // key of another system, such as the shop's customer system; may be empty
}

// Reading is a field measurement. Run and Part may be empty: the whole slide.
type Reading struct {
	Day      civil.Date
	Slide    SlideID
	Run      string // position/side
	Part     PartKind
	Kind     ReadingKind
	Value    float64 // in the unit that the kind names
	By       string  // "shop" or "owner"; a shop's reading outranks an owner's
	Note     string
	External string // key of another system, such as the shop's customer system; may be empty
}

// Danger reports whether a reading can mean harm: light or running water through
// a seal, or a floor that gives.
func (r Reading) Danger() bool {
	switch r.Kind {
	case Light, SoftFloor:
		return r.Value > 0
	case HoseTest:
		return r.Value >= 2
	}
	return false
}

// FindSlide returns the slide of that short name; nil: the coach has none.
func (c *Coach) FindSlide(id SlideID) *Slide {
	if k := slices.IndexFunc(c.Slides, func(s Slide) bool { return s.ID == id }); k >= 0 {
		return &c.Slides[k]
	}
	return nil
}

// HasRun reports whether the slide, which may be nil, has a run at a place, such as
// "outer/top".
func (s *Slide) HasRun(key string) bool {
	return s != nil && slices.ContainsFunc(s.Runs, func(r Run) bool { return r.Key() == key })
}

// DangersOn returns the dangerous readings of a slide that are not settled on a day, the
// latest last. A later harmless reading of the same kind on the same run settles one
// (one of the whole slide settles all runs; an owner's does not settle what the shop
// found); so does the shop's replacement, unless the floor gives. That somebody came to
// look settles nothing by itself: what was seen does.
func (c *Coach) DangersOn(slide SlideID, on civil.Date) []Reading {
	var open []Reading
	for _, r := range c.Readings {
		if r.Slide != slide || r.Day > on {
			continue
		}
		open = slices.DeleteFunc(open, func(o Reading) bool {
			return o.Kind == r.Kind && (r.Run == "" || o.Run == r.Run) && (r.By != "owner" || o.By == "owner" || r.Danger())
		})
		if r.Danger() {
			open = append(open, r)
		}
	}
	return slices.DeleteFunc(open, func(o Reading) bool { return c.renewed(slide, o, on) })
}

// DangerOn returns the latest of DangersOn.
func (c *Coach) DangerOn(slide SlideID, on civil.Date) (found Reading, ok bool) {
	open := c.DangersOn(slide, on)
	if len(open) == 0 {
		return Reading{}, false
	}
	return open[len(open)-1], true
}

// renewed reports whether the shop's work until a day ended the danger that a reading
// showed: of its run, or of every run when it was read on the whole slide.
func (c *Coach) renewed(slide SlideID, r Reading, on civil.Date) bool {
	done := func(run string) bool {
		return slices.ContainsFunc(c.Services, func(s Service) bool {
			return s.By == "shop" && s.Day <= on && s.settles(slide, run, r)
		})
	}
	if r.Run != "" || done("") {
		return done(r.Run)
	}
	s := c.FindSlide(slide)
	return s != nil && len(s.Runs) > 0 && !slices.ContainsFunc(s.Runs, func(x Run) bool { return !done(x.Key()) })
}

// settles reports whether a service on a run ends the danger that a reading showed. New
// seals mend no floor; and water that comes through on the day of the work came through
// the new seal as far as anybody knows.
func (s Service) settles(slide SlideID, run string, r Reading) bool {
	switch s.Kind {
	case ReplaceBulb, ReplaceSeal, Rebond, Refit:
		return s.Covers(slide, run) && r.Kind != SoftFloor && (s.Day > r.Day || s.Day == r.Day && r.Kind != HoseTest)
	}
	return false
}

// Length returns the run's length from its slide: width for top and bottom,
// height for fore and aft. 0 when the slide was not measured.
func (s Slide) Length(r Run) unit.Length {
	if r.Side == Top || r.Side == Bottom {
		return s.Width
	}
	return s.Height
}

// Key returns the run's place on its slide, such as "outer/top".
func (r Run) Key() string { return string(r.Position) + "/" + string(r.Side) }

// Address returns the run's place on its coach, such as "galley/outer/top".
func (s Slide) Address(r Run) string { return string(s.ID) + "/" + r.Key() }

// Materials returns what the seals of some runs are made of, in order; of all runs
// when none is named. Carriers and adhesives are no seals.
func (c Coach) Materials(runs ...string) (out []Material) {
	for _, s := range c.Slides {
		for _, r := range s.Runs {
			if len(runs) > 0 && !slices.Contains(runs, s.Address(r)) {
				continue
			}
			for _, p := range r.Parts {
				if p.Kind != Carrier && p.Kind != Adhesive {
					out = append(out, p.Material)
				}
			}
		}
	}
	return out
}

// Name returns the slide's label, or its short name.
func (s Slide) Name() string {
	if s.Label != "" {
		return s.Label
	}
	return string(s.ID) + " slide"
}

// Name returns the coach's label, or its short name.
func (c Coach) Name() string {
	if c.Label != "" {
		return c.Label
	}
	return string(c.ID)
}

// Covers reports whether the service was done on a run of a slide.
func (s Service) Covers(slide SlideID, run string) bool {
	return (s.Slide == "" || s.Slide == slide) && (s.Run == "" || s.Run == run)
}

// GapSpread returns the least and greatest measured closed gap; ok is false when
// none was measured.
func (r Run) GapSpread() (least, most unit.Length, ok bool) {
	for i, g := range r.Gaps {
		if i == 0 || g < least {
			least = g
		}
		most = max(most, g)
	}
	return least, most, len(r.Gaps) > 0
}
