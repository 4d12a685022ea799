// Package plan turns forecasts and care intervals into task windows: what is due
// on which run, from when, ideally when, at the latest when, and why; pulled
// ahead of the season in which the coach is used.
//
// It is pure and imports coach, rulebook, exposure, projection, climate and row
// 0. Package reminder picks its notices from the tasks; cycle and cli call it.
package plan

import (
	"cmp"
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

// Task is something due in a window.
type Task struct {
	Kind     coach.TaskKind
	Slide    coach.SlideID
	Run      string         // a run's address, or a slide's name for work on the whole slide
	Part     coach.PartKind // what a replacement is about; "" otherwise
	Earliest civil.Date
	Target   civil.Date // when it should be done
	Latest   civil.Date
	Why      wording.Text // one or two plain sentences
	Anchor   civil.Date   // the fitting or service it counts from; part of its identity
	Mark     string       // tells tasks apart that count from the same day, such as "first"
	Ends     bool         // it makes no sense after Latest: then it is given up, not done late
	Every    int          // days after which it is due again once done; 0: it is not, or not by days
}

// MovedBy says what would move the task's dates.
func (t Task) MovedBy() string {
	switch t.Kind {
	case coach.ReplaceBulb, coach.ReplaceSeal, coach.Rebond:
		return "a reading of the part, another place, shelter or use, and the season's opening"
	case coach.Refit:
		return "the right size, or the room adjusted, and the gap measured again"
	case coach.SafetyStop:
		return "a harmless reading, or the shop's inspection or repair"
	case coach.Warranted:
		return "the warranty's dates, and an inspection while it holds"
	case coach.Exercise:
		return "running the room, or a place without frost"
	}
	switch t.Mark {
	case "":
		return "doing it, another exposure band, a part that ages faster, and the season's opening"
	case "first":
		return "an inspection after the fitting"
	case "storage", "opening":
		return "doing it, and the season's dates"
	case "migration":
		return "the day of leaving, and an inspection before it"
	default:
		return "an inspection after the day it counts from"
	}
}

// Key names the task for as long as nobody does it: same kind, same run, counted
// from the same day.
func (t Task) Key() string {
	k := string(t.Kind) + "|" + t.Run + "|" + t.Anchor.String()
	if t.Mark != "" {
		k += "|" + t.Mark
	}
	return k
}

// Setting is how a coach lives as far as planning goes.
type Setting struct {
	Band       rulebook.Band
	BandWhy    wording.Text
	Season     civil.Season
	SeasonWhy  string
	CareMonths float64           // interval of conditioning in this band, in season
	PerYear    float64           // cycles a year of each slide, at the current stay
	Frost      bool              // the winter place freezes
	Lows       [12]float64       // mean daily minimum where it stands, by month, °C
	Places     []*exposure.Place // of its stays
}

// NextOpening returns the next day on which the season opens, or 0 without one.
func (s Setting) NextOpening(on civil.Date) civil.Date {
	if s.Season.IsZero() {
		return 0
	}
	return s.Season.Opens.NextFrom(on)
}

// Ahead returns the day on which work for a need is done: some days before the
// opening of the season the need falls in or, out of season, before the next one;
// the need itself without a season.
func (s Setting) Ahead(r *rulebook.Rulebook, need civil.Date) civil.Date {
	if open := s.Season.OpeningBefore(need); open != 0 {
		return open.Add(-r.Plan.ReadyDays.Days())
	}
	return need
}

// CareDays returns the conditioning interval in days, as far as cycles allow.
func (s Setting) CareDays(r *rulebook.Rulebook) float64 {
	d := s.CareMonths * 30.4
	if n := r.Bands[s.Band].LubricateCycles.Value; n > 0 && s.PerYear > 0 {
		d = min(d, n/s.PerYear*365.25)
	}
	return max(1, d)
}

// Settle finds a coach's band and season on a day. places are the climates of
// its stays, in order. ok is false when the coach has no stay yet.
func Settle(r *rulebook.Rulebook, l projection.Life, on civil.Date) (s Setting, ok bool) {
	spans := exposure.Spans(l.Coach.Stays, on, on+400)
	if len(spans) == 0 {
		return Setting{}, false
	}
	now := spans[0].Stay
	st, place := l.Coach.Stays[now], l.Places[now]
	s.Places = l.Places
	s.PerYear = float64(st.Cycles) * 365.25
	s.Band, s.BandWhy = band(r, l.Coach.Use, &st, place)
	s.CareMonths = r.Bands[s.Band].LubricateMonths.Value
	for mo := range s.Lows {
		s.Lows[mo] = place.Normals.Months[mo].Tmin
	}
	winter := l.Places[winterStay(spans, place.Normals.Lat)]
	season, frost := winter.Normals.FrostFree()
	_, _, coldest := winter.Normals.Annual()
	s.Frost = frost || coldest < 0
	switch {
	case !l.Coach.Season.IsZero():
		s.Season, s.SeasonWhy = l.Coach.Season, "as the owner gave it"
	case frost:
		s.Season, s.SeasonWhy = season,
			"the frost-free months at "+l.Coach.Stays[winterStay(spans, place.Normals.Lat)].Site.Name
	default:
		s.SeasonWhy = "none: no frost where the coach spends the winter"
		if k := winterStay(spans, place.Normals.Lat); migrates(r, l.Coach, k) {
			w := l.Coach.Stays[k]
			s.Season = civil.Season{Opens: monthDay(w.From), Closes: monthDay(w.Until)}
			s.SeasonWhy = "the winter at " + w.Site.Name + ", as the stays say"
		}
	}
	return s, true
}

// migrates reports whether a stay is one end of a yearly migration: it has an end
// and the coach comes to it from far away.
func migrates(r *rulebook.Rulebook, c *coach.Coach, k int) bool {
	w := c.Stays[k]
	return w.Until != 0 && w.From.DaysUntil(w.Until) < 300 && k > 0 && c.Stays[k-1].Site.KM(w.Site) >= r.Shop.FarKM.Value
}

func monthDay(d civil.Date) civil.MonthDay {
	_, m, day := d.YMD()
	return civil.MonthDay{Month: m, Day: day}
}

// winterStay returns the stay that holds in the middle of the local winter.
func winterStay(spans []exposure.Span, lat float64) int {
	mid := civil.MonthDay{Month: 1, Day: 15}
	if lat < 0 {
		mid.Month = 7
	}
	d := mid.NextFrom(spans[0].From.Day)
	for _, s := range spans {
		if s.From.Day <= d && d < s.Until.Day {
			return s.Stay
		}
	}
	return spans[len(spans)-1].Stay
}

// band returns the exposure band of a stay and why.
func band(r *rulebook.Rulebook, use coach.Use, st *coach.Stay, p *exposure.Place) (rulebook.Band, wording.Text) {
	b := r.BandRules
	sun, hottest, coldest := p.Normals.Annual()
	switch {
	case use == coach.Rental || use == coach.FullTime:
		return "E", wording.Say("rented or lived in all year")
	case st.Shelter == coach.Indoor:
		return "A", wording.Say("it stands indoors")
	case st.Shelter == coach.Open && st.Coastal:
		return "D", wording.Say("salt air on the coast")
	case st.Shelter == coach.Open && sun >= b.HighSun.Value:
		return "D", wording.Say("%.0f MJ/m² of sun a year", sun)
	case st.Shelter == coach.Open && hottest >= b.Hot.Value:
		return "D", wording.Say("summer days of %s", degrees(hottest))
	case st.Shelter == coach.Open && st.Site.Elev >= b.High.Value:
		return "D", wording.Say("%.0f m above the sea", st.Site.Elev)
	case st.Shelter == coach.Open && coldest <= b.Freezing.Value:
		return "C", wording.Say("winter nights of %s", degrees(coldest))
	default:
		return "B", wording.Say("covered, or a mild climate")
	}
}

// degrees says a temperature to people of both scales.
func degrees(c float64) string { return fmt.Sprintf("%.0f °C (%.0f °F)", c, c*1.8+32) }

// planner carries what every task needs.
type planner struct {
	rules *rulebook.Rulebook
	coach *coach.Coach
	set   Setting
	on    civil.Date
	tasks []Task
}

// Make returns the next task of every kind that a coach has, ordered by target.
func Make(r *rulebook.Rulebook, c *coach.Coach, s Setting, forecasts []projection.Forecast, on civil.Date) []Task {
	p := &planner{rules: r, coach: c, set: s, on: on}
	stopped := p.stops()
	p.migration()
	p.replacements(slices.DeleteFunc(slices.Clone(forecasts), func(f projection.Forecast) bool {
		return stopped[f.Slide]
	}))
	for i := range c.Slides {
		if !stopped[c.Slides[i].ID] {
			p.slide(&c.Slides[i], forecasts)
		}
	}
	slices.SortStableFunc(p.tasks, func(a, b Task) int {
		return cmp.Or(cmp.Compare(a.Target, b.Target), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Run, b.Run))
	})
	return slices.CompactFunc(p.tasks, func(a, b Task) bool { // two events of one kind and day ask for the same look
		return a.Target == b.Target && a.Kind == b.Kind && a.Run == b.Run && a.Anchor == b.Anchor && a.Mark == b.Mark
	})
}

