package cli

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/season"
)

// The JSON of plan. Keys are part of the command's contract.
type (
	planReport struct {
		On        civil.Date    `json:"on"`
		Visits    []visitReport `json:"visits"`
		Elsewhere []visitReport `json:"elsewhere"`
		Bays      []bayReport   `json:"bays"`
		Parts     []needReport  `json:"parts"`
		Cuts      []cutReport   `json:"cuts"`
		Late      []lateReport  `json:"late"`
		LateWeeks int           `json:"late_weeks_total"`
		Overload  []shortReport `json:"overloaded"`
		Moved     []moveReport  `json:"moved"`
		Holds     []stopReport  `json:"holds"`
		Problems  []string      `json:"problems"`
	}
	visitReport struct {
		Coach     coach.ID    `json:"coach"`
		Week      string      `json:"week"`
		Date      civil.Date  `json:"date"`
		Tasks     []visitTask `json:"tasks"`
		Offers    []visitTask `json:"offers,omitempty"`
		Hours     [2]sig      `json:"hours"`
		Why       string      `json:"why"`
		First     civil.Date  `json:"first"`
		Latest    civil.Date  `json:"latest"`
		BookBy    civil.Date  `json:"book_by"`
		CureUntil civil.Date  `json:"no_move_until,omitempty"`
		Notes     []string    `json:"notes,omitempty"`
		Pinned    bool        `json:"pinned,omitempty"`
		Chosen    bool        `json:"chosen,omitempty"`
		Unplaced  bool        `json:"unplaced,omitempty"`
		Shop      string      `json:"shop,omitempty"`
	}
	visitTask struct {
		Kind    coach.TaskKind `json:"kind"`
		Run     string         `json:"run"`
		Target  civil.Date     `json:"target"`
		Latest  civil.Date     `json:"latest"`
		Anchor  civil.Date     `json:"counts_from"`
		Mark    string         `json:"mark,omitempty"`
		Why     string         `json:"why"`
		MovedBy string         `json:"moved_by"`
	}
	bayReport struct {
		Week       string         `json:"week"`
		Hours      sig            `json:"hours"`
		Capacity   sig            `json:"capacity"`
		Before     sig            `json:"before_levelling"`
		Full       sig            `json:"full"`
		FullBefore sig            `json:"full_before_levelling"`
		Skills     map[string]sig `json:"hours_by_skill"`
	}
	needReport struct {
		Profile  string     `json:"profile"`
		Month    string     `json:"month"`
		Expected sig        `json:"feet_expected"`
		High     sig        `json:"feet_90"`
		Pieces   sig        `json:"pieces_expected"`
		OrderBy  civil.Date `json:"order_by"`
		Shelf    sig        `json:"feet_on_shelf"`
		Order    sig        `json:"feet_to_order"`
		TooLate  bool       `json:"order_late,omitempty"`
	}
	cutReport struct {
		Profile string   `json:"profile"`
		Coil    sig      `json:"coil_ft"`
		New     bool     `json:"new_coil"`
		Pieces  []sig    `json:"pieces_ft"`
		For     []string `json:"for"`
		Remnant sig      `json:"remnant_ft"`
		Waste   sig      `json:"waste_ft"`
		Optimal bool     `json:"fewest_coils"`
	}
	lateReport struct {
		Coach  coach.ID       `json:"coach"`
		Kind   coach.TaskKind `json:"kind"`
		Run    string         `json:"run"`
		Latest civil.Date     `json:"latest"`
		Date   civil.Date     `json:"date"`
		Days   int            `json:"days"`
		Why    string         `json:"why"`
	}
	shortReport struct {
		First   string      `json:"first_week"`
		Last    string      `json:"last_week"`
		Skill   coach.Skill `json:"skill"`
		Need    sig         `json:"hours_needed"`
		Room    sig         `json:"hours_there"`
		Extra   sig         `json:"extra_hours"`
		Earlier []coach.ID  `json:"could_come_earlier"`
	}
	moveReport struct {
		Coach coach.ID   `json:"coach"`
		From  string     `json:"from_week"`
		To    civil.Date `json:"to"`
		Why   string     `json:"why"`
	}
	stopReport struct {
		Coach    coach.ID      `json:"coach"`
		Slide    coach.SlideID `json:"slide"`
		Since    civil.Date    `json:"since"`
		NotToLet bool          `json:"not_to_be_let"`
		Why      string        `json:"why"`
	}
)

