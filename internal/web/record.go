package web

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/unit"
)

type editData struct {
	Coach    coach.ID
	Text     string
	Version  int64
	Problems []string
	Fault    *trouble
}

func (s *Site) editPage(r *http.Request, w access.Who) (view, error) {
	text, version, err := s.Desk.Text(r.Context(), w.Account, coachID(r))
	return view{page: "edit", title: "Edit " + string(coachID(r)),
		data: editData{Coach: coachID(r), Text: text, Version: version}}, err
}

func (s *Site) edit(r *http.Request, w access.Who) (view, error) {
	d := editData{Coach: coachID(r), Text: strings.ReplaceAll(r.FormValue("text"), "\r\n", "\n"),
		Version: versionOf(r.FormValue("version"))}
	v := view{page: "edit", title: "Edit " + string(d.Coach), code: http.StatusUnprocessableEntity}
	_, problems, err := s.Desk.SaveText(r.Context(), w.Account, w.Email, d.Coach, max(d.Version, 1),
		string(d.Coach)+".yaml", []byte(d.Text))
	if err != nil {
		return again(err, v, func(t trouble) any { d.Fault = &t; return d })
	}
	if problems.Err() != nil {
		d.Problems = problems.Wrong().Lines()
		v.data = d
		return v, nil
	}
	return goTo("/coach/"+string(d.Coach), "saved")
}

// doneKinds is work that needs no more than a day. New parts come by a fitting.
var doneKinds = []coach.TaskKind{coach.Clean, coach.Lubricate, coach.Exercise, coach.Inspect, coach.WaterTest}

// done writes work down that somebody did.
func (s *Site) done(r *http.Request, w access.Who) (view, error) {
	day, err := formDay(r)
	if err != nil {
		return view{}, err
	}
	slide, run, _ := strings.Cut(r.FormValue("where"), "/")
	kind := coach.TaskKind(r.FormValue("kind"))
	if !slices.Contains(doneKinds, kind) {
		return view{}, fault.New(fault.Invalid, "new parts cannot be recorded in this form",
			"Use 'Record new seals': it also saves the date of the new parts.")
	}
	x := desk.Records{Services: []coach.Service{{Day: day, Kind: kind, Slide: coach.SlideID(slide), Run: run, By: "shop",
		Note: note(r, w)}}}
	if err := s.Desk.Record(r.Context(), w.Account, w.Email, coachID(r), x); err != nil {
		return view{}, err
	}
	return goTo("/coach/"+string(coachID(r)), "recorded")
}

func note(r *http.Request, w access.Who) string {
	n := strings.TrimSpace(r.FormValue("note"))
	if n == "" {
		return w.Email
	}
	return n + " (" + w.Email + ")"
}

func formDay(r *http.Request) (civil.Date, error) {
	d, err := civil.Parse(r.FormValue("day"))
	if err != nil {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("When: %q is not a date", r.FormValue("day")),
			"Enter a date such as 2026-02-17.")
	}
	return d, nil
}

func (s *Site) undo(r *http.Request, w access.Who) (view, error) {
	if err := s.Desk.TakeBackEntry(r.Context(), w.Account, w.Email, coachID(r), r.FormValue("key")); err != nil {
		return view{}, err
	}
	return goTo("/coach/"+string(coachID(r)), "undone")
}

func (s *Site) pin(r *http.Request, w access.Who) (view, error) {
	var was, day civil.Date
	var err error
	if v := r.FormValue("was"); v != "" {
		if was, err = civil.Parse(v); err != nil {
			return view{}, fault.New(fault.Invalid, "the earlier date is not valid", "Reload the page and try again.")
		}
	}
	done := "unpinned"
	plan := r.FormValue("plan") != ""
	if r.FormValue("cancel") == "" {
		if day, err = formDay(r); err != nil {
			return view{}, err
		}
		done = "pinned"
		if plan {
			done = "planned"
		}
	}
	at, err := desk.Clock(r.FormValue("time"))
	if err != nil {
		return view{}, err
	}
	back := "/coach/" + string(coachID(r))
	if to := r.FormValue("to"); to != "" {
		back = ours(to)
	}
	err = s.Desk.Pin(
		r.Context(),
		w.Account,
		w.Email,
		coachID(r),
		desk.DayChange{
			Was:      was,
			Day:      day,
			At:       at,
			Planned:  plan,
			Week:     r.FormValue("week") != "",
			ClosedOK: r.FormValue("closed_ok") != "",
		},
	)
	if closed, ok := errors.AsType[*desk.ClosedError](err); ok {
		d := closedData{
			Coach:   coachID(r),
			Weekday: closed.Weekday.String(),
			Day:     day,
			Plan:    plan,
			Back:    back,
			Form:    formOf(r),
		}
		return view{
			page:  "closed",
			title: "The shop is closed that day",
			data:  d,
			code:  http.StatusUnprocessableEntity,
		}, nil
	}
	if err != nil {
		return view{}, err
	}
	return goTo(back, done)
}

