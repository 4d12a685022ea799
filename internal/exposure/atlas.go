package exposure

import (
	"fmt"
	"sync"

	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
)

// Atlas finds the typical months of sites and keeps them, so that every stay at
// a site shares one climate and one set of rate tables. It is safe for
// concurrent use.
type Atlas struct {
	tables *climate.Tables
	mu     sync.Mutex
	places map[string]*Place
}

// NewAtlas returns an atlas over the climate tables.
func NewAtlas(t *climate.Tables) *Atlas { return &Atlas{tables: t, places: map[string]*Place{}} }

// Place returns the climate of a site.
func (a *Atlas) Place(s *coach.Site) *Place {
	id := fmt.Sprintf("%.4f,%.4f,%.0f", s.Lat, s.Lon, s.Elev)
	if len(s.Tmax) == 12 {
		id += fmt.Sprint(s.Tmax, s.Tmin)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	p := a.places[id]
	if p == nil {
		p = &Place{ID: id}
		if len(s.Tmax) == 12 && len(s.Tmin) == 12 {
			p.Normals = a.tables.Override(s.Lat, s.Lon, s.Elev, [12]float64(s.Tmax), [12]float64(s.Tmin))
		} else {
			p.Normals = a.tables.At(s.Lat, s.Lon, s.Elev)
		}
		a.places[id] = p
	}
	return p
}

// Places returns the climates of a coach's stays, in order.
func (a *Atlas) Places(c *coach.Coach) []*Place {
	out := make([]*Place, len(c.Stays))
	for i := range c.Stays {
		out[i] = a.Place(&c.Stays[i].Site)
	}
	return out
}
