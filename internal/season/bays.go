package season

import (
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/level"
)

// week returns the number of a day's week; below 0 before the plan.
func (m *maker) week(d civil.Date) int { return int(d.Monday()-m.monday) / 7 }

// pins gives drafts the days that people fixed, agreed or planned: each pin goes to the visit of its
// coach whose window is nearest and that has no pin yet.
func (m *maker) pins(drafts []draft) {
	pins := slices.Clone(m.Shop.Pins)
	slices.SortStableFunc(pins, func(a, b coach.Pin) int { // what was agreed has the first choice of a coach's visits
		switch {
		case a.Planned == b.Planned:
			return 0
		case b.Planned:
			return -1
		}
		return 1
	})
	for _, p := range pins {
		if p.Day < m.On || p.Day >= m.end {
			m.problem("%s on %s: the appointment is outside the plan (%s to %s) and was left out", p.Coach, p.Day, m.On, m.end-1)
			continue
		}
		best, far := -1, 0
		for i := range drafts {
			d := &drafts[i]
			if d.Coach != p.Coach || d.pin != 0 || d.Partner != "" || p.Task != "" && !slices.ContainsFunc(d.tasks,
				func(w want) bool {
					return w.Kind == p.Task
				}) {
				continue
			}
			away := max(0, p.Day.DaysUntil(d.First), d.Latest.DaysUntil(p.Day))
			if best < 0 || away < far {
				best, far = i, away
			}
		}
		if best < 0 {
			m.problem("%s on %s: the coach has no work in this plan that is not on an appointment already",
				p.Coach, p.Day)
			continue
		}
		d := &drafts[best]
		d.pin, d.Pinned, d.Chosen = p.Day, !p.Planned, p.Planned
		last := m.leaves(p.Day, d.High, 0)
		switch {
		case let(d.member.Coach, p.Day, last):
			m.problem("%s on %s: the coach is rented out on a day before %s, when the work would end; the appointment stays",
				p.Coach,
				p.Day, last)
		case !m.Shop.Opens(p.Day.Weekday()):
			m.problem("%s on %s: no work begins on a %s; the appointment stays", p.Coach, p.Day, p.Day.Weekday())
		case p.Day < d.First:
			m.problem("%s on %s: no work is due, or its parts are not there, before %s; the appointment stays", p.Coach, p.Day,
				d.First)
		}
	}
}

func (m *maker) problem(format string, a ...any) {
	m.out.Problems = append(m.out.Problems, fmt.Sprintf(format, a...))
}

// level gives every draft a week and a day.
func (m *maker) level(drafts []draft) {
	var mine []draft
	for _, d := range drafts {
		if d.Partner != "" {
			d.Day = d.days[0]
			m.finish(&d)
			m.out.Elsewhere = append(m.out.Elsewhere, d.Visit)
			continue
		}
		mine = append(mine, d)
	}
	room := m.room()
	for i := range mine {
		mine[i].keep()
	}
	jobs := make([]level.Job, len(mine))
	for i := range mine {
		jobs[i] = m.job(&mine[i], room)
	}
	answer := level.Make(jobs, room)
	m.out.LateWeeks = answer.Late
	for w := range room {
		m.out.Bays = append(m.out.Bays, Bay{Week: m.monday.Add(7 * w), Load: answer.Load[w], Capacity: room[w]})
	}
	busy := map[civil.Date]float64{}
	joined := m.joinLate(mine, answer.Week)
	for i := range mine {
		d := &mine[i]
		if joined[i] {
			continue
		}
		if w := m.week(d.Best); w >= 0 && w < m.Weeks {
			for k, h := range d.Need {
				m.out.Bays[w].Before[k] += h
			}
		}
		m.place(d, answer.Week[i], busy)
		m.finish(d)
		m.out.Visits = append(m.out.Visits, d.Visit)
	}
	m.moves(mine, answer.Moves)
	m.shortages(mine, jobs, room)
}

