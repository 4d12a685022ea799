// Package season turns the tasks of a shop's coaches into a season that works:
// the fewest visits, weeks the bays can carry, parts ordered in time, coils cut
// with little waste, and a sheet for the job.
//
// It is pure and imports plan, projection, exposure, level, cutting, rulebook,
// coach and row 0. Package cycle calls it with what a pass found; cli and web show
// its plans.
package season

import (
	"cmp"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/level"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
)

// Member is a coach with what a pass found about it.
type Member struct {
	Coach     *coach.Coach
	Setting   plan.Setting
	Tasks     []plan.Task
	Forecasts []projection.Forecast
}

// Input is everything a plan depends on.
type Input struct {
	Rules   *rulebook.Rulebook
	Shop    *coach.Workshop
	Lows    *[12]float64 // mean daily minimum at the shop by month, °C; nil: not known
	Members []Member
	On      civil.Date
	Weeks   int     // from the week of On on; at least 1
	Last    []Visit // of an earlier plan: they keep their weeks where they can
}

// Visit is what is done on one coach at one time.
type Visit struct {
	Coach     coach.ID
	Label     string
	Day       civil.Date
	Tasks     []plan.Task // by slide, then weight; bulbs before whole seals
	Offers    []plan.Task // not due yet, but the coach is there
	Low, High float64     // hours
	Need      level.Hours // by skill, the middle of the range
	First     civil.Date  // the visit's window
	Latest    civil.Date
	Why       string
	Notes     []string   // what else is done on the same visit, and what must wait
	Pinned    bool       // a day agreed with the coach's people
	Chosen    bool       // the shop chose the day; nobody agreed to it
	BookBy    civil.Date // when the owner is asked to book
	CureUntil civil.Date // the rooms may not move before the day after; 0: no adhesive work
	Partner   string     // the other shop, when the coach is too far from this one
	Best      civil.Date // the day it would come without the bays' limits
	Unplaced  bool       // no week of the plan has room; Day is the first after it
}

// Plan is the season of one shop.
type Plan struct {
	On        civil.Date
	Visits    []Visit // by day
	Elsewhere []Visit // at other shops
	Bays      []Bay   // by week
	Parts     []Need
	Cuts      []Cut
	Late      []Late
	LateWeeks int // weeks past their visit's window, all visits together
	Short     []Short
	Moves     []Move
	Holds     []Hold
	Problems  []string
}

// Bay is one week's work and hours.
type Bay struct {
	Week           civil.Date // its Monday
	Load, Capacity level.Hours
	Before         level.Hours // if every visit came on its best day
}

// Scarcest returns the skill whose hours are fullest with some hours.
func (b Bay) Scarcest(load level.Hours) (skill coach.Skill) {
	most := 0.0
	for k, h := range load {
		var one level.Hours
		one[k] = h
		if f := b.Full(one); f > most {
			most, skill = f, coach.Skills[k]
		}
	}
	return skill
}

// Full returns how full the week is with some hours: the largest share of any
// skill's hours, 1 when that skill has none left; 2 for work where there are no
// hours at all.
func (b Bay) Full(load level.Hours) (share float64) {
	for k, h := range load {
		switch {
		case h <= 0:
		case b.Capacity[k] <= 0:
			share = max(share, 2)
		default:
			share = max(share, h/b.Capacity[k])
		}
	}
	return share
}

// Late is a task that is not done by its latest day.
type Late struct {
	Coach coach.ID
	Task  plan.Task
	Day   civil.Date // when it is done
	Days  int
	Why   string
}

// Short is a run of weeks in which not all can be on time, with what would help.
type Short struct {
	First, Last civil.Date // Mondays
	Skill       coach.Skill
	Need, Room  float64    // hours
	Earlier     []coach.ID // could come before these weeks
}

// Move is a visit that left the week it had.
type Move struct {
	Coach    coach.ID
	From, To civil.Date
	Why      string
}

// Hold is a slide that must not be moved or let.
type Hold struct {
	Coach coach.ID
	Slide coach.SlideID
	Since civil.Date
	Why   string
	Let   bool // the coach is a rental: mark it not to be let
}

// maker carries one plan's making.
type maker struct {
	Input
	monday   civil.Date // of week 0
	end      civil.Date // first day after the plan
	out      Plan
	profiles map[string]*coach.Stock
	byID     map[coach.ID]*Member
	wanted   map[profileMonth]civil.Date
	held     map[heldKey][]civil.Date
	gone     map[heldKey]civil.Date // the last day an earlier plan gave it that has passed
	needless map[taskOf]bool        // a whole new seal on the same run does it too
}

// Make plans a season.
func Make(in Input) Plan {
	in.Weeks = max(1, in.Weeks)
	if in.Shop == nil {
		in.Shop = &coach.Workshop{Travel: -1}
	}
	m := &maker{Input: in, monday: in.On.Monday(), profiles: map[string]*coach.Stock{}, byID: map[coach.ID]*Member{},
		held: map[heldKey][]civil.Date{}, gone: map[heldKey]civil.Date{}, needless: map[taskOf]bool{}}
	m.end = m.monday.Add(7 * in.Weeks)
	m.out.On = in.On
	for i := range in.Shop.Stock {
		m.profiles[in.Shop.Stock[i].Profile] = &in.Shop.Stock[i]
	}
	in.Members = slices.DeleteFunc(slices.Clone(in.Members), func(x Member) bool {
		return x.Coach.Sold != 0 && x.Coach.Sold <= in.On
	})
	m.Members = in.Members
	m.remember()
	var drafts []draft
	for i := range in.Members {
		m.byID[in.Members[i].Coach.ID] = &in.Members[i]
		m.holds(&in.Members[i])
		drafts = append(drafts, m.drafts(&in.Members[i])...)
	}
	m.pins(drafts)
	m.level(drafts)
	m.parts()
	m.cuts()
	m.sort()
	return m.out
}

func (m *maker) holds(x *Member) {
	for _, t := range x.Tasks {
		if t.Kind == coach.SafetyStop {
			m.out.Holds = append(m.out.Holds, Hold{x.Coach.ID, t.Slide, t.Anchor, t.Why.String(), x.Coach.Use == coach.Rental})
		}
	}
}

func (m *maker) sort() {
	byDay := func(a, b Visit) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Coach, b.Coach))
	}
	slices.SortStableFunc(m.out.Visits, byDay)
	slices.SortStableFunc(m.out.Elsewhere, byDay)
	slices.SortStableFunc(m.out.Late, func(a, b Late) int {
		return cmp.Or(cmp.Compare(b.Days, a.Days), cmp.Compare(a.Coach, b.Coach), cmp.Compare(a.Task.Run, b.Task.Run))
	})
	slices.Sort(m.out.Problems)
	m.out.Problems = slices.Compact(m.out.Problems)
}

// shop returns the workshop's figure, or the rulebook's where it gives none.
func shop(own int, def rulebook.Figure) int {
	if own > 0 {
		return own
	}
	return def.Days()
}

func (m *maker) travel() int {
	if m.Shop.Travel >= 0 {
		return m.Shop.Travel
	}
	return m.Rules.Shop.Travel.Days()
}
