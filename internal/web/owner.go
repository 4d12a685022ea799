package web

import (
	"html/template"
	"net/http"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/wording"
)

type ownerData struct {
	desk.OwnerPage
	Told     []string // what its people said of the coach, or of what is not due any more
	Next     []ownerTask
	Slides   []slideView
	Past     []happening
	Allow    []string
	Never    []string
	QR       template.HTML
	Cautions []string
}

type ownerTask struct {
	Title, When, Why string
	Where            string
	How              []string
	Cautions         []string
	Minutes          string
	Told             string // what its people said about it
	Asked            bool   // the newest message is about it
	Shop             bool   // the shop does it: booking comes first
	Danger           bool   // it is neither done by a word nor put off
}

// owner is the page of a coach's people, by a signed link.
func (s *Site) owner(r *http.Request) (view, error) {
	d, err := s.ownerData(r)
	if err == nil && d.Sold() {
		return soldPage(d.OwnerPage), nil
	}
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
	if d.OwnerPage = p; p.Sold() {
		return d, nil
	}
	w := p.Words
	told := map[coach.TaskKind]bool{}
	if p.Newest != nil && !slices.ContainsFunc(p.Outcome.Tasks, func(t plan.Task) bool {
		return t.Key() == p.Newest.TaskKey
	}) {
		d.Actions = nil // what the message asked for is settled
	}
	for _, t := range p.Outcome.Tasks {
		if told[t.Kind] || len(d.Next) == 3 || t.Target > p.Today+400 {
			continue
		}
		told[t.Kind] = true
		o := d.task(t)
		var all []*plan.Task
		for i := range p.Outcome.Tasks { // one visit to the shelf, one task
			same := &p.Outcome.Tasks[i]
			if same.Kind == t.Kind && same.Target == t.Target && !slices.ContainsFunc(all, func(x *plan.Task) bool {
				return x.Run == same.Run
			}) {
				all = append(all, same)
			}
		}
		o.Where = reminder.Where(w, &p.Coach, all)
		quiet := false
		o.Told, quiet = d.told(t)
		o.Asked = d.Actions != nil && t.Key() == p.Newest.TaskKey && !quiet
		o.Danger = t.Kind == coach.SafetyStop
		d.Next = append(d.Next, o)
	}
	d.Told = d.others()
	u := p.Person.Units
	view := coachData{CoachPage: p.CoachPage, Words: w}
	for i := range p.Coach.Slides {
		d.Slides = append(d.Slides, view.slide(&p.Coach.Slides[i], u))
	}
	d.Past = happened(w, &p.Coach)
	d.Allow, d.Never = p.Rules.CareLists(p.Coach.Materials())
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

// soldPage is what remains of the page of a coach that was sold.
func soldPage(p desk.OwnerPage) view {
	q := desk.Question{Account: p.Account, Words: p.Words, Sold: p.Coach.Sold, Undo: p.Undo}
	return ended(q)
}

// answerWords say what somebody answered; %s is a day.
func answerWords(a desk.Said) wording.Text {
	on := wording.Date{Day: a.Day}
	switch {
	case a.Kind == reminder.Book && a.Task == coach.BookedVisit:
		return wording.Say("You asked for another day on %s.", on)
	case a.Kind == reminder.Book:
		return wording.Say("You asked for an appointment on %s.", on)
	case a.Kind == reminder.Done && desk.Care(a.Task):
		return wording.Say("You told us on %s that it was done.", on)
	case a.Kind == reminder.Done:
		return wording.Say("You told us on %s that it was done. The shop still has to confirm it.", on)
	case a.Kind == reminder.Later:
		return wording.Say("You asked us to remind you again after %s.", wording.Date{Day: a.Until})
	}
	return wording.Say(
		"You told us on %[1]s that it stands in %[2]s now. The shop still has to accept the place.",
		on,
		a.Place,
	)
}

// told returns what was answered about a task last, and whether that answers it for now.
func (d *ownerData) told(t plan.Task) (words string, quiet bool) {
	for _, a := range d.Said { // the newest first
		if a.TaskKey != t.Key() {
			continue
		}
		waits := a.Kind == reminder.Done || a.Kind == reminder.Later && d.Today < a.Until ||
			a.Kind == reminder.Book && d.Today < a.Day.Add(d.Rules.Manners.BookingDays)
		return answerWords(a).In(d.Words), waits && t.Kind != coach.SafetyStop
	}
	return "", false
}

// others returns what was answered that no task shown speaks of, each kind of work once.
func (d *ownerData) others() (out []string) {
	for _, a := range d.Said {
		words := answerWords(a).In(d.Words)
		if a.Task != "" {
			if slices.ContainsFunc(d.Outcome.Tasks, func(t plan.Task) bool { return t.Key() == a.TaskKey }) {
				continue
			}
			if work := reminder.WorkWords[a.Task]; !work.IsZero() {
				words = d.Words.T("%[1]s: %[2]s", work, words)
			}
		}
		if !slices.Contains(out, words) {
			out = append(out, words)
		}
	}
	return out
}

func (d *ownerData) task(t plan.Task) ownerTask {
	w, rule := d.Words, d.Rules.Tell(t.Kind, d.Coach.Materials()) // the page lists what may touch all seals of the coach
	if t.Kind == coach.SafetyStop {
		rule = reminder.StopRule(rule, &d.Coach, []coach.SlideID{t.Slide}, d.Today)
	}
	o := ownerTask{Title: w.T(rule.Title), Shop: rule.Shop, When: w.T("by %s", t.Target), Why: t.Why.In(w),
		Minutes: w.T("%[1]d to %[2]d minutes a slide", rule.Minutes[0], rule.Minutes[1])}
	if t.Kind == coach.SafetyStop {
		o.When = w.T("now")
	} else if t.Target < d.Today {
		o.When = w.T("now (it was due on %s)", t.Target)
	}
	for _, h := range rule.How {
		o.How = append(o.How, w.T(h.Text))
	}
	for _, c := range rule.Cautions {
		o.Cautions = append(o.Cautions, w.T(d.Rules.Cautions[c]))
	}
	return o
}

// happening is something that happened to a coach, in its people's language.
type happening struct {
	Day         civil.Date
	What, Where string
}

// happened says what is on record, the newest first.
func happened(w *wording.Words, c *coach.Coach) (out []happening) {
	for _, s := range c.Services {
		out = append(out, happening{s.Day, reminder.WorkWords[s.Kind].In(w), reminder.Place(w, c, s.Slide, s.Run)})
	}
	for _, r := range c.Readings {
		value := intake.ReadingText(r)
		if v, word := valueWords[value]; word {
			value = v.In(w)
		}
		out = append(out, happening{r.Day, w.T("%[1]s: %[2]s", readingWords[r.Kind], value),
			reminder.Place(w, c, r.Slide, r.Run)})
	}
	for _, e := range c.Events {
		out = append(out, happening{e.Day, eventWords[e.Kind].In(w), reminder.Place(w, c, e.Slide, "")})
	}
	slices.SortStableFunc(out, func(a, b happening) int { return int(b.Day - a.Day) })
	return out
}

// readingWords and eventWords say what was measured and what happened; valueWords are
// the readings that are not numbers.
var (
	readingWords = map[coach.ReadingKind]wording.Text{
		coach.BulbHeight: wording.Say("Height of the bulb"), coach.ClosedGap: wording.Say("Closed gap"),
		coach.ShoreA: wording.Say("Hardness, Shore A"), coach.CrackGrade: wording.Say("Cracks, 0 to 4"),
		coach.LipThickness: wording.Say("Thickness of the lip"), coach.LiftedEdge: wording.Say("Edge that lifts"),
		coach.Flip: wording.Say("Places where the wiper stays rolled"), coach.PaperStrip: wording.Say("Paper strip"),
		coach.Light: wording.Say("Light through the seal"), coach.HoseTest: wording.Say("Hose test"),
		coach.SoftFloor: wording.Say("Soft floor"),
	}
	eventWords = map[coach.EventKind]wording.Text{
		coach.Hail: wording.Say("Hail"), coach.Storm: wording.Say("Storm"), coach.Freeze: wording.Say("Ice on a room"),
		coach.Flood: wording.Say("Flood"), coach.TopperWork: wording.Say("Work on the topper"),
	}
	valueWords = map[string]wording.Text{
		"slides": wording.Say("slides"), "holds": wording.Say("holds"), "no": wording.Say("no"), "yes": wording.Say("yes"),
		"dry": wording.Say("dry"), "damp": wording.Say("damp"), "drip": wording.Say("drips"), "run": wording.Say("runs"),
	}
)

// card is the care card of a coach, for its wall: what to put on the seals, what never,
// and a code that opens the page.
func (s *Site) card(r *http.Request) (view, error) {
	d, err := s.ownerData(r)
	if err != nil {
		return view{}, err
	}
	if d.Sold() {
		return soldPage(d.OwnerPage), nil
	}
	if d.QR, err = code(d.Link); err != nil {
		return view{}, err
	}
	return view{page: "card", title: d.Coach.Name(), data: d, words: orEnglish(d.Words), bare: true}, nil
}