func planOf(p season.Plan) planReport {
	r := planReport{On: p.On, Visits: visitsOf(p.Visits), Elsewhere: visitsOf(p.Elsewhere), Bays: []bayReport{},
		Parts: []needReport{}, Cuts: []cutReport{}, Late: []lateReport{}, LateWeeks: p.LateWeeks,
		Overload: []shortReport{}, Moved: []moveReport{}, Holds: []stopReport{}, Problems: append([]string{}, p.Problems...)}
	for _, b := range p.Bays {
		x := bayReport{Week: b.Week.Week(), Hours: sig(b.Load.Sum()), Capacity: sig(b.Capacity.Sum()),
			Before: sig(b.Before.Sum()), Full: sig(b.Full(b.Load)), FullBefore: sig(b.Full(b.Before)), Skills: map[string]sig{}}
		for k, s := range coach.Skills {
			x.Skills[string(s)] = sig(b.Load[k])
		}
		r.Bays = append(r.Bays, x)
	}
	for _, n := range p.Parts {
		r.Parts = append(r.Parts, needReport{n.Profile, n.Month.String()[:7], sig(n.Expected.Feet()), sig(n.High.Feet()),
			sig(n.Pieces), n.OrderBy, sig(n.Shelf.Feet()), sig(n.Order.Feet()), n.TooLate})
	}
	for _, c := range p.Cuts {
		x := cutReport{Profile: c.Profile, Coil: sig(c.Length.Feet()), New: c.New, Remnant: sig(c.Remnant.Feet()),
			Waste: sig(c.Waste.Feet()), Optimal: c.Optimal}
		for _, q := range c.Pieces {
			x.Pieces, x.For = append(x.Pieces, sig(q.Length.Feet())), append(x.For, string(q.Coach)+" "+q.Run)
		}
		r.Cuts = append(r.Cuts, x)
	}
	for _, l := range p.Late {
		r.Late = append(r.Late, lateReport{l.Coach, l.Task.Kind, l.Task.Run, l.Task.Latest, l.Day, l.Days, l.Why})
	}
	for _, s := range p.Short {
		r.Overload = append(r.Overload, shortReport{s.First.Week(), s.Last.Week(), s.Skill, sig(s.Need), sig(s.Room),
			sig(s.Need - s.Room), append([]coach.ID{}, s.Earlier...)})
	}
	for _, m := range p.Moves {
		r.Moved = append(r.Moved, moveReport{m.Coach, m.From.Week(), m.To, m.Why})
	}
	for _, h := range p.Holds {
		r.Holds = append(r.Holds, stopReport{h.Coach, h.Slide, h.Since, h.Let, h.Why})
	}
	return r
}

func visitsOf(vs []season.Visit) []visitReport {
	out := []visitReport{}
	for _, v := range vs {
		x := visitReport{Coach: v.Coach, Week: v.Day.Week(), Date: v.Day, Tasks: tasksOf(v.Tasks),
			Hours: [2]sig{sig(v.Low), sig(v.High)}, Why: v.Why, First: v.First, Latest: v.Latest,
			BookBy: v.BookBy, CureUntil: v.CureUntil, Notes: v.Notes, Pinned: v.Pinned, Chosen: v.Chosen, Unplaced: v.Unplaced,
			Shop: v.Partner}
		if len(v.Offers) > 0 {
			x.Offers = tasksOf(v.Offers)
		}
		out = append(out, x)
	}
	return out
}

func tasksOf(ts []plan.Task) []visitTask {
	out := []visitTask{}
	for _, t := range ts {
		out = append(out, visitTask{t.Kind, t.Run, t.Target, t.Latest, t.Anchor, t.Mark, t.Why.String(), t.MovedBy()})
	}
	return out
}
