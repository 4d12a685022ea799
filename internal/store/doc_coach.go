package store

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// docCoach is a coach as it is stored. Lengths are millimeters, temperatures degrees
// Celsius, days YYYY-MM-DD.
type docCoach struct {
	V        int          `json:"v"`
	ID       coach.ID     `json:"id"`
	Label    string       `json:"label"`
	Class    coach.Class  `json:"class"`
	VIN      string       `json:"vin"`
	Use      coach.Use    `json:"use"`
	People   []docPerson  `json:"people"`
	Season   docPeriod    `json:"season"`
	Stays    []docStay    `json:"stays"`
	Slides   []docSlide   `json:"slides"`
	Services []docService `json:"services"`
	Readings []docReading `json:"readings"`
	Events   []docEvent   `json:"events"`
	Bookings []docBooking `json:"bookings"`
	Feed     string       `json:"feed"`
	Sold     civil.Date   `json:"sold"`
	External string       `json:"external"`
}

// Members that say nothing (0, "", false, no list) are left out.

// docPeriod is a season: its first and last day of use, MM-DD.
type docPeriod struct {
	Opens  civil.MonthDay `json:"opens"`
	Closes civil.MonthDay `json:"closes"`
}

type docPerson struct {
	Name     string       `json:"name"`
	Email    string       `json:"email"`
	Phone    string       `json:"phone"`
	Role     coach.Role   `json:"role"`
	Zone     string       `json:"zone"`
	Units    unit.System  `json:"units"`
	Language string       `json:"language"`
	Consents []docConsent `json:"consents"`
	External string       `json:"external"`
	// Consent is read only. Before consent was recorded by channel, a person had one day,
	// of consent to mail.
	Consent civil.Date `json:"consent"`
}

type docConsent struct {
	Channel coach.Channel `json:"channel"`
	Day     civil.Date    `json:"day"`
	How     string        `json:"how"`
}

// docSite is a place as it was resolved. Tmax and tmin are a shop's own months, from
// January on.
type docSite struct {
	Name string    `json:"name"`
	Lat  float64   `json:"lat"`
	Lon  float64   `json:"lon"`
	Elev float64   `json:"elev"`
	Zone string    `json:"zone"`
	Tmax []float64 `json:"tmax"`
	Tmin []float64 `json:"tmin"`
}

// docStay is a stay at a place. Cycles are those of each slide, out and in, in a day;
// heading is the bearing of the nose in degrees, below 0 when it is not known.
type docStay struct {
	Site     docSite       `json:"site"`
	From     civil.Date    `json:"from"`
	Until    civil.Date    `json:"until"`
	Shelter  coach.Shelter `json:"shelter"`
	Rooms    coach.Rooms   `json:"rooms"`
	Cycles   unit.PerDay   `json:"cycles"`
	Coastal  bool          `json:"coastal"`
	Heading  float64       `json:"heading"`
	Topper   *bool         `json:"topper"`
	External string        `json:"external"`
}

type docSlide struct {
	ID       coach.SlideID `json:"id"`
	Label    string        `json:"label"`
	Wall     coach.Side4   `json:"wall"`
	Width    unit.Length   `json:"width"`
	Height   unit.Length   `json:"height"`
	Travel   unit.Length   `json:"travel"`
	Topper   bool          `json:"topper"`
	Runs     []docRun      `json:"runs"`
	External string        `json:"external"`
}

// docRun is one edge of seal; elsewhere it is called by its position and side, such as
// "outer/top". An install_temp of 0 is a temperature, and stands in the document.
type docRun struct {
	Position     coach.Position     `json:"position"`
	Side         coach.Side         `json:"side"`
	Construction coach.Construction `json:"construction"`
	Fitted       civil.Date         `json:"fitted"`
	FreeHeight   unit.Length        `json:"free_height"`
	Gaps         []unit.Length      `json:"gaps"`
	InstallTemp  *unit.Celsius      `json:"install_temp"`
	Carrier      coach.CarrierMetal `json:"carrier"`
	Warranty     docWarranty        `json:"warranty"`
	Parts        []docPart          `json:"parts"`
	External     string             `json:"external"`
}