// joinLate puts a visit that the levelling made late into the next one of its coach
// when that comes within a fortnight and its week has the hours. It returns which
// drafts are gone that way.
func (m *maker) joinLate(ds []draft, weeks []int) map[int]bool {
	gone := map[int]bool{}
	for i := 0; i+1 < len(ds); i++ {
		a, b, w := &ds[i], &ds[i+1], weeks[i+1]
		if a.Coach != b.Coach || weeks[i] < 0 || w < weeks[i] || 7*(w-weeks[i]) > closeDays || weeks[i] <= m.week(a.Latest) ||
			a.pin != 0 || b.pin != 0 {
			continue
		}
		both, ok := m.both(a, b, nil, a.all)
		if !ok || m.week(both.First) > w || !slices.ContainsFunc(both.days, func(d civil.Date) bool {
			return m.week(d) == w
		}) {
			continue
		}
		from, to := &m.out.Bays[weeks[i]], &m.out.Bays[w]
		after := to.Load
		add(&after, b.Need, -1)
		if w == weeks[i] {
			add(&after, a.Need, -1)
		}
		add(&after, both.Need, 1)
		if to.Full(after) > max(1, to.Full(to.Load))+1e-9 {
			continue
		}
		if w != weeks[i] {
			add(&from.Load, a.Need, -1)
		}
		to.Load = after
		both.Day, both.Best = b.Day, min(a.Best, b.Best)
		ds[i+1] = both
		gone[i] = true
	}
	return gone
}

func add(h *level.Hours, o level.Hours, sign float64) {
	for k := range h {
		h[k] = max(0, h[k]+sign*o[k])
	}
}

// room returns the hours of each week.
func (m *maker) room() []level.Hours {
	room := make([]level.Hours, m.Weeks)
	for w := range room {
		for k, s := range coach.Skills {
			room[w][k] = max(0, m.Shop.HoursOf(s, m.monday.Add(7*w), m.Rules.Shop.Hours(s)))
		}
	}
	return room
}

// heldKey names the work that an earlier plan gave days to.
type heldKey struct {
	coach coach.ID
	kind  coach.TaskKind
	run   string
}

// remember lists the days that an earlier plan gave each work, in order; past ones
// and visits without room are left out.
func (m *maker) remember() {
	for _, v := range m.Last {
		for _, t := range v.Tasks {
			k := heldKey{v.Coach, t.Kind, t.Run}
			switch {
			case v.Unplaced:
			case v.Day < m.On:
				m.gone[k] = max(m.gone[k], v.Day)
			default:
				m.held[k] = append(m.held[k], v.Day)
			}
		}
	}
	for _, days := range m.held {
		slices.Sort(days)
	}
}

// keep gives a draft the day that most of its tasks had in the earlier plan.
func (d *draft) keep() {
	count := map[civil.Date]int{}
	for _, w := range d.tasks {
		if w.held == 0 {
			continue
		}
		if count[w.held]++; d.Day == 0 || count[w.held] > count[d.Day] || count[w.held] == count[d.Day] && w.held < d.Day {
			d.Day = w.held
		}
	}
}

// job is a draft as the levelling sees it. A visit that needs more hours of a
// skill than any week has fills its best week; the sheet tells how long it is.
func (m *maker) job(d *draft, room []level.Hours) level.Job {
	j := level.Job{Need: d.Need, Due: m.week(d.Latest), Best: m.week(d.Best), Pin: -1, Was: -1}
	if d.pin != 0 {
		j.Pin = m.week(d.pin)
	}
	if d.Day != 0 {
		j.Was = m.week(d.Day)
	}
	for k := range j.Need {
		most := 0.0
		for w := range room {
			most = max(most, room[w][k])
		}
		if j.Need[k] > most && most > 0 {
			m.problem("%s needs about %.1f hours of %s, more than any week has (%.1f): it is planned as one full week and "+
				"will take longer", d.Coach, j.Need[k], coach.Skills[k], most)
			j.Need[k] = most
		}
	}
	for _, day := range d.days {
		w := m.week(day)
		if n := len(j.Open); n > 0 && j.Open[n-1].Last >= w-1 {
			j.Open[n-1].Last = w
		} else {
			j.Open = append(j.Open, level.Span{First: w, Last: w})
		}
	}
	return j
}