// stops adds the one task of each slide that a reading has put on hold; all other
// tasks of such a slide are silent until it is settled.
func (p *planner) stops() map[coach.SlideID]bool {
	stopped := map[coach.SlideID]bool{}
	for i := range p.coach.Slides {
		s := &p.coach.Slides[i]
		r, ok := p.coach.DangerOn(s.ID, p.on)
		if !ok {
			continue
		}
		stopped[s.ID] = true
		// Light alone is told mildly. With a graver danger beside it the stop is another task,
		// or whoever was told of the light that day would count as told of both.
		mark, light := "", func(r coach.Reading) bool { return r.Kind == coach.Light }
		open := p.coach.DangersOn(s.ID, p.on)
		if rest := slices.DeleteFunc(slices.Clone(open), light); len(rest) > 0 && len(rest) < len(open) {
			mark = "graver"
		}
		p.tasks = append(p.tasks, Task{Kind: coach.SafetyStop, Slide: s.ID, Run: string(s.ID), Anchor: r.Day, Mark: mark,
			Earliest: r.Day, Target: p.on, Latest: p.on,
			Why: wording.Say("On %[1]s somebody saw %[2]s. That can do harm: "+
				"do not use this slide-out until the shop clears it.", r.Day, dangerWords[r.Kind])})
	}
	return stopped
}

var dangerWords = map[coach.ReadingKind]wording.Text{coach.Light: wording.Say("light through the seal"),
	coach.HoseTest:  wording.Say("water coming through"),
	coach.SoftFloor: wording.Say("a floor that gives at the slide-out's edge")}

// last returns the latest day on which a kind of service was done on a run, and
// whether there was one.
func (p *planner) last(kind coach.TaskKind, slide coach.SlideID, run string) (civil.Date, bool) {
	var day civil.Date
	for i := range p.coach.Services {
		s := &p.coach.Services[i]
		same := s.Kind == kind || (kind == coach.Lubricate && s.Kind == coach.Clean)
		if same && s.Day <= p.on && s.Day > day && (run == "" && (s.Slide == "" || s.Slide == slide) || run != "" &&
			s.Covers(slide, run)) {
			day = s.Day
		}
	}
	return day, day != 0
}