type docWarranty struct {
	From    civil.Date `json:"from"`
	Until   civil.Date `json:"until"`
	ClaimBy civil.Date `json:"claim_by"`
}

type docPart struct {
	Kind     coach.PartKind `json:"kind"`
	Material coach.Material `json:"material"`
	Fitted   civil.Date     `json:"fitted"`
	Lot      string         `json:"lot"`
	Profile  string         `json:"profile"`
	HotSet   *docHotSet     `json:"hot_set"`
	External string         `json:"external"`
}

// docHotSet is a compression set of a data sheet: the share of the squeeze that stays after
// so many hours at a temperature.
type docHotSet struct {
	Set   unit.Fraction `json:"set"`
	Hours float64       `json:"hours"`
	Temp  unit.Celsius  `json:"temp"`
}

// docService is something done. Without slide and run it was the whole coach, with a slide
// alone the whole slide; so it is with readings.
type docService struct {
	Day      civil.Date     `json:"day"`
	Kind     coach.TaskKind `json:"kind"`
	Slide    coach.SlideID  `json:"slide"`
	Run      string         `json:"run"`
	By       string         `json:"by"`
	Note     string         `json:"note"`
	Removed  []string       `json:"removed"`
	External string         `json:"external"`
}

type docReading struct {
	Day      civil.Date        `json:"day"`
	Slide    coach.SlideID     `json:"slide"`
	Run      string            `json:"run"`
	Part     coach.PartKind    `json:"part"`
	Kind     coach.ReadingKind `json:"kind"`
	Value    float64           `json:"value"`
	By       string            `json:"by"`
	Note     string            `json:"note"`
	External string            `json:"external"`
}

type docEvent struct {
	Day      civil.Date      `json:"day"`
	Kind     coach.EventKind `json:"kind"`
	Slide    coach.SlideID   `json:"slide"`
	Note     string          `json:"note"`
	External string          `json:"external"`
}

type docBooking struct {
	From     civil.Date `json:"from"`
	Until    civil.Date `json:"until"`
	Source   string     `json:"source"`
	External string     `json:"external"`
}

// encode returns a coach as it is stored.
func encode(c *coach.Coach) (string, error) {
	d := coachDoc(c)
	return writeDoc(&d)
}

// decode reads a coach as it is stored, also as earlier versions wrote it.
func decode(text string, into *coach.Coach) error {
	var d docCoach
	if err := readDoc(text, &d); err != nil {
		return err
	}
	*into = d.coach()
	return nil
}

// coachDoc and docCoach.coach are each other's inverse. What has the same fields on both
// sides is converted as a whole, and the compiler finds a field without a place; where
// fields are named one by one, TestDocuments does.
func coachDoc(c *coach.Coach) docCoach {
	return docCoach{
		V: docVersion, ID: c.ID, Label: c.Label, Class: c.Class, VIN: c.VIN, Use: c.Use,
		People: each(c.People, personDoc),
		Season: docPeriod(c.Season),
		Stays: each(c.Stays, func(s *coach.Stay) docStay {
			return docStay{docSite(s.Site), s.From, s.Until, s.Shelter, s.Rooms, s.Cycles, s.Coastal, s.Heading, s.Topper,
				s.External}
		}),
		Slides: each(c.Slides, func(s *coach.Slide) docSlide {
			return docSlide{s.ID, s.Label, s.Wall, s.Width, s.Height, s.Travel, s.Topper, each(s.Runs, runDoc), s.External}
		}),
		Services: each(c.Services, func(s *coach.Service) docService { return docService(*s) }),
		Readings: each(c.Readings, func(r *coach.Reading) docReading { return docReading(*r) }),
		Events:   each(c.Events, func(e *coach.Event) docEvent { return docEvent(*e) }),
		Bookings: each(c.Bookings, func(b *coach.Booking) docBooking { return docBooking(*b) }),
		Feed:     c.Feed, Sold: c.Sold, External: c.External,
	}
}