// place chooses the day in a week: one within the visit's window, if there is one,
// the least busy first.
func (m *maker) place(d *draft, w int, busy map[civil.Date]float64) {
	if d.pin != 0 {
		d.Day = d.pin
		busy[d.Day] += d.Need.Sum()
		return
	}
	if w < 0 {
		d.Unplaced, d.Day = true, m.end
		for _, day := range d.days {
			if day >= m.end {
				d.Day = day
				break
			}
		}
		return
	}
	was := d.Day
	best := civil.Date(0)
	from, _ := slices.BinarySearch(d.days, m.monday.Add(7*w))
	for _, day := range d.days[from:] {
		if m.week(day) != w {
			break
		}
		if day == was && m.week(was) == w && (day <= d.Latest || best == 0) {
			best = day
			break
		}
		if best == 0 || best > d.Latest && day <= d.Latest || (day <= d.Latest) == (best <= d.Latest) &&
			busy[day] < busy[best] {
			best = day
		}
	}
	d.Day = best
	busy[best] += d.Need.Sum()
}

// finish dates what hangs on a visit's day and notes what is late.
func (m *maker) finish(d *draft) {
	d.BookBy = max(m.On, d.Day.Add(-shop(m.Shop.Book, m.Rules.Shop.Book)))
	for _, w := range d.tasks {
		if adhesive(d.member.Coach, w.Task) {
			d.CureUntil = m.leaves(d.Day, d.High, m.cureDays())
		}
		if d.Day <= w.Latest && !d.Unplaced {
			continue
		}
		why := w.missed
		switch {
		case d.Unplaced && why != "":
		case d.Unplaced:
			why = "no week of the plan has room for it"
			for k, n := range d.Need {
				if n > 0 && m.Rules.Shop.Hours(coach.Skills[k]) > 0 && !m.any(k) {
					why = "the shop has no hours for " + string(coach.Skills[k])
				}
			}
		case why == "" && d.pin != 0:
			why = "its day was chosen"
		case why == "":
			why = "the weeks up to its latest day are full"
		}
		m.out.Late = append(m.out.Late, Late{d.Coach, w.Task, d.Day, w.Latest.DaysUntil(d.Day), why})
	}
}

// any reports whether any week has hours of a skill.
func (m *maker) any(skill int) bool {
	return slices.ContainsFunc(m.out.Bays, func(b Bay) bool { return b.Capacity[skill] > 0 })
}

// moves tells which visits left their week, and which came back because their day
// passed and nobody said that the work was done.
func (m *maker) moves(drafts []draft, moves []level.Move) {
	for i := range drafts {
		d := &drafts[i]
		for _, w := range d.tasks {
			if day := m.gone[heldKey{d.Coach, w.Kind, w.Run}]; day != 0 && w.held == 0 && w.Anchor < day {
				m.out.Moves = append(m.out.Moves,
					Move{d.Coach, day.Monday(), d.Day, "its day, " + day.String() + ", passed and nobody recorded the work as done"})
				break
			}
		}
	}
	for _, v := range moves {
		d := &drafts[v.Job]
		why := "its earlier week has not the hours for it any more, or is closed to it"
		switch {
		case d.pin != 0:
			why = "its day was chosen"
		case v.For >= 0:
			why = "to make room for " + string(drafts[v.For].Coach)
		case m.monday.Add(7*v.From+6) < d.First:
			why = "nothing is due, or possible, before " + d.First.String()
		}
		m.out.Moves = append(m.out.Moves, Move{d.Coach, m.monday.Add(7 * v.From), d.Day, why})
	}
}

// shortages names the weeks that cannot carry what must lie in them, and who
// could come earlier.
func (m *maker) shortages(drafts []draft, jobs []level.Job, room []level.Hours) {
	for _, s := range level.Short(jobs, room) {
		o := Short{First: m.monday.Add(7 * s.First), Last: m.monday.Add(7 * s.Last), Skill: coach.Skills[s.Skill],
			Need: s.Need, Room: s.Room}
		for i := range jobs {
			d := &drafts[i]
			w := m.week(d.First)
			earliest := m.On
			for _, t := range d.tasks {
				earliest = max(earliest, t.Earliest, m.On.Add(shop(m.Shop.Notice, m.Rules.Shop.Notice)),
					m.On.Add(m.partsWait(d.member, t.Task)))
			}
			if earliest = from(d.all, earliest); earliest == 0 {
				continue
			}
			if jobs[i].Need[s.Skill] > 0 && w >= s.First && w <= s.Last && m.week(earliest) < s.First &&
				!slices.Contains(o.Earlier, d.Coach) {
				o.Earlier = append(o.Earlier, d.Coach)
			}
		}
		m.out.Short = append(m.out.Short, o)
	}
}