// moved accepts that a coach stands elsewhere, as its people said, or drops it.
func (s *Site) moved(r *http.Request, w access.Who) (view, error) {
	place, done := strings.TrimSpace(r.FormValue("place")), "moved"
	var since civil.Date
	if r.FormValue("drop") != "" {
		place, done = "", "removed"
	} else {
		var err error
		if since, err = civil.Parse(r.FormValue("since")); err != nil || place == "" {
			return view{}, fault.New(fault.Invalid, "Place or Since is missing",
				"Enter a town such as Tucson, AZ, and a date such as 2026-02-17.")
		}
	}
	if err := s.Desk.AcceptMove(r.Context(), w.Account, w.Email, coachID(r), place, since); err != nil {
		return view{}, err
	}
	return goTo("/calls", done)
}

// closedData is what is asked before a day is taken on which the shop is closed.
type closedData struct {
	Coach         coach.ID
	Weekday, Back string
	Day           civil.Date
	Plan          bool
	Form          map[string]string // as it was sent
}

// attach takes pictures and papers of a form.
func (s *Site) attach(r *http.Request, w access.Who) (view, error) {
	if err := r.ParseMultipartForm(4 << 20); err != nil {
		if _, big := errors.AsType[*http.MaxBytesError](err); big {
			return view{}, fault.New(fault.Invalid, "the pictures are larger than 20 MB together", "Send fewer at a time.")
		}
		return view{}, fault.New(fault.Invalid, "the form could not be read", "Go back and choose the pictures again.")
	}
	defer r.MultipartForm.RemoveAll() //nolint:errcheck // temporary files
	slide, run, _ := strings.Cut(r.FormValue("where"), "/")
	files := r.MultipartForm.File["file"]
	if len(files) == 0 {
		return view{}, fault.New(fault.Invalid, "no picture was chosen", "Go back and choose one.")
	}
	for _, h := range files {
		f, err := h.Open()
		if err != nil {
			return view{}, err
		}
		data, err := io.ReadAll(io.LimitReader(f, desk.MostAttached+1))
		_ = f.Close() // was only read
		if err != nil {
			return view{}, err
		}
		if err := s.Desk.Attach(r.Context(), w.Account, w.Email, coachID(r), desk.File{Slide: coach.SlideID(slide), Run: run,
			Name: h.Filename, Data: data}); err != nil {
			return view{}, err
		}
	}
	return goTo("/coach/"+string(coachID(r))+"#pictures", "")
}

func (s *Site) detach(r *http.Request, w access.Who) (view, error) {
	if err := s.Desk.Detach(r.Context(), w.Account, w.Email, coachID(r), r.FormValue("file")); err != nil {
		return view{}, err
	}
	return goTo("/coach/"+string(coachID(r)), "removed")
}

func (s *Site) attachment(r *http.Request, w access.Who) (view, error) {
	a, err := s.Desk.Attachment(r.Context(), w.Account, coachID(r), r.PathValue("file"))
	if err != nil {
		return view{}, err
	}
	f := &sent{media: a.Media, name: a.Name, body: a.Body, keep: true}
	if r.URL.Query().Get("small") != "" && len(a.Thumb) > 0 {
		f.body = a.Thumb
	}
	return view{file: f}, nil
}

type walkData struct {
	Coach    coach.Coach
	Slide    coach.Slide
	Version  int64
	Today    string
	Runs     []walkRun
	Cautions []string
	Fault    *trouble
	Form     map[string]string
}

// walkRun is a run with the parts that are measured on it.
type walkRun struct {
	Key, Edge          string
	Bulb, Wiper, Glued bool
	Last               string // height of the bulb as last measured
}

// walkPage is the inspection of one slide in the order of the walk: room in from
// outside, part way, out from outside, out from inside, touch, water.
func (s *Site) walkPage(r *http.Request, w access.Who) (view, error) { return s.walkView(r, w, nil) }