func (d *docCoach) coach() coach.Coach {
	return coach.Coach{
		ID: d.ID, Label: d.Label, Class: d.Class, VIN: d.VIN, Use: d.Use,
		People: each(d.People, (*docPerson).person),
		Season: civil.Season(d.Season),
		Stays: each(d.Stays, func(s *docStay) coach.Stay {
			return coach.Stay{Site: coach.Site(s.Site), From: s.From, Until: s.Until, Shelter: s.Shelter, Rooms: s.Rooms,
				Cycles: s.Cycles, Coastal: s.Coastal, Heading: s.Heading, Topper: s.Topper, External: s.External}
		}),
		Slides: each(d.Slides, func(s *docSlide) coach.Slide {
			return coach.Slide{ID: s.ID, Label: s.Label, Wall: s.Wall, Width: s.Width, Height: s.Height, Travel: s.Travel,
				Topper: s.Topper, Runs: each(s.Runs, (*docRun).run), External: s.External}
		}),
		Services: each(d.Services, func(s *docService) coach.Service { return coach.Service(*s) }),
		Readings: each(d.Readings, func(r *docReading) coach.Reading { return coach.Reading(*r) }),
		Events:   each(d.Events, func(e *docEvent) coach.Event { return coach.Event(*e) }),
		Bookings: each(d.Bookings, func(b *docBooking) coach.Booking { return coach.Booking(*b) }),
		Feed:     d.Feed, Sold: d.Sold, External: d.External,
	}
}

func personDoc(p *coach.Person) docPerson {
	return docPerson{Name: p.Name, Email: p.Email, Phone: p.Phone, Role: p.Role, Zone: p.Zone, Units: p.Units,
		Language: p.Language, External: p.External,
		Consents: each(p.Consents, func(c *coach.Consent) docConsent { return docConsent(*c) })}
}

func (d *docPerson) person() coach.Person {
	p := coach.Person{Name: d.Name, Email: d.Email, Phone: d.Phone, Role: d.Role, Zone: d.Zone, Units: d.Units,
		Language: d.Language, External: d.External,
		Consents: each(d.Consents, func(c *docConsent) coach.Consent { return coach.Consent(*c) })}
	if _, ok := p.Agreed(coach.ByMail); !ok && d.Consent != 0 {
		p.Consents = append(p.Consents, coach.Consent{Channel: coach.ByMail, Day: d.Consent})
	}
	return p
}

func runDoc(r *coach.Run) docRun {
	return docRun{r.Position, r.Side, r.Construction, r.Fitted, r.FreeHeight, r.Gaps, r.InstallTemp, r.Carrier,
		docWarranty(r.Warranty),
		each(r.Parts, func(p *coach.Part) docPart {
			return docPart{p.Kind, p.Material, p.Fitted, p.Lot, p.Profile, (*docHotSet)(p.HotSet), p.External}
		}), r.External}
}

func (d *docRun) run() coach.Run {
	return coach.Run{Position: d.Position, Side: d.Side, Construction: d.Construction, Fitted: d.Fitted,
		FreeHeight: d.FreeHeight, Gaps: d.Gaps, InstallTemp: d.InstallTemp, Carrier: d.Carrier,
		Warranty: coach.Warranty(d.Warranty), External: d.External,
		Parts: each(d.Parts, func(p *docPart) coach.Part {
			return coach.Part{Kind: p.Kind, Material: p.Material, Fitted: p.Fitted, Lot: p.Lot, Profile: p.Profile,
				HotSet: (*coach.HotSet)(p.HotSet), External: p.External}
		})}
}
