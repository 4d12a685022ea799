package web

import (
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
)

type boardData struct {
	desk.BoardPage
	Filter    desk.BoardFilter
	Query     template.URL // of the filter, without the page; url.Values has escaped it
	States    []stateLink
	Weeks     []openWeek
	Most      int
	Headline  string
	Classes   []coach.Class
	Uses      []coach.Use
	Builds    []coach.Construction
	Materials []coach.Material
	May       bool // record
	Manager   bool
	Lists     []string // that go out as files
}

type stateLink struct {
	State, Name string
	Query       template.URL
	N           int
	On          bool
}

// openWeek is one bar of the season ahead.
type openWeek struct {
	Monday       civil.Date
	N, Risky     int
	X, Y, H, RY  int
	RH           int
	Label, Title string
}

var filterKeys = []string{"q", "state", "place", "class", "use", "construction", "material", "lot", "owner", "sort"}

func filterOf(q url.Values) (f desk.BoardFilter, kept url.Values) {
	f = desk.BoardFilter{Words: q.Get("q"), State: q.Get("state"), Place: q.Get("place"), Class: q.Get("class"),
		Use: q.Get("use"), Construction: q.Get("construction"), Material: q.Get("material"), Lot: q.Get("lot"),
		Owner: q.Get("owner"), Sort: q.Get("sort")}
	kept = url.Values{}
	for _, k := range filterKeys {
		if v := q.Get(k); v != "" {
			kept.Set(k, v)
		}
	}
	return f, kept
}

func (s *Site) board(r *http.Request, w access.Who) (view, error) {
	f, kept := filterOf(r.URL.Query())
	page, _ := strconv.Atoi(r.URL.Query().Get("page")) // anything else is the first
	b, err := s.Desk.Board(r.Context(), w.Account, w.Email, f, min(max(page, 1), 1_000_000))
	if err != nil {
		return view{}, err
	}
	d := boardData{BoardPage: b, Filter: f, Query: template.URL(kept.Encode()), Classes: coach.Classes, Uses: coach.Uses,
		Builds: coach.Constructions, Materials: coach.Materials, May: w.Role.May(access.Technician),
		Manager: w.Role.May(access.Manager), Lists: desk.Exports}
	for _, st := range desk.States {
		q := url.Values{}
		for k, v := range kept {
			q[k] = v
		}
		q.Set("state", st)
		if n := b.Counts[st]; n > 0 || st == desk.Overdue || st == desk.Due {
			d.States = append(d.States, stateLink{st, stateNames[st], template.URL(q.Encode()), n, f.State == st})
		}
	}
	d.weeks(b)
	d.Headline = headline(b)
	return view{page: "board", title: "The season ahead", data: d}, nil
}

// weeks lays the openings of the next half year out as bars.
func (d *boardData) weeks(b desk.BoardPage) {
	today, err := civil.Parse(b.Today)
	if err != nil {
		return
	}
	first := today.Monday()
	d.Weeks = make([]openWeek, 27)
	for i := range d.Weeks {
		d.Weeks[i].Monday = first.Add(7 * i)
	}
	for _, o := range b.Openings {
		if day, err := civil.Parse(o.Day); err == nil {
			if k := first.DaysUntil(day) / 7; k >= 0 && k < len(d.Weeks) {
				d.Weeks[k].N += o.N
				d.Weeks[k].Risky += o.Risky
				d.Most = max(d.Most, d.Weeks[k].N)
			}
		}
	}
	const tall = 70
	for i := range d.Weeks {
		o := &d.Weeks[i]
		o.X = 4 + 24*i
		if d.Most > 0 {
			o.H, o.RH = max(tall*o.N/d.Most, min(o.N, 1)*4), max(tall*o.Risky/d.Most, min(o.Risky, 1)*4)
		}
		o.Y, o.RY = 80-o.H, 80-o.RH
		if _, m, day := o.Monday.YMD(); day <= 7 {
			o.Label = m.String()[:3]
		}
		o.Title = fmt.Sprintf("week of %s: %d open, %d of them likely to need a part",
			o.Monday.Time().Format("2 January"), o.N, o.Risky)
	}
}

// headline says the season ahead in one sentence.
func headline(b desk.BoardPage) string {
	if b.Coaches == 0 {
		return ""
	}
	open, risky := 0, 0
	for _, o := range b.Openings {
		open, risky = open+o.N, risky+o.Risky
	}
	say := []string{fmt.Sprintf("%d of %s open their season within six months", open, many(b.Coaches, "coach", "coaches"))}
	if risky > 0 {
		say = append(say, fmt.Sprintf("%s work before then", many(risky, "needs", "need")))
	}
	if n := b.Counts[desk.OnHold]; n > 0 {
		say = append(say, many(n, "coach", "coaches")+" must not be used")
	}
	return strings.Join(say, "; ") + "."
}

func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func (s *Site) saveView(r *http.Request, w access.Who) (view, error) {
	name, query := strings.TrimSpace(r.FormValue("name")), r.FormValue("query")
	if name == "" {
		return goTo("/board?"+query, "")
	}
	if r.FormValue("forget") != "" {
		query = ""
	} else {
		q, _ := url.ParseQuery(query) // what can be read of it
		_, kept := filterOf(q)
		query = cmp.Or(kept.Encode(), "sort=risk")
	}
	if err := s.Desk.SaveView(r.Context(), w.Account, w.Email, name, query); err != nil {
		return view{}, err
	}
	return goTo("/board?"+query, "view")
}
