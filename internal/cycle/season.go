package cycle

import (
	"runtime"
	"sync"

	"sealmanac/internal/coach"
	"sealmanac/internal/season"
)

// Season dates every coach of a snapshot and plans the shop's weeks from its day
// on. last are the visits of an earlier plan, which keep their weeks where they
// can.
func Season(t Tools, in Snapshot, shop *coach.Workshop, weeks int, last []season.Visit) season.Plan {
	outcomes := make([]Outcome, len(in.Members))
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	for i := range in.Members {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			outcomes[i] = t.Assess(&in.Members[i].Coach, in.Today)
		})
	}
	wg.Wait()
	return t.PlanSeason(in, shop, outcomes, weeks, last)
}

// PlanSeason plans the shop's weeks from outcomes already found, in the
// snapshot's order.
func (t Tools) PlanSeason(
	in Snapshot, shop *coach.Workshop, outcomes []Outcome, weeks int, last []season.Visit,
) season.Plan {
	s := season.Input{Rules: t.Engine.Rules, Shop: shop, On: in.Today, Weeks: weeks, Last: last}
	if shop != nil && shop.Site != nil {
		var lows [12]float64
		for mo, x := range t.Atlas.Place(shop.Site).Normals.Months {
			lows[mo] = x.Tmin
		}
		s.Lows = &lows
	}
	for i := range outcomes {
		if o := &outcomes[i]; o.Settled {
			s.Members = append(s.Members, season.Member{Coach: &in.Members[i].Coach, Setting: o.Setting, Tasks: o.Tasks,
				Forecasts: o.Forecasts})
		}
	}
	return season.Make(s)
}
