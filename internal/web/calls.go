package web

import (
	"cmp"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

type callsData struct {
	Stops, Call   []callRow // one a person and coach
	Book, Confirm []call
	Moved         []call
	Today         civil.Date
	May           bool
	More          int // calls that are not shown
}

type call struct {
	desk.Request
	Kind, Run string
}

// callRow is a person to call about a coach.
type callRow struct {
	desk.Request
	Reasons []string // why the shop calls, in words
	What    []string // what is due, in words
	Keys    []string // of the tasks
	Because string   // of a safety stop
}

// callReasons say why the shop calls somebody instead of writing.
var callReasons = map[string]string{
	desk.StopCall: "safety stop", string(reminder.CallList): "messages went unanswered",
	string(reminder.OptedOut):  "stopped reminders",
	string(reminder.NoAddress): "no e-mail address", string(reminder.BadAddress): "the e-mail address does not work",
	string(reminder.NoConsent): "no consent to e-mail on record", string(reminder.ByPhone): "the shop chose to call",
}

// mostCalls is how many people the page lists.
const mostCalls = 300

func (s *Site) calls(r *http.Request, w access.Who) (view, error) {
	rs, err := s.Desk.Requests(r.Context(), w.Account)
	if err != nil {
		return view{}, err
	}
	today, err := s.Desk.Today(r.Context(), w.Account)
	if err != nil {
		return view{}, err
	}
	d := callsData{May: w.Role.May(access.Technician), Today: today}
	var due []desk.Request
	for _, q := range rs {
		f := append(strings.Split(q.TaskKey, "|"), "", "")
		c := call{Request: q, Kind: f[0], Run: f[1]}
		switch q.Kind {
		case "book":
			d.Book = append(d.Book, c)
		case "confirm":
			d.Confirm = append(d.Confirm, c)
		case "moved":
			d.Moved = append(d.Moved, c)
		default:
			due = append(due, q)
		}
	}
	for _, row := range callRows(due) {
		if row.Reason == desk.StopCall {
			d.Stops = append(d.Stops, row)
		} else {
			d.Call = append(d.Call, row)
		}
	}
	d.More = max(0, len(d.Call)-mostCalls)
	d.Call = d.Call[:min(len(d.Call), mostCalls)]
	slices.Reverse(d.Book) // newest first
	return view{page: "calls", title: "Calls", data: d}, nil
}

// callRows gathers calls by person and coach: a stop apart from the rest, then by the
// earliest target.
func callRows(rs []desk.Request) (out []callRow) {
	at := map[[3]string]int{}
	for _, q := range rs {
		stop := ""
		if q.Reason == desk.StopCall {
			stop = q.TaskKey
		}
		key := [3]string{q.Coach, q.Person, stop}
		k, ok := at[key]
		if !ok {
			k = len(out)
			at[key] = k
			out = append(out, callRow{Request: q, Because: q.Why})
		}
		row := &out[k]
		row.Keys = append(row.Keys, q.TaskKey)
		row.Target = min(cmp.Or(row.Target, q.Target), cmp.Or(q.Target, row.Target))
		if word := cmp.Or(callReasons[q.Reason], plain(q.Reason)); !slices.Contains(row.Reasons, word) {
			row.Reasons = append(row.Reasons, word)
		}
		f := append(strings.Split(q.TaskKey, "|"), "", "")
		if what := strings.TrimSuffix(taskName(f[0])+", "+edge(f[1]), ", "); !slices.Contains(row.What, what) {
			row.What = append(row.What, what)
		}
	}
	slices.SortStableFunc(out, func(a, b callRow) int { return cmp.Compare(a.Target, b.Target) })
	return out
}

// Tel is the person's number as a link takes it; "" without a number.
func (c callRow) Tel() template.URL { return reminder.Tel(c.Phone) }

// called records that somebody was reached.
func (s *Site) called(r *http.Request, w access.Who) (view, error) {
	if err := r.ParseForm(); err != nil {
		return view{}, fault.New(fault.Invalid, "the form could not be read", "Go back and try again.")
	}
	err := s.Desk.Called(r.Context(), w.Account, w.Email, coach.ID(r.FormValue("coach")), r.FormValue("person"),
		r.PostForm["key"],
		reminder.CallReached, r.FormValue("note"))
	if err != nil {
		return view{}, err
	}
	return goTo("/calls", "called")
}

// stopMessage says what becomes of the message about a danger that the shop found.
func (s *Site) stopMessage(r *http.Request, w access.Who) (view, error) {
	back := "/coach/" + string(coachID(r))
	switch r.FormValue("action") {
	case "send":
		morning, err := s.Desk.SendStop(r.Context(), w.Account, w.Email, coachID(r), r.FormValue("notice"))
		if err != nil {
			return view{}, err
		}
		return goTo(back, map[bool]string{true: "stop-morning", false: "stop-sent"}[morning])
	case "phone":
		err := s.Desk.Called(r.Context(), w.Account, w.Email, coachID(r), r.FormValue("person"), []string{r.FormValue("key")},
			reminder.PhoneOnly, "")
		if err != nil {
			return view{}, err
		}
		return goTo(back, "by-phone")
	}
	return view{}, fault.New(fault.Invalid, "unknown action", "Use the buttons of the page.")
}

type heldData struct {
	Holds  []heldView
	Paused bool
	Until  string // until when withdrawn messages rest, as proposed
	Least  string
}

type heldView struct {
	desk.Held
	Rows []desk.NoticeRow
	More int
}

// mostHeld is how many messages the page lists under a hold.
const mostHeld = 200

// held shows what waits for a decision, and why.
func (s *Site) held(r *http.Request, w access.Who) (view, error) {
	b, err := s.Desk.Sending(r.Context(), w.Account)
	if err != nil {
		return view{}, err
	}
	d := heldData{Paused: b.Paused, Until: b.Today.Add(30).String(), Least: b.Today.Add(1).String()}
	for _, h := range b.Held {
		rows, err := s.Desk.HeldNotices(r.Context(), w.Account, h.Hold, mostHeld)
		if err != nil {
			return view{}, err
		}
		d.Holds = append(d.Holds, heldView{h, rows, h.Messages - len(rows)})
	}
	return view{page: "held", title: "Messages that wait", data: d}, nil
}

// decide releases or withdraws what is held.
func (s *Site) decide(r *http.Request, w access.Who) (view, error) {
	switch r.FormValue("action") {
	case "start":
		if err := s.Desk.Start(r.Context(), w.Account, w.Email); err != nil {
			return view{}, err
		}
		return goTo("/board", "started")
	case "release":
		if err := s.Desk.ReleaseHeld(r.Context(), w.Account, w.Email); err != nil {
			return view{}, err
		}
		return goTo("/board", "started")
	case "withdraw":
		until, err := civil.Parse(r.FormValue("until"))
		if err != nil {
			return view{}, fault.New(fault.Invalid, "No new reminders until: the date is missing",
				"Enter a date after today, such as 2026-03-17.")
		}
		_, err = s.Desk.WithdrawHeld(r.Context(), w.Account, w.Email, r.FormValue("hold"), r.FormValue("import"), until)
		if err != nil {
			return view{}, err
		}
		return goTo("/held", "rested")
	}
	return view{}, fault.New(fault.Invalid, "unknown action", "Use the buttons of the page.")
}
