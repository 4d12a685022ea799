package web

import (
	"cmp"
	"net/http"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/rulebook"
)

type rulesData struct {
	desk.RulesPage
	Groups  []figures
	Manager bool
	Edited  string
	Base    string // the version that was edited
	Note    string
	Effect  *desk.Effect
	Fault   *trouble
	Bad     []string
}

type figures struct {
	Name string
	Rows []figureRow
}

type figureRow struct {
	Path string
	rulebook.Figure
}

func (s *Site) rules(r *http.Request, w access.Who) (view, error) {
	return s.rulesView(r, w, rulesData{})
}

func (s *Site) rulesView(r *http.Request, w access.Who, d rulesData) (view, error) {
	p, err := s.Desk.RulesPage(r.Context(), w.Account)
	if err != nil {
		return view{}, err
	}
	d.RulesPage, d.Manager = p, w.Role.May(access.Manager)
	d.Edited, d.Base = cmp.Or(d.Edited, p.Text), cmp.Or(d.Base, p.Rules.Version)
	rulebook.Figures(p.Rules, func(path string, f rulebook.Figure) {
		name, rest, ok := strings.Cut(path, ".")
		if name == "materials" || name == "bands" || name == "constructions" || name == "work" {
			sub, _, _ := strings.Cut(rest, ".")
			name += "." + sub
		}
		if !ok {
			name = "general"
		}
		if n := len(d.Groups); n == 0 || d.Groups[n-1].Name != name {
			d.Groups = append(d.Groups, figures{Name: name})
		}
		g := &d.Groups[len(d.Groups)-1]
		g.Rows = append(g.Rows, figureRow{path, f})
	})
	v := view{page: "rules", title: "Rules", data: d}
	if d.Fault != nil || d.Bad != nil {
		v.code = http.StatusUnprocessableEntity
	}
	return v, nil
}

// tryRules shows what a changed rulebook would do; nothing is kept.
func (s *Site) tryRules(r *http.Request, w access.Who) (view, error) {
	d := rulesData{Edited: r.FormValue("text"), Base: r.FormValue("base"), Note: r.FormValue("note")}
	e, err := s.Desk.TryRules(r.Context(), w.Account, d.Edited)
	if err != nil {
		v, e := again(err, view{}, func(t trouble) any { return t })
		if e != nil {
			return view{}, e
		}
		t, _ := v.data.(trouble)
		d.Bad, d.Fault = strings.Split(t.Sentence, "\n"), &trouble{Sentence: "The rulebook has faults.", Hint: t.Hint}
		return s.rulesView(r, w, d)
	}
	d.Effect = &e
	return s.rulesView(r, w, d)
}

func (s *Site) keepRules(r *http.Request, w access.Who) (view, error) {
	if err := s.Desk.AcceptRules(r.Context(), w.Account, w.Email, r.FormValue("base"), r.FormValue("text"),
		r.FormValue("note")); err != nil {
		return view{}, err
	}
	return goTo("/rules", "accepted")
}

type experienceData struct {
	desk.Learned
	Curves  []curveView
	Manager bool
}

func (s *Site) experience(r *http.Request, w access.Who) (view, error) {
	l, curves, err := s.Desk.ExperiencePage(r.Context(), w.Account)
	d := experienceData{Learned: l, Manager: w.Role.May(access.Manager)}
	for _, c := range curves {
		d.Curves = append(d.Curves, drawCurve(c))
	}
	return view{page: "lifetimes", title: "Lifetimes", data: d}, err
}

func (s *Site) accept(r *http.Request, w access.Who) (view, error) {
	if err := s.Desk.KeepRules(r.Context(), w.Account, coach.Material(r.FormValue("material")), w.Email); err != nil {
		return view{}, err
	}
	return goTo("/lifetimes", "accepted")
}

func (s *Site) workOut(r *http.Request, w access.Who) (view, error) {
	if _, _, err := s.Desk.WorkOutExperience(r.Context(), w.Account); err != nil {
		return view{}, err
	}
	return goTo("/lifetimes", "saved")
}
