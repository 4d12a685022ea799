package season

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Hit is a part found by its lot or its fitting day.
type Hit struct {
	Run    string         `json:"run"`
	Part   coach.PartKind `json:"part"`
	Lot    string         `json:"lot"`
	Fitted civil.Date     `json:"fitted"`
}

// PartsOf returns the parts of a coach that carry a lot and were fitted between
// two days, both included. An empty lot means any, a zero day no limit. With a lot
// and days, parts of unknown lot fitted in between count too: they may be of it.
func PartsOf(c *coach.Coach, lot string, from, until civil.Date) (out []Hit) {
	dated := from != 0 || until != 0
	for i := range c.Slides {
		s := &c.Slides[i]
		for _, r := range s.Runs {
			for _, p := range r.Parts {
				within := p.Fitted >= from && (until == 0 || p.Fitted <= until)
				same := lot == "" || p.Lot == lot || dated && p.Lot == coach.UnknownLot
				if within && same {
					out = append(out, Hit{s.Address(r), p.Kind, p.Lot, p.Fitted})
				}
			}
		}
	}
	return out
}
