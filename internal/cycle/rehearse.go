package cycle

import (
	"runtime"
	"slices"
	"strings"
	"sync"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
)

// Assume is what a rehearsal takes people to do after a message.
type Assume string

// The assumptions: everybody does what was asked by its target, or nobody does
// anything.
const (
	AllDone Assume = "done"
	Nothing Assume = "nothing"
)

// Rehearsed is a notice of a rehearsal with the day it would be made.
type Rehearsed struct {
	Day    civil.Date
	Notice reminder.Notice
}

// Call is a person who would come on the shop's call list, and why.
type Call struct {
	Day     civil.Date
	Coach   coach.ID
	Person  string // as coach.Person.Ref names them; "": nobody is on record
	Phone   string
	TaskKey string
	Reason  string // a reminder.Reason, or "safety_stop"
}

// Rehearsal is what would happen over some days.
type Rehearsal struct {
	Notices []Rehearsed
	Calls   []Call
	Reasons map[reminder.Reason]int // how often each reason kept a message back
}

// Rehearse plays the days from one to another, both included. Nothing is stored
// or sent, and the snapshot is not changed. Coaches do not influence each
// other, so they are played side by side; the result's order is fixed.
func Rehearse(t Tools, in Snapshot, until civil.Date, assume Assume) Rehearsal {
	plays := make([]Rehearsal, len(in.Members))
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	for i := range in.Members {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			plays[i] = t.play(in, in.Members[i], until, assume)
		})
	}
	wg.Wait()
	all := Rehearsal{Reasons: map[reminder.Reason]int{}}
	for _, p := range plays {
		all.Notices, all.Calls = append(all.Notices, p.Notices...), append(all.Calls, p.Calls...)
		for k, n := range p.Reasons {
			all.Reasons[k] += n
		}
	}
	slices.SortStableFunc(all.Notices, func(a, b Rehearsed) int { return int(a.Day - b.Day) })
	slices.SortStableFunc(all.Calls, func(a, b Call) int { return int(a.Day - b.Day) })
	return all
}

// play is the rehearsal of one coach.
func (t Tools) play(in Snapshot, m Member, until civil.Date, assume Assume) Rehearsal {
	p := Rehearsal{Reasons: map[reminder.Reason]int{}}
	called := map[string]bool{}
	m.Coach = clone(m.Coach)
	m.Past, m.Answers = slices.Clone(m.Past), slices.Clone(m.Answers)
	due := map[civil.Date][]reminder.Notice{}
	for ; in.Today <= until; in.Today++ {
		for _, n := range due[in.Today] {
			m.do(n, in.Today)
		}
		delete(due, in.Today)
		o := t.coach(&in, &m)
		for i := range o.Tasks {
			p.Calls = append(p.Calls, m.stopCalls(in.Today, &o.Tasks[i], called)...)
		}
		for _, s := range o.Suppressed {
			p.Reasons[s.Reason]++
			if who := s.Person + "|" + s.TaskKey; s.Reason.Calls() && !called[who] {
				called[who] = true
				p.Calls = append(p.Calls, Call{in.Today, s.Coach, s.Person, m.phone(s.Person), s.TaskKey, string(s.Reason)})
			}
		}
		for _, n := range o.Notices {
			p.Notices = append(p.Notices, Rehearsed{in.Today, n})
			m.Past = append(m.Past, reminder.Past{Person: n.Person, Task: n.Task, Covers: n.Covers, TaskKey: n.TaskKey,
				Day: in.Today})
			if assume == AllDone {
				day := max(n.Target, in.Today+3)
				due[day] = append(due[day], n)
				for _, key := range n.Covers { // it is arranged: nobody is asked again before that day
					taskKey, _, _ := strings.Cut(key, "#")
					m.Answers = append(m.Answers, reminder.Answer{TaskKey: taskKey, Kind: reminder.Later, Day: in.Today,
						Until: day + 1})
				}
			}
		}
	}
	return p
}

// phone returns the number of one of a coach's people.
func (m *Member) phone(person string) string {
	for _, p := range m.Coach.People {
		if p.Ref() == person {
			return p.Phone
		}
	}
	return ""
}

// stopCalls returns the calls of a safety stop, one for each of the coach's people, or one
// for nobody when none is on record. They are made whether a message leaves or not.
func (m *Member) stopCalls(on civil.Date, t *plan.Task, called map[string]bool) (out []Call) {
	if t.Kind != coach.SafetyStop {
		return nil
	}
	people := m.Coach.People
	if len(people) == 0 {
		people = []coach.Person{{}}
	}
	for _, p := range people {
		if who := p.Ref() + "|" + t.Key(); !called[who] {
			called[who] = true
			out = append(out, Call{on, m.Coach.ID, p.Ref(), p.Phone, t.Key(), string(coach.SafetyStop)})
		}
	}
	return out
}

// do plays that everything a notice named was done on a day.
func (m *Member) do(n reminder.Notice, day civil.Date) {
	for i := range m.Past {
		if m.Past[i].TaskKey == n.TaskKey {
			m.Past[i].Answered = true
		}
	}
	for _, key := range n.Covers {
		kind := coach.TaskKind(key[:strings.IndexByte(key, '|')])
		_, run, ok := reminder.Covered(key, kind)
		if !ok {
			continue
		}
		for i := range m.Coach.Slides {
			s := &m.Coach.Slides[i]
			// the shop looks, and it is well again
			if danger, held := m.Coach.DangerOn(s.ID, day); held && kind == coach.SafetyStop && run == string(s.ID) {
				m.Coach.Readings = append(m.Coach.Readings, coach.Reading{Day: day, Slide: s.ID, Run: danger.Run, Kind: danger.Kind,
					By: "shop"})
			} else if run == string(s.ID) {
				m.Coach.Services = append(m.Coach.Services, coach.Service{Day: day, Kind: kind, Slide: s.ID, By: "shop"})
			}
			for j := range s.Runs {
				if r := &s.Runs[j]; s.Address(*r) == run {
					m.Coach.Services = append(m.Coach.Services, coach.Service{Day: day, Kind: kind, Slide: s.ID, Run: r.Key(),
						By: "shop"})
					renew(r, kind, day)
				}
			}
		}
	}
}

// renew fits new parts of the same kind on a day, as a replacement would.
func renew(r *coach.Run, k coach.TaskKind, day civil.Date) {
	switch k {
	case coach.ReplaceSeal:
		r.Fitted = day
	case coach.Refit: // the right size: what was measured holds no more
		r.Fitted, r.FreeHeight = day, 0
	case coach.ReplaceBulb, coach.Rebond:
	default:
		return
	}
	for i := range r.Parts {
		p := &r.Parts[i]
		if k == coach.ReplaceBulb && p.Kind != coach.Bulb || k == coach.Rebond && p.Kind != coach.Adhesive {
			continue
		}
		p.Fitted = day
	}
}

// clone copies what a rehearsal changes.
func clone(c coach.Coach) coach.Coach {
	c.Services, c.Readings = slices.Clone(c.Services), slices.Clone(c.Readings)
	c.Slides = slices.Clone(c.Slides)
	for i := range c.Slides {
		c.Slides[i].Runs = slices.Clone(c.Slides[i].Runs)
		for j := range c.Slides[i].Runs {
			c.Slides[i].Runs[j].Parts = slices.Clone(c.Slides[i].Runs[j].Parts)
		}
	}
	return c
}
