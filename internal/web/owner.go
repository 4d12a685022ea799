package web

import (
	"html/template"
	"net/http"
	"slices"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/plan"
	"sealmanac/internal/wording"
)

type ownerData struct {
	desk.OwnerPage
	Next     []ownerTask
	Slides   []slideView
	Past     []past
	Allow    []string
	Never    []string
	QR       template.HTML
	Cautions []string
}

type ownerTask struct {
	Title, When, Why string
	Where            []string
	How              []string
	Cautions         []string
	Minutes          string
	Asked            bool // the newest message is about it
	Shop             bool // the shop does it: booking comes first
}

// owner is the page of a coach's people, by a signed link.
func (s *Site) owner(r *http.Request) (view, error) {
	d, err := s.ownerData(r)
	return view{page: "owner", title: d.Coach.Name(), data: d, words: orEnglish(d.Words), bare: true}, err
}

func orEnglish(w *wording.Words) *wording.Words {
	if w == nil {
		return &wording.Words{Language: wording.English}
	}
	return w
}

func (s *Site) ownerData(r *http.Request) (d ownerData, err error) {
	p, err := s.Desk.OwnerPage(r.Context(), r.PathValue("token"))
	if err != nil {
		return d, err
	}
	d.OwnerPage = p
	w := p.Words
	told := map[coach.TaskKind]bool{}
	if p.Newest != nil && !slices.ContainsFunc(p.Outcome.Tasks, func(t plan.Task) bool { return t.Key() == p.Newest.TaskKey }) {
		d.Actions = nil // what the message asked for is settled
	}
	for _, t := range p.Outcome.Tasks {
		if told[t.Kind] || len(d.Next) == 3 || t.Target > p.Today+400 {
			continue
		}
		told[t.Kind] = true
		o := d.task(t)
		for _, same := range p.Outcome.Tasks { // one visit to the shelf, one task
			if at := edge(same.Run); same.Kind == t.Kind && same.Target == t.Target && !slices.Contains(o.Where, at) {
				o.Where = append(o.Where, at)
			}
		}
		o.Asked = d.Actions != nil && t.Key() == p.Newest.TaskKey
		d.Next = append(d.Next, o)
	}
	u := p.Person.Units
	view := coachData{CoachPage: p.CoachPage}
	for i := range p.Coach.Slides {
		d.Slides = append(d.Slides, view.slide(&p.Coach.Slides[i], u))
	}
	view.history()
	d.Past = view.Past
	var ms []coach.Material
	for _, sl := range p.Coach.Slides {
		for _, run := range sl.Runs {
			for _, part := range run.Parts {
				if part.Kind != coach.Carrier && part.Kind != coach.Adhesive {
					ms = append(ms, part.Material)
				}
			}
		}
	}
	d.Allow, d.Never = p.Rules.CareLists(ms)
	for _, l := range [][]string{d.Allow, d.Never} {
		for i := range l {
			l[i] = w.T(l[i])
		}
	}
	for _, c := range []string{"makers", "moving_room", "ladder", "solvents", "ice"} {
		d.Cautions = append(d.Cautions, w.T(p.Rules.Cautions[c]))
	}
	return d, nil
}

func (d *ownerData) task(t plan.Task) ownerTask {
	w, rule := d.Words, d.Rules.Tasks[t.Kind]
	o := ownerTask{Title: w.T(rule.Title), Shop: rule.Shop, Where: []string{edge(t.Run)}, When: w.T("by %s", t.Target), Why: t.Why.In(w), Minutes: w.T("%[1]d to %[2]d minutes a slide", rule.Minutes[0], rule.Minutes[1])}
	if t.Target < d.Today {
		o.When = w.T("now (it was due on %s)", t.Target)
	}
	for _, h := range rule.How {
		o.How = append(o.How, w.T(h))
	}
	for _, c := range rule.Cautions {
		o.Cautions = append(o.Cautions, w.T(d.Rules.Cautions[c]))
	}
	return o
}

// card is the care card of a coach, for its wall: what to put on the seals, what never,
// and a code that opens the page.
func (s *Site) card(r *http.Request) (view, error) {
	d, err := s.ownerData(r)
	if err != nil {
		return view{}, err
	}
	if d.QR, err = code(d.Link); err != nil {
		return view{}, err
	}
	return view{page: "card", title: d.Coach.Name(), data: d, words: orEnglish(d.Words), bare: true}, nil
}
