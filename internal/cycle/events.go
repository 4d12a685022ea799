package cycle

import (
	"context"
	"maps"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// movedDays is by how much a likely date must move to be an event (our default).
const movedDays = 30

// before is what was known of a coach before it was dated anew.
type before struct {
	likely map[string]string
	held   map[string]coach.TaskKind // what was on hold, by where
}

func was(ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID) (b before, err error) {
	if b.likely, err = tx.Likelies(ctx, id, c); err != nil {
		return b, err
	}
	if state, err := tx.BoardState(ctx, id, c); err != nil || state != OnHold {
		return b, err
	}
	b.held = map[string]coach.TaskKind{}
	ts, err := tx.TasksAfter(ctx, id, c, "", "", "9999-12-31", 1000)
	for _, t := range ts {
		if k := coach.TaskKind(t.Kind); holds(k) {
			b.held[t.Run] = k
		}
	}
	return b, err
}

// holds reports whether a task means that a room, or a run, is on hold.
func holds(k coach.TaskKind) bool { return k == coach.SafetyStop || k == coach.Refit }

// changed returns what is new about a coach: likely dates that moved, holds set or
// cleared.
func (b before) changed(o *Outcome) (out []store.Happened) {
	for i := range o.Forecasts {
		f := &o.Forecasts[i]
		old, err := civil.Parse(b.likely[f.Run+"/"+string(f.Part)])
		if err != nil || f.Likely == 0 {
			continue // new, or not dated
		}
		if n := old.DaysUntil(f.Likely); n >= movedDays || n <= -movedDays {
			out = append(out, store.Happened{Kind: "forecast.moved", Coach: o.Coach,
				Data: map[string]any{"run": f.Run, "part": f.Part, "was": old, "early": f.Early, "likely": f.Likely, "late": f.Late,
					"because": f.Governing, "life_used": f.LifeUsed}})
		}
	}
	now := map[string]coach.TaskKind{}
	for i := range o.Tasks {
		if t := &o.Tasks[i]; holds(t.Kind) {
			if now[t.Run] = t.Kind; b.held[t.Run] != t.Kind {
				out = append(out, store.Happened{Kind: "hold.set", Coach: o.Coach,
					Data: map[string]any{"task": t.Kind, "run": t.Run, "why": t.Why}})
			}
		}
	}
	for _, run := range slices.Sorted(maps.Keys(b.held)) {
		if now[run] != b.held[run] {
			out = append(out, store.Happened{Kind: "hold.cleared", Coach: o.Coach,
				Data: map[string]any{"task": b.held[run], "run": run}})
		}
	}
	return out
}

// NoticesMade are the events of new notices.
func NoticesMade(ns []reminder.Notice) (out []store.Happened) {
	for i := range ns {
		n := &ns[i]
		out = append(out, store.Happened{Kind: "notice.made", Coach: n.Coach,
			Data: map[string]any{"notice": reminder.Short(n.LinkID), "person": n.Person, "task": n.Task, "run": n.Run,
				"target": n.Target, "not_before": n.NotBefore, "subject": n.Subject, "why": n.Why}})
	}
	return out
}

// planChanged are the events of a new plan against the last one: visits proposed, also for
// another day than before, parts that are newly needed.
func planChanged(last []season.Visit, kept KeptPlan, p *season.Plan) (out []store.Happened) {
	days := map[coach.ID][]civil.Date{}
	for _, v := range last {
		days[v.Coach] = append(days[v.Coach], v.Day)
	}
	for _, v := range append(p.Visits, p.Elsewhere...) {
		old := days[v.Coach]
		h := store.Happened{Kind: "visit.proposed", Coach: v.Coach, Data: map[string]any{"day": v.Day, "from": v.First,
			"until": v.Latest, "tasks": kindsOf(v), "hours": []float64{v.Low, v.High}, "book_by": v.BookBy, "at": v.Partner,
			"agreed": v.Pinned}}
		if len(old) > 0 {
			days[v.Coach] = old[1:]
			if old[0] == v.Day {
				continue
			}
			h.Data["was"] = old[0]
		}
		out = append(out, h)
	}
	had := map[string]bool{}
	for _, n := range kept.Parts {
		if n.Order > 0 {
			had[n.Profile+n.Month.String()] = true
		}
	}
	for _, n := range p.Parts {
		if n.Order > 0 && !had[n.Profile+n.Month.String()] {
			out = append(out, store.Happened{Kind: "part.needed", Data: map[string]any{"profile": n.Profile, "month": n.Month,
				"mm": float64(n.Order), "order_by": n.OrderBy}})
		}
	}
	return out
}

func kindsOf(v season.Visit) (out []coach.TaskKind) {
	seen := map[coach.TaskKind]bool{}
	for _, t := range v.Tasks {
		if !seen[t.Kind] {
			seen[t.Kind] = true
			out = append(out, t.Kind)
		}
	}
	return out
}
