package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/season"
)

type visitItem struct {
	Coach  string     `json:"coach"`
	Day    civil.Date `json:"day" format:"date"`
	From   civil.Date `json:"from" format:"date"`
	Until  civil.Date `json:"until" format:"date"`
	Tasks  []string   `json:"tasks"`
	Hours  [2]float64 `json:"hours"`
	BookBy string     `json:"book_by,omitempty" format:"date"`
	At     string     `json:"at,omitempty" doc:"Another shop, when this one is too far."`
	Agreed bool       `json:"agreed"`
}

// agreedItem is a day that was agreed with a coach's people.
type agreedItem struct {
	Day  civil.Date `json:"day" format:"date"`
	Time string     `json:"time,omitempty" doc:"In the zone of the shop; missing: any time of the day."`
}

// booking is an agreed day with its coach. The fields are written out: the library that
// makes the document passes over those of an embedded type whose name is not exported.
type booking struct {
	Coach string     `json:"coach"`
	Day   civil.Date `json:"day" format:"date"`
	Time  string     `json:"time,omitempty" doc:"In the time zone of the shop; missing: any time of the day."`
}

func bookingOf(p coach.Pin) booking {
	x := agreedOf(p)
	return booking{string(p.Coach), x.Day, x.Time}
}

func agreedOf(p coach.Pin) agreedItem {
	x := agreedItem{Day: p.Day}
	if p.At > 0 {
		x.Time = desk.ClockText(p.At)
	}
	return x
}

func visitOf(v season.Visit) visitItem {
	out := visitItem{string(v.Coach), v.Day, v.First, v.Latest, []string{}, [2]float64{v.Low, v.High}, v.BookBy.String(),
		v.Partner, v.Pinned}
	for _, t := range v.Tasks {
		out.Tasks = append(out.Tasks, string(t.Kind)+" "+t.Run)
	}
	return out
}

type partItem struct {
	Profile string     `json:"profile"`
	Month   civil.Date `json:"month" format:"date"`
	Order   float64    `json:"order_mm"`
	Shelf   float64    `json:"shelf_mm"`
	OrderBy string     `json:"order_by,omitempty" format:"date"`
	TooLate bool       `json:"too_late"`
}

// bookings are the operations about agreed days.
func (a *API) bookings(api huma.API) {
	type moved struct {
		Body struct {
			Coach   string       `json:"coach"`
			Agreed  []agreedItem `json:"agreed"`
			Planned []civil.Date `json:"planned" doc:"Days that the shop chose for its plan. Nobody agreed to them, and nobody is reminded of them."`
		}
	}
	book := op("POST", "/coaches/{coach}/visits", "book-visit",
		"Agree a day, move it, or cancel it; or choose a day for the plan only")
	huma.Register(api, book, func(ctx context.Context, in *struct {
		OneCoach
		Body struct {
			Was      string `json:"was,omitempty" format:"date" doc:"The day that is moved or cancelled."`
			Day      string `json:"day,omitempty" format:"date" doc:"The new day; without it was is cancelled."`
			Time     string `json:"time,omitempty" example:"09:30" doc:"In the zone of the shop; without it any time of the day."`
			PlanOnly bool   `json:"plan_only,omitempty" doc:"The plan keeps the day, but it is not agreed: nobody is reminded of it."`
			ClosedOK bool   `json:"closed_ok,omitempty" doc:"Takes the day although the shop is closed on it. Without it such a day is refused with 422."`
		}
	}) (*moved, error) {
		var days [2]civil.Date
		for i, s := range []string{in.Body.Was, in.Body.Day} {
			if s != "" {
				var err error
				if days[i], err = dayOf(s); err != nil {
					return nil, err
				}
			}
		}
		if days[0] == 0 && days[1] == 0 {
			return nil, problem(http.StatusUnprocessableEntity, "neither was nor day is given",
				"day books, was and day move, was cancels.")
		}
		at, err := desk.Clock(in.Body.Time)
		if err != nil {
			return nil, a.fail(err)
		}
		w := who(ctx)
		m := desk.DayChange{Was: days[0], Day: days[1], At: at, Planned: in.Body.PlanOnly, ClosedOK: in.Body.ClosedOK}
		err = a.Desk.Pin(ctx, w.Account, w.Email, coach.ID(in.Coach), m)
		conflict := fault.KindOf(err) == fault.Conflict
		if err != nil && !conflict {
			return nil, a.fail(err)
		}
		p, e := a.Desk.CoachPage(ctx, w.Account, coach.ID(in.Coach))
		if e != nil {
			return nil, a.fail(e)
		}
		out := &moved{}
		out.Body.Coach, out.Body.Agreed, out.Body.Planned = in.Coach, listOf(p.Pins, agreedOf).Body.Items, []civil.Date{}
		for _, x := range p.Planned {
			out.Body.Planned = append(out.Body.Planned, x.Day)
		}
		if conflict {
			m := problem(http.StatusPreconditionFailed, fault.SentenceOf(err), fault.HintOf(err))
			m.Present, m.Sent = out.Body, in.Body
			return nil, m
		}
		return out, nil
	})
	a.shop(api)
}

