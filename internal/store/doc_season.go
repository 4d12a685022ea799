package store

import (
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/level"
	"sealmanac/internal/plan"
	"sealmanac/internal/season"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

// docShop is a workshop as it is stored.
type docShop struct {
	V        int                     `json:"v"`
	Site     *docSite                `json:"site"`
	ReachKM  float64                 `json:"reach_km"`
	Heated   bool                    `json:"heated"`
	Hours    map[coach.Skill]float64 `json:"hours"`
	Weeks    []docWeek               `json:"weeks"`
	Days     []time.Weekday          `json:"days"` // 0 is Sunday
	Book     int                     `json:"book"`
	Notice   int                     `json:"notice"`
	Travel   int                     `json:"travel"`
	Work     map[string][2]float64   `json:"work"`
	Stock    []docStock              `json:"stock"`
	Partners []docPartner            `json:"partners"`
	Pins     []docPin                `json:"pins"`
}

type docWeek struct {
	Week  civil.Date              `json:"week"`
	Hours map[coach.Skill]float64 `json:"hours"`
}

// docStock is what is known of one profile of seal: coil is the length of one as sold, lead
// the days from order to shelf.
type docStock struct {
	Profile  string        `json:"profile"`
	Coil     unit.Length   `json:"coil"`
	Coils    int           `json:"coils"`
	Remnants []unit.Length `json:"remnants"`
	Lead     int           `json:"lead"`
}

type docPartner struct {
	Name  string  `json:"name"`
	Email string  `json:"email"`
	Phone string  `json:"phone"`
	Site  docSite `json:"site"`
}

// docPin is a day on which a coach comes. At is minutes after midnight in the shop's zone.
// Days of before planned was stored were all agreed, which is what its absence says.
type docPin struct {
	Coach   coach.ID       `json:"coach"`
	Day     civil.Date     `json:"day"`
	Task    coach.TaskKind `json:"task"`
	At      int            `json:"at"`
	Name    string         `json:"name"`
	Planned bool           `json:"planned"`
}

func shopDoc(w *coach.Workshop) *docShop {
	return &docShop{
		V: docVersion, Site: (*docSite)(w.Site), ReachKM: w.ReachKM, Heated: w.Heated, Hours: w.Hours,
		Weeks: each(w.Weeks, func(x *coach.WeekHours) docWeek { return docWeek(*x) }),
		Days:  w.Days, Book: w.Book, Notice: w.Notice, Travel: w.Travel, Work: w.Work,
		Stock: each(w.Stock, func(s *coach.Stock) docStock { return docStock(*s) }),
		Partners: each(w.Partners, func(p *coach.Partner) docPartner {
			return docPartner{p.Name, p.Email, p.Phone, docSite(p.Site)}
		}),
		Pins: each(w.Pins, func(p *coach.Pin) docPin { return docPin(*p) }),
	}
}

func (d *docShop) shop() *coach.Workshop {
	return &coach.Workshop{
		Site: (*coach.Site)(d.Site), ReachKM: d.ReachKM, Heated: d.Heated, Hours: d.Hours,
		Weeks: each(d.Weeks, func(x *docWeek) coach.WeekHours { return coach.WeekHours(*x) }),
		Days:  d.Days, Book: d.Book, Notice: d.Notice, Travel: d.Travel, Work: d.Work,
		Stock: each(d.Stock, func(s *docStock) coach.Stock { return coach.Stock(*s) }),
		Partners: each(d.Partners, func(p *docPartner) coach.Partner {
			return coach.Partner{Name: p.Name, Email: p.Email, Phone: p.Phone, Site: coach.Site(p.Site)}
		}),
		Pins: each(d.Pins, func(p *docPin) coach.Pin { return coach.Pin(*p) }),
	}
}

// docTask is a task as the plan had it. Its reason is stored in English, because a text can
// be shown in another language only before it was written down.
type docTask struct {
	Kind     coach.TaskKind `json:"kind"`
	Slide    coach.SlideID  `json:"slide"`
	Run      string         `json:"run"`
	Part     coach.PartKind `json:"part"`
	Earliest civil.Date     `json:"earliest"`
	Target   civil.Date     `json:"target"`
	Latest   civil.Date     `json:"latest"`
	Why      wording.Text   `json:"why"` // in English
	Anchor   civil.Date     `json:"anchor"`
	Mark     string         `json:"mark"`
	Ends     bool           `json:"ends"`
	Every    int            `json:"every"`
}

func taskDoc(t *plan.Task) docTask      { return docTask(*t) }
func (d *docTask) task() plan.Task      { return plan.Task(*d) }
func tasksDoc(ts []plan.Task) []docTask { return each(ts, taskDoc) }
func tasksOf(ds []docTask) []plan.Task  { return each(ds, (*docTask).task) }

// docVisit is a visit of the last pass's plan as it is stored.
type docVisit struct {
	V         int        `json:"v"`
	Coach     coach.ID   `json:"coach"`
	Label     string     `json:"label"`
	Day       civil.Date `json:"day"`
	Tasks     []docTask  `json:"tasks"`
	Offers    []docTask  `json:"offers"`
	Low       float64    `json:"low"`
	High      float64    `json:"high"`
	Need      []float64  `json:"need"`
	First     civil.Date `json:"first"`
	Latest    civil.Date `json:"latest"`
	Why       string     `json:"why"`
	Notes     []string   `json:"notes"`
	Pinned    bool       `json:"pinned"`
	Chosen    bool       `json:"chosen"`
	BookBy    civil.Date `json:"book_by"`
	CureUntil civil.Date `json:"cure_until"`
	Partner   string     `json:"partner"`
	Best      civil.Date `json:"best"`
	Unplaced  bool       `json:"unplaced"`
}

func visitDoc(v *season.Visit) *docVisit {
	return &docVisit{docVersion, v.Coach, v.Label, v.Day, tasksDoc(v.Tasks), tasksDoc(v.Offers), v.Low, v.High,
		hoursDoc(v.Need), v.First, v.Latest, v.Why, v.Notes, v.Pinned, v.Chosen, v.BookBy, v.CureUntil, v.Partner, v.Best,
		v.Unplaced}
}

func (d *docVisit) visit() (season.Visit, error) {
	need, err := hoursOf(d.Need)
	return season.Visit{Coach: d.Coach, Label: d.Label, Day: d.Day, Tasks: tasksOf(d.Tasks), Offers: tasksOf(d.Offers),
		Low: d.Low, High: d.High, Need: need, First: d.First, Latest: d.Latest, Why: d.Why, Notes: d.Notes,
		Pinned: d.Pinned, Chosen: d.Chosen, BookBy: d.BookBy, CureUntil: d.CureUntil, Partner: d.Partner, Best: d.Best,
		Unplaced: d.Unplaced}, err
}

// KeptPlan is a season's plan besides its visits, as it is kept for the pages.
type KeptPlan struct {
	Bays      []season.Bay
	Parts     []season.Need
	Cuts      []season.Cut
	Late      []season.Late
	LateWeeks int
	Short     []season.Short
	Moves     []season.Move
	Problems  []string
}

// docPlan is a KeptPlan as it is stored.
type docPlan struct {
	V         int        `json:"v"`
	Bays      []docBay   `json:"bays"`
	Parts     []docNeed  `json:"parts"`
	Cuts      []docCut   `json:"cuts"`
	Late      []docLate  `json:"late"`
	LateWeeks int        `json:"late_weeks"`
	Short     []docShort `json:"short"`
	Moves     []docMove  `json:"moves"`
	Problems  []string   `json:"problems"`
}

type docBay struct {
	Week     civil.Date `json:"week"`
	Load     []float64  `json:"load"`
	Capacity []float64  `json:"capacity"`
	Before   []float64  `json:"before"`
}

type docNeed struct {
	Profile  string      `json:"profile"`
	Month    civil.Date  `json:"month"`
	Expected unit.Length `json:"expected"`
	High     unit.Length `json:"high"`
	Pieces   float64     `json:"pieces"`
	Shelf    unit.Length `json:"shelf"`
	Order    unit.Length `json:"order"`
	OrderBy  civil.Date  `json:"order_by"`
	TooLate  bool        `json:"too_late"`
}

type docCut struct {
	Profile string      `json:"profile"`
	Length  unit.Length `json:"length"`
	New     bool        `json:"new"`
	Pieces  []docPiece  `json:"pieces"`
	Remnant unit.Length `json:"remnant"`
	Waste   unit.Length `json:"waste"`
	Optimal bool        `json:"optimal"`
}

type docPiece struct {
	Coach  coach.ID    `json:"coach"`
	Run    string      `json:"run"`
	Day    civil.Date  `json:"day"`
	Length unit.Length `json:"length"`
}

type docLate struct {
	Coach coach.ID   `json:"coach"`
	Task  docTask    `json:"task"`
	Day   civil.Date `json:"day"`
	Days  int        `json:"days"`
	Why   string     `json:"why"`
}

type docShort struct {
	First   civil.Date  `json:"first"`
	Last    civil.Date  `json:"last"`
	Skill   coach.Skill `json:"skill"`
	Need    float64     `json:"need"`
	Room    float64     `json:"room"`
	Earlier []coach.ID  `json:"earlier"`
}

type docMove struct {
	Coach coach.ID   `json:"coach"`
	From  civil.Date `json:"from"`
	To    civil.Date `json:"to"`
	Why   string     `json:"why"`
}

func planDoc(k *KeptPlan) *docPlan {
	return &docPlan{
		V: docVersion,
		Bays: each(k.Bays, func(b *season.Bay) docBay {
			return docBay{b.Week, hoursDoc(b.Load), hoursDoc(b.Capacity), hoursDoc(b.Before)}
		}),
		Parts: each(k.Parts, func(n *season.Need) docNeed { return docNeed(*n) }),
		Cuts: each(k.Cuts, func(c *season.Cut) docCut {
			return docCut{c.Profile, c.Length, c.New,
				each(c.Pieces, func(p *season.Piece) docPiece { return docPiece(*p) }), c.Remnant, c.Waste, c.Optimal}
		}),
		Late: each(k.Late, func(l *season.Late) docLate {
			return docLate{l.Coach, docTask(l.Task), l.Day, l.Days, l.Why}
		}),
		LateWeeks: k.LateWeeks,
		Short:     each(k.Short, func(s *season.Short) docShort { return docShort(*s) }),
		Moves:     each(k.Moves, func(m *season.Move) docMove { return docMove(*m) }),
		Problems:  k.Problems,
	}
}

func (d *docPlan) plan() (k KeptPlan, err error) {
	hours := func(doc []float64) level.Hours {
		h, e := hoursOf(doc)
		if err == nil {
			err = e
		}
		return h
	}
	k = KeptPlan{
		Bays: each(d.Bays, func(b *docBay) season.Bay {
			return season.Bay{Week: b.Week, Load: hours(b.Load), Capacity: hours(b.Capacity), Before: hours(b.Before)}
		}),
		Parts: each(d.Parts, func(n *docNeed) season.Need { return season.Need(*n) }),
		Cuts: each(d.Cuts, func(c *docCut) season.Cut {
			return season.Cut{Profile: c.Profile, Length: c.Length, New: c.New,
				Pieces:  each(c.Pieces, func(p *docPiece) season.Piece { return season.Piece(*p) }),
				Remnant: c.Remnant, Waste: c.Waste, Optimal: c.Optimal}
		}),
		Late: each(d.Late, func(l *docLate) season.Late {
			return season.Late{Coach: l.Coach, Task: plan.Task(l.Task), Day: l.Day, Days: l.Days, Why: l.Why}
		}),
		LateWeeks: d.LateWeeks,
		Short:     each(d.Short, func(s *docShort) season.Short { return season.Short(*s) }),
		Moves:     each(d.Moves, func(m *docMove) season.Move { return season.Move(*m) }),
		Problems:  d.Problems,
	}
	return k, err
}
