package web

import (
	"html/template"
	"net/http"
	"slices"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/season"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

type coachData struct {
	desk.CoachPage
	Words     *wording.Words // nil: English
	State     string
	Slides    []slideView
	Timeline  template.HTML
	Tasks     []taskGroup
	Later     []taskGroup // aimed at more than three years ahead
	Past      []past
	Season    string
	BandName  string
	May       bool
	OwnerLink string
	Units     unit.System
	Pictures  []picture
	Kinds     []coach.TaskKind
	TodayText string
	Linked    bool  // pictures lead to the table
	Now       int64 // microseconds since 1970
	Misfits   []string
}

type slideView struct {
	coach.Slide
	Called  string // its name in the reader's language
	Picture template.HTML
	Rows    []partRow
	Danger  string
	// Messages tell its people of the danger.
	Messages []stopMessage
}

// stopMessage is a message about a danger; it waits while the shop may still choose to
// call instead.
type stopMessage struct {
	desk.NoticeRow
	Waits bool
}

type partRow struct {
	projection.Forecast
	Edge    string
	Squeeze string
	Lot     string
}

// taskGroup are tasks of one kind aimed at one day.
type taskGroup struct {
	plan.Task
	Where   []string
	Overdue bool
}

// groupTasks puts tasks of the same kind and day together, and those far ahead aside.
func groupTasks(ts []plan.Task, today civil.Date) (soon, later []taskGroup) {
	for _, t := range ts {
		into := &soon
		if t.Target > today.AddMonths(36) {
			into = &later
		}
		k := slices.IndexFunc(*into, func(g taskGroup) bool { return g.Kind == t.Kind && g.Target == t.Target })
		if k < 0 {
			*into = append(*into, taskGroup{Task: t, Overdue: t.Target < today})
			k = len(*into) - 1
		}
		(*into)[k].Where = append((*into)[k].Where, edge(t.Run))
	}
	return soon, later
}

// past is an entry of a coach's history.
type past struct {
	Day         civil.Date
	What, Where string
	By, Note    string
	Undo        string
}

type picture struct {
	ID, Where, Name, Day string
	PDF                  bool
}

func (s *Site) coach(r *http.Request, w access.Who) (view, error) {
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	if err != nil {
		return view{}, err
	}
	u := s.unitsOf(r)
	d := coachData{CoachPage: p, Linked: true, May: w.Role.May(access.Technician), Units: u, Kinds: doneKinds,
		TodayText: p.Today.String(),
		Now:       s.Desk.Now().UnixMicro()}
	d.Tasks, d.Later = groupTasks(p.Outcome.Tasks, p.Today)
	if s.Desk.Signer != nil && d.May {
		d.OwnerLink = s.Desk.Signer.BaseURL + "/o/" + s.Desk.Signer.OwnerToken(w.Account, &p.Coach)
	}
	d.Misfits = misfitsOf(&p.Coach, p, nil)
	d.fill(u)
	return view{page: "coach", title: p.Coach.Name(), data: d}, nil
}

func (d *coachData) fill(u unit.System) {
	if d.Outcome.Settled {
		set := d.Outcome.Setting
		d.BandName = d.Rules.Bands[set.Band].Name
		if !set.Season.IsZero() {
			d.Season = set.Season.Opens.String() + " to " + set.Season.Closes.String() + " (" + set.SeasonWhy + ")"
		} else {
			d.Season = set.SeasonWhy
		}
	}
	for i := range d.Coach.Slides {
		d.Slides = append(d.Slides, d.slide(&d.Coach.Slides[i], u))
	}
	d.Timeline = timeline(&d.CoachPage)
	d.history()
	for _, a := range d.Attachments {
		where := a.Slide
		if a.Run != "" {
			where = edge(a.Slide + "/" + a.Run)
		}
		d.Pictures = append(d.Pictures, picture{a.ID, where, a.Name, a.Day, a.Media == "application/pdf"})
	}
}

func (d *coachData) slide(s *coach.Slide, u unit.System) slideView {
	v := slideView{Slide: *s, Called: reminder.Place(d.Words, &d.Coach, s.ID, "")}
	if r, held := d.Coach.DangerOn(s.ID, d.Today); held {
		v.Danger = plain(r.Kind) + " on " + r.Day.Long()
		v.Messages = d.stopMessages(s.ID)
	}
	for _, f := range d.Outcome.Forecasts {
		if f.Slide != s.ID {
			continue
		}
		row := partRow{Forecast: f, Edge: edge(f.Run)}
		for i := range s.Runs {
			if run := projection.AsMeasured(&d.Coach, s.ID, &s.Runs[i], d.Today); s.Address(run) == f.Run {
				if f.Part == coach.Bulb {
					row.Squeeze = squeeze(&run, u)
				}
				for _, p := range run.Parts {
					if p.Kind == f.Part && p.Lot != coach.UnknownLot {
						row.Lot = p.Lot
					}
				}
			}
		}
		v.Rows = append(v.Rows, row)
	}
	v.Picture = elevation(&v, u, d.Words, d.Linked)
	return v
}

// stopMessages returns the messages about the danger that stops a slide.
func (d *coachData) stopMessages(slide coach.SlideID) (out []stopMessage) {
	for _, t := range d.Outcome.Tasks {
		if t.Kind != coach.SafetyStop || t.Slide != slide {
			continue
		}
		for _, n := range d.Notices {
			if n.TaskKey == t.Key() && n.State != string(reminder.Withdrawn) {
				waits := n.State == string(reminder.Queued) && n.Hold == "" && n.NotBefore > d.Now
				out = append(out, stopMessage{n, waits})
			}
		}
	}
	return out
}

// squeeze says gaps and squeeze of a run where both were measured.
func squeeze(r *coach.Run, u unit.System) string {
	least, most, ok := r.GapSpread()
	if !ok {
		return ""
	}
	out := "gap " + least.Format(u)
	if most.Format(u) != least.Format(u) {
		out += " to " + most.Format(u)
	}
	if r.FreeHeight > 0 {
		low, high := 1-float64(most/r.FreeHeight), 1-float64(least/r.FreeHeight)
		out += ", squeeze " + percent(max(0, low))
		if high-low > 0.005 {
			out += " to " + percent(max(0, high))
		}
	}
	return out
}

func (d *coachData) history() {
	for _, s := range d.Coach.Services {
		where := string(s.Slide)
		if s.Run != "" {
			where = edge(where + "/" + s.Run)
		}
		p := past{Day: s.Day, What: taskName(s.Kind), Where: where, By: s.By, Note: s.Note}
		if k := desk.ServiceKey(s); d.Undo[k] {
			p.Undo = k
		}
		d.Past = append(d.Past, p)
	}
	for _, r := range d.Coach.Readings {
		where := string(r.Slide)
		if r.Run != "" {
			where = edge(where + "/" + r.Run)
		}
		if r.Part != "" {
			where += ", " + string(r.Part)
		}
		p := past{Day: r.Day, What: plain(r.Kind) + ": " + intake.ReadingText(r), Where: where, By: r.By, Note: r.Note}
		if k := desk.ReadingKey(r); d.Undo[k] {
			p.Undo = k
		}
		d.Past = append(d.Past, p)
	}
	for _, e := range d.Coach.Events {
		d.Past = append(d.Past, past{Day: e.Day, What: plain(e.Kind), Where: string(e.Slide), Note: e.Note})
	}
	slices.SortStableFunc(d.Past, func(a, b past) int { return int(b.Day - a.Day) })
}

type whyData struct {
	Coach    coach.Coach
	Forecast projection.Forecast
	Edge     string
	Reasons  []projection.Reason
	Version  string
}

func (s *Site) why(r *http.Request, w access.Who) (view, error) {
	address := r.URL.Query().Get("part")
	k := strings.LastIndexByte(address, '/')
	if k < 0 {
		return view{}, fault.New(fault.NotFound, "the address names no part", "Go back to the coach and choose one.")
	}
	p, f, why, err := s.Desk.Why(r.Context(), w.Account, coachID(r), address[:k], coach.PartKind(address[k+1:]))
	if err != nil {
		return view{}, err
	}
	return view{page: "why", title: "Why", data: whyData{p.Coach, f, edge(f.Run), why, p.Rules.Version}}, nil
}

// sheet is the job sheet of the next visit, as it prints.
func (s *Site) sheet(r *http.Request, w access.Who) (view, error) {
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	if err != nil {
		return view{}, err
	}
	if len(p.Visits) == 0 {
		return view{}, fault.New(fault.NotFound, "no visit is planned for this coach",
			"Agree on a day with the owner, or wait for the nightly plan.")
	}
	text := season.SheetOf(p.Rules, &p.Coach, p.Visits[0], s.unitsOf(r)).Text()
	return view{page: "sheet", title: "Job sheet", data: struct {
		Coach coach.Coach
		Text  string
	}{p.Coach, text}}, nil
}
