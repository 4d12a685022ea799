package api

import (
	"context"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/intake"
)

// readingItem is a measurement, from the record or sent in since.
type readingItem struct {
	Day   civil.Date `json:"day" format:"date"`
	Kind  string     `json:"kind"`
	Value string     `json:"value" doc:"As in a coach file: 17 mm, 62, dry, no."`
	Slide string     `json:"slide"`
	Edge  string     `json:"edge,omitempty" example:"outer/front"`
	Run   string     `json:"run,omitempty" deprecated:"true" doc:"Older name: use edge."`
	Part  string     `json:"part,omitempty"`
	By    string     `json:"by"`
	Note  string     `json:"note,omitempty"`
}

// serviceItem is work that was done, from the record or sent in since.
type serviceItem struct {
	Day   civil.Date `json:"day" format:"date"`
	Kind  string     `json:"kind"`
	Slide string     `json:"slide,omitempty" doc:"Missing: the whole coach."`
	Edge  string     `json:"edge,omitempty" example:"outer/front"`
	Run   string     `json:"run,omitempty" deprecated:"true" doc:"Older name: use edge."`
	By    string     `json:"by,omitempty"`
	Note  string     `json:"note,omitempty"`
}

// reported are the lists of what happened to a coach: what its record says, and what
// people and programs sent in since, which the record does not hold.
func (a *API) reported(api huma.API) {
	huma.Register(api, op("GET", "/coaches/{coach}/readings", "list-readings",
		"List measurements of a coach: those in its record, and those recorded since"),
		func(ctx context.Context, in *OneCoach) (*whole[readingItem], error) {
			c, err := a.Desk.Coach(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(c.Readings, func(r coach.Reading) readingItem {
				return readingItem{r.Day, string(r.Kind), intake.ReadingText(r), string(r.Slide),
					coach.EdgeName(r.Run), r.Run, string(r.Part), r.By, r.Note}
			}), nil
		})
	huma.Register(api, op("GET", "/coaches/{coach}/services", "list-services",
		"List work done on a coach: in its record, and recorded since"),
		func(ctx context.Context, in *OneCoach) (*whole[serviceItem], error) {
			c, err := a.Desk.Coach(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(c.Services, func(s coach.Service) serviceItem {
				return serviceItem{s.Day, coach.Named(s.Kind), string(s.Slide), coach.EdgeName(s.Run), s.Run, s.By, s.Note}
			}), nil
		})
}