func (s *Site) walkView(r *http.Request, w access.Who, bad *trouble) (view, error) {
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	if err != nil {
		return view{}, err
	}
	k := slices.IndexFunc(p.Coach.Slides, func(x coach.Slide) bool { return string(x.ID) == r.PathValue("slide") })
	if k < 0 {
		return view{}, fault.New(fault.NotFound, "this coach has no such slide", "Go back to the coach.")
	}
	d := walkData{Coach: p.Coach, Slide: p.Coach.Slides[k], Version: p.Version, Today: p.Today.String(), Fault: bad,
		Form: map[string]string{}}
	for _, c := range []string{"makers", "moving_room", "ladder", "soft_floor", "mains"} {
		d.Cautions = append(d.Cautions, p.Rules.Cautions[c])
	}
	for _, run := range d.Slide.Runs {
		x := walkRun{Key: run.Key(), Edge: edge("x/" + run.Key())[3:]}
		for _, part := range run.Parts {
			x.Bulb, x.Wiper, x.Glued = x.Bulb || part.Kind == coach.Bulb, x.Wiper || part.Kind == coach.Wiper,
				x.Glued || part.Kind == coach.Adhesive
		}
		for _, rd := range p.Coach.Readings {
			if rd.Slide == d.Slide.ID && rd.Run == x.Key && rd.Kind == coach.BulbHeight {
				x.Last = intake.ReadingText(rd)
			}
		}
		d.Runs = append(d.Runs, x)
	}
	v := view{page: "walk", title: "Inspection", data: d}
	if bad != nil {
		for k := range r.PostForm {
			d.Form[k] = r.PostForm.Get(k)
		}
		v.code = http.StatusUnprocessableEntity
	}
	return v, nil
}

// walk stores an inspection. Fields are named kind|run|part.
func (s *Site) walk(r *http.Request, w access.Who) (view, error) {
	x, err := readRecords(r, w, coach.SlideID(r.PathValue("slide")))
	if err == nil && len(x.Readings) == 0 {
		err = fault.New(fault.Invalid, "the form is empty",
			"Fill in what you saw. One answer is enough.")
	}
	if err == nil {
		x.Services = append(x.Services,
			coach.Service{Day: x.day, Kind: coach.Inspect, Slide: coach.SlideID(r.PathValue("slide")), By: "shop",
				Note: note(r, w)})
		err = s.Desk.Record(r.Context(), w.Account, w.Email, coachID(r), x.Records)
	}
	if err != nil {
		if k := fault.KindOf(err); (k == fault.Invalid || k == fault.Conflict) && r.Header.Get("X-Queued") == "" {
			v, e := s.walkView(r, w, &trouble{Sentence: fault.SentenceOf(err), Hint: fault.HintOf(err)})
			if k == fault.Conflict {
				v.code = http.StatusConflict
			}
			return v, e
		}
		return view{}, err
	}
	return goTo("/coach/"+string(coachID(r)), "recorded")
}

type records struct {
	desk.Records
	day civil.Date
}

// readRecords reads the readings of a form; all that is wrong is told at once.
func readRecords(r *http.Request, w access.Who, slide coach.SlideID) (x records, err error) {
	if err := r.ParseForm(); err != nil {
		return x, fault.New(fault.Invalid, "the form could not be read", "Go back and send it again.")
	}
	if x.day, err = formDay(r); err != nil {
		return x, err
	}
	x.Seen = versionOf(r.PostForm.Get("seen"))
	var bad []string
	for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
		f := strings.Split(name, "|")
		value := strings.TrimSpace(r.PostForm.Get(name))
		if len(f) != 3 || value == "" {
			continue
		}
		rd := coach.Reading{Day: x.day, Kind: coach.ReadingKind(f[0]), Slide: slide, Run: f[1], Part: coach.PartKind(f[2]),
			By: "shop", Note: note(r, w)}
		if isLength(rd.Kind) {
			value = unit.System(r.PostForm.Get("units")).Complete(value)
		}
		if rd.Value, err = intake.ParseReading(rd.Kind, value); err != nil {
			bad = append(bad, edge(string(slide)+"/"+f[1])+": "+err.Error())
			continue
		}
		x.Readings = append(x.Readings, rd)
	}
	if len(bad) > 0 {
		return x, fault.New(fault.Invalid, strings.Join(bad, "; "),
			"Fix these fields and save again. Nothing was saved, and your form is as you left it.")
	}
	return x, nil
}

// isLength reports whether a reading is a length.
func isLength(k coach.ReadingKind) bool {
	return k == coach.BulbHeight || k == coach.ClosedGap || k == coach.LipThickness || k == coach.LiftedEdge
}

type turnData struct {
	Coach   coach.Coach
	Version int64
	Today   string
	Fault   *trouble
}

// turnPage is the check of a rental between two guests: four looks a slide.
func (s *Site) turnPage(r *http.Request, w access.Who) (view, error) {
	p, err := s.Desk.CoachPage(r.Context(), w.Account, coachID(r))
	return view{page: "turn", title: "Turnaround", data: turnData{Coach: p.Coach, Version: p.Version,
		Today: p.Today.String()}}, err
}

