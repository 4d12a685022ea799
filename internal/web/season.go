package web

import (
	"fmt"
	"net/http"

	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/season"
)

type seasonData struct {
	desk.SeasonPage
	Weeks  []weekRow
	From   civil.Date
	Next   civil.Date
	Before civil.Date
	Print  bool
	May    bool
}

// weekRow is a week of the plan: its load and its visits.
type weekRow struct {
	Monday  civil.Date
	Name    string
	Full    float64 // share of the scarcest skill's hours
	Bar     int     // of 120
	Before  int     // of 120, if every visit came on its best day
	Over    bool
	Skill   coach.Skill
	Visits  []season.Visit
	Unknown bool
}

// weeksShown is how many weeks a page of the season shows.
const weeksShown = 13

func (s *Site) season(r *http.Request, w access.Who) (view, error) {
	from, err := civil.Parse(r.URL.Query().Get("from"))
	if err != nil {
		if from, err = s.Desk.Today(r.Context(), w.Account); err != nil {
			return view{}, err
		}
	}
	from = from.Monday()
	until := from.Add(7*weeksShown - 1)
	p, err := s.Desk.SeasonPage(r.Context(), w.Account, from.String(), until.String())
	if err != nil {
		return view{}, err
	}
	d := seasonData{
		SeasonPage: p,
		From:       from,
		Next:       from.Add(7 * weeksShown),
		Before:     from.Add(-7 * weeksShown),
		Print:      r.URL.Query().Get("print") != "",
		May:        w.Role.May(access.Technician),
	}
	for m := from; m <= until; m = m.Add(7) {
		d.Weeks = append(d.Weeks, d.week(m))
	}
	return view{page: "season", title: "Season", data: d}, nil
}

func (d *seasonData) week(monday civil.Date) weekRow {
	w := weekRow{Monday: monday, Name: monday.Week(), Unknown: true}
	for _, b := range d.Bays {
		if b.Week != monday {
			continue
		}
		w.Unknown = false
		w.Full, w.Skill = b.Full(b.Load), b.Scarcest(b.Load)
		w.Bar, w.Before = bar(w.Full), bar(b.Full(b.Before))
		w.Over = w.Full > 1+1e-9
	}
	for _, v := range d.Visits {
		if v.Day.Monday() == monday {
			w.Visits = append(w.Visits, v)
		}
	}
	return w
}

func bar(full float64) int { return int(min(1, full/1.5) * 120) }

// kinds says a visit's work in one line.
func kinds(v season.Visit) string {
	var order []coach.TaskKind
	count := map[coach.TaskKind]int{}
	for _, t := range v.Tasks {
		if count[t.Kind] == 0 {
			order = append(order, t.Kind)
		}
		count[t.Kind]++
	}
	out := ""
	for i, k := range order {
		if i > 0 {
			out += ", "
		}
		out += taskName(k)
		if count[k] > 1 {
			out += fmt.Sprintf(" x%d", count[k])
		}
	}
	return out
}
