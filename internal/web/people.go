package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
)

type peopleData struct {
	access.People
	Me      access.Who
	Manager bool
	Roles   []access.Role
	Scopes  []string
	Link    string // of an invitation that no mail carries
	Secret  string // of a key, shown once
	Cals    []desk.Calendar
	Ends    []endpointView
	Now     int64
}

func (s *Site) people(r *http.Request, w access.Who) (view, error) { return s.peopleView(r, w, "", "") }

func (s *Site) peopleView(r *http.Request, w access.Who, link, secret string) (view, error) {
	p, err := s.Access.People(r.Context(), w)
	if err != nil {
		return view{}, err
	}
	var cals []desk.Calendar
	var ends []endpointView
	if w.Role.May(access.Manager) {
		if ends, err = s.endpoints(r, w); err != nil {
			return view{}, err
		}
		if cals, err = s.Desk.Calendars(r.Context(), w.Account); err != nil {
			return view{}, err
		}
	}
	return view{page: "people", title: "People and keys", data: peopleData{p, w, w.Role.May(access.Manager), access.Roles,
		access.Scopes, link, secret, cals, ends, s.Desk.Now().UnixMicro()}}, err
}

func (s *Site) invite(r *http.Request, w access.Who) (view, error) {
	link, err := s.Access.Invite(r.Context(), w, r.FormValue("email"), access.Role(r.FormValue("role")))
	if err != nil {
		return view{}, err
	}
	if link != "" {
		return s.peopleView(r, w, link, "")
	}
	return goTo("/people", "invited")
}

func (s *Site) role(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.SetRole(r.Context(), w, r.FormValue("email"), access.Role(r.FormValue("role"))); err != nil {
		return view{}, err
	}
	return goTo("/people", "role")
}

func (s *Site) remove(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.Remove(r.Context(), w, r.FormValue("email")); err != nil {
		return view{}, err
	}
	return goTo("/people", "removed")
}

func (s *Site) endSession(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.EndSession(r.Context(), w, r.FormValue("session")); err != nil {
		return view{}, err
	}
	return goTo("/people", "ended")
}

// password changes the password of who is there.
func (s *Site) password(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.ChangePassword(r.Context(), w, r.FormValue("present"), r.FormValue("password")); err != nil {
		return view{}, err
	}
	return goTo("/people", "password")
}

func (s *Site) makeKey(r *http.Request, w access.Who) (view, error) {
	_ = r.ParseForm() // what is missing is refused
	days, _ := strconv.Atoi(r.PostForm.Get("days"))
	secret, err := s.Access.MakeToken(r.Context(), w, r.PostForm.Get("name"), r.PostForm["scope"], days)
	if err != nil {
		return view{}, err
	}
	return s.peopleView(r, w, "", secret)
}

func (s *Site) endKey(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.RevokeToken(r.Context(), w, r.FormValue("key")); err != nil {
		return view{}, err
	}
	return goTo("/people", "ended")
}

func (s *Site) changes(r *http.Request, w access.Who) (view, error) {
	before, err := strconv.ParseInt(r.URL.Query().Get("before"), 10, 64)
	if err != nil {
		before = s.Desk.Now().Add(time.Hour).UnixMicro()
	}
	rows, err := s.Access.Changes(r.Context(), w, before, 101)
	next := int64(0)
	if len(rows) > 100 {
		rows = rows[:100]
		next = rows[99].At
	}
	return view{page: "changes", title: "Changes", data: struct {
		Rows any
		Next int64
	}{rows, next}}, err
}

func (s *Site) makeCalendar(r *http.Request, w access.Who) (view, error) {
	address, err := s.Desk.AddCalendar(r.Context(), w.Account, w.Email, r.FormValue("kind"), coach.ID(r.FormValue("of")),
		r.FormValue("name"))
	if err != nil {
		return view{}, err
	}
	return s.peopleView(r, w, address, "")
}

func (s *Site) endCalendar(r *http.Request, w access.Who) (view, error) {
	if err := s.Desk.RevokeCalendar(r.Context(), w.Account, w.Email, r.FormValue("calendar")); err != nil {
		return view{}, err
	}
	return goTo("/people", "ended")
}

// calendar is a calendar by its secret address.
func (s *Site) calendar(r *http.Request) (view, error) {
	text, err := s.Desk.CalendarText(r.Context(), strings.TrimSuffix(r.PathValue("token"), ".ics"))
	return calendarView(text), err
}

// ownerCalendar is the calendar of a coach for its people.
func (s *Site) ownerCalendar(r *http.Request) (view, error) {
	p, err := s.Desk.OwnerPage(r.Context(), r.PathValue("token"))
	if err != nil {
		return view{}, err
	}
	if p.Sold() {
		return soldPage(p), nil
	}
	text, err := s.Desk.OwnerCalendar(r.Context(), &p)
	return calendarView(text), err
}

func calendarView(text []byte) view {
	return view{file: &sent{media: "text/calendar; charset=utf-8", name: "sealmanac.ics", body: text, asked: true}}
}

func (s *Site) uninvite(r *http.Request, w access.Who) (view, error) {
	if err := s.Access.Uninvite(r.Context(), w, r.FormValue("email")); err != nil {
		return view{}, err
	}
	return goTo("/people", "ended")
}