// turn stores the check: each look is a reading of the whole slide. A room whose floor
// gives or that shows light goes on hold at once.
func (s *Site) turn(r *http.Request, w access.Who) (view, error) {
	if err := r.ParseForm(); err != nil {
		return view{}, fault.New(fault.Invalid, "the form could not be read", "Go back and send it again.")
	}
	day, err := formDay(r)
	if err != nil {
		return view{}, err
	}
	x := desk.Records{Seen: versionOf(r.PostForm.Get("seen"))}
	for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
		slide, look, ok := strings.Cut(name, "|")
		if !ok {
			continue
		}
		bad := r.PostForm.Get(name) == "defect"
		rd := coach.Reading{Day: day, Slide: coach.SlideID(slide), By: "shop", Note: "turnaround, " + note(r, w)}
		if bad {
			rd.Value = 1
		}
		switch look {
		case "flip":
			rd.Kind = coach.Flip
		case "light":
			rd.Kind = coach.Light
		case "floor":
			rd.Kind = coach.SoftFloor
		default:
			continue
		}
		x.Readings = append(x.Readings, rd)
	}
	if err := s.Desk.Record(r.Context(), w.Account, w.Email, coachID(r), x); err != nil {
		return view{}, err
	}
	return goTo("/coach/"+string(coachID(r)), "recorded")
}

type newData struct {
	Form     map[string]string
	Classes  []coach.Class
	Uses     []coach.Use
	Shelters []coach.Shelter
	Roles    []coach.Role
	Problems []string
	Fault    *trouble
}

func (s *Site) newPage(*http.Request, access.Who) (view, error) {
	return newView(map[string]string{"cycles": "20/year", "shelter": "open", "rooms": "in", "from": ""}, nil, nil)
}

func newView(form map[string]string, problems []string, bad *trouble) (view, error) {
	v := view{page: "new", title: "A new coach", data: newData{form, coach.Classes, coach.Uses, coach.Shelters,
		coach.Roles, problems, bad}}
	if len(problems) > 0 || bad != nil {
		v.code = http.StatusUnprocessableEntity
	}
	return v, nil
}

// create makes a coach from a form by way of a coach file: the same checks, the same
// words for what is wrong.
func (s *Site) create(r *http.Request, w access.Who) (view, error) {
	form := formOf(r)
	text, err := newCoachFile(form)
	if err != nil {
		return view{}, err
	}
	if taken, _, err := s.Desk.Text(r.Context(), w.Account, coach.ID(form["coach"])); err == nil && taken != "" {
		return newView(form, []string{
			fmt.Sprintf("Short name: there is already a coach %q; choose another name", form["coach"])},
			nil)
	}
	id, problems, err := s.Desk.SaveText(r.Context(), w.Account, w.Email, coach.ID(form["coach"]), 0, "form.yaml", text)
	if err != nil {
		return again(err, view{page: "new", title: "A new coach"}, func(t trouble) any {
			return newData{form, coach.Classes, coach.Uses, coach.Shelters, coach.Roles, nil, &t}
		})
	}
	if problems.Err() != nil {
		return newView(form, problems.Wrong().Lines(), nil)
	}
	return goTo("/coach/"+string(id)+"/fit", "saved")
}

type importData struct {
	Problems []string
	Fault    *trouble
}

func (s *Site) importPage(*http.Request, access.Who) (view, error) {
	return view{page: "import", title: "Import", data: importData{}}, nil
}

// importFile takes a coach file or list; it is stored whole or not at all.
func (s *Site) importFile(r *http.Request, w access.Who) (view, error) {
	v := view{page: "import", title: "Import", code: http.StatusUnprocessableEntity}
	f, h, err := r.FormFile("file")
	if err != nil {
		v.data = importData{
			Fault: &trouble{
				Sentence: "no file came with the form, or it is larger than 20 MiB",
				Hint:     "Choose a .yaml, .csv, .xlsx or .ics file. For a larger file, run 'sealmanac import FILE'.",
			},
		}
		return v, nil
	}
	defer f.Close() //nolint:errcheck // was only read
	data, err := io.ReadAll(f)
	if err != nil {
		return view{}, err
	}
	_, problems, err := s.Desk.SaveText(r.Context(), w.Account, w.Email, "", 0, h.Filename, data)
	if err != nil {
		return again(err, v, func(t trouble) any { return importData{Fault: &t} })
	}
	if problems.Err() != nil {
		v.data = importData{Problems: problems.Wrong().Lines()}
		return v, nil
	}
	return goTo("/board", "imported")
}