// shop are the lists that a shop works from.
func (a *API) shop(api huma.API) {
	huma.Register(api, op("GET", "/visits", "list-season", "Planned visits between two days"),
		func(ctx context.Context, in *struct {
			From  string `query:"from" format:"date" required:"true"`
			Until string `query:"until" format:"date" required:"true"`
		}) (*whole[visitItem], error) {
			p, err := a.Desk.SeasonPage(ctx, who(ctx).Account, in.From, in.Until)
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(p.Visits, visitOf), nil
		})
	huma.Register(api, op("GET", "/bookings", "list-bookings", "Agreed days of all coaches, by day"),
		func(ctx context.Context, in *struct {
			From  string `query:"from" format:"date" doc:"Without it: today."`
			Until string `query:"until" format:"date" doc:"Without it: all."`
		}) (*whole[booking], error) {
			p, err := a.Desk.SeasonPage(ctx, who(ctx).Account, "0000", "0000")
			if err != nil {
				return nil, a.fail(err)
			}
			from, until := cmp.Or(in.From, p.Today), cmp.Or(in.Until, "9999-12-31")
			pins := slices.DeleteFunc(slices.Clone(p.Pins), func(x coach.Pin) bool {
				d := x.Day.String()
				return d < from || d > until
			})
			out := allOf(pins, bookingOf)
			slices.SortStableFunc(out.Body.Items, func(a, b booking) int {
				return cmp.Or(int(a.Day-b.Day), strings.Compare(a.Coach, b.Coach))
			})
			return out, nil
		})
	huma.Register(api, op("GET", "/parts", "list-parts", "Profiles to order, by month"),
		func(ctx context.Context, _ *struct{}) (*whole[partItem], error) {
			p, err := a.Desk.SeasonPage(ctx, who(ctx).Account, "0000", "0000")
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(p.Parts, func(n season.Need) partItem {
				return partItem{n.Profile, n.Month, float64(n.Order), float64(n.Shelf), n.OrderBy.String(), n.TooLate}
			}), nil
		})
	huma.Register(api, op("GET", "/requests", "list-requests", "Who waits for a day, a confirmation or a call"),
		func(ctx context.Context, _ *struct{}) (*whole[desk.Request], error) {
			rs, err := a.Desk.Requests(ctx, who(ctx).Account)
			if err != nil {
				return nil, a.fail(err)
			}
			out := &whole[desk.Request]{}
			out.Body.Items = append([]desk.Request{}, rs...)
			return out, nil
		})
	huma.Register(api, op("GET", "/notices", "list-notices", "Notices of a state"), func(ctx context.Context, in *struct {
		Page
		State string `query:"state" enum:"queued,sending,retry,accepted,given_up,withdrawn" default:"queued"`
	}) (*listed[noticeItem], error) {
		f, err := place(in.After, 2)
		if err != nil {
			return nil, err
		}
		at, err := strconv.ParseInt("0"+f[0], 10, 64)
		if err != nil {
			return nil, errCursor
		}
		rows, err := a.Desk.QueueAfter(ctx, who(ctx).Account, []reminder.State{reminder.State(in.State)}, at, f[1], in.Limit)
		if err != nil {
			return nil, a.fail(err)
		}
		out := listOf(rows, noticeOf)
		if len(rows) == in.Limit {
			last := rows[len(rows)-1]
			out.Body.Next = cursor(strconv.FormatInt(last.NotBefore, 10), last.Key)
		}
		return out, nil
	})
	a.reference(api)
}

// lot is a part that carries a lot.
type lot struct {
	Coach  string `json:"coach"`
	Run    string `json:"run"`
	Part   string `json:"part"`
	Fitted string `json:"fitted" format:"date"`
}

// reference are lots.
func (a *API) reference(api huma.API) {
	huma.Register(api, op("GET", "/lots/{lot}", "get-lot", "Every part that carries a lot"),
		func(ctx context.Context, in *struct {
			Lot string `path:"lot" maxLength:"200"`
		}) (*whole[lot], error) {
			ps, err := a.Desk.LotParts(ctx, who(ctx).Account, in.Lot)
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(ps, func(p desk.LotPart) lot { return lot(p) }), nil
		})
}
