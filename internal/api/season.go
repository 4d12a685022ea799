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
	Work   []workItem `json:"work"`
	Tasks  []string   `json:"tasks" deprecated:"true" doc:"Older name: use work."`
	Hours  [2]float64 `json:"hours" doc:"The fewest and the most hours that the work takes."`
	BookBy string     `json:"book_by,omitempty" format:"date"`
	Shop   string     `json:"partner,omitempty" doc:"The partner shop that does the work, when this shop is too far away."`
	At     string     `json:"at,omitempty" deprecated:"true" doc:"Older name: use partner."`
	Agreed bool       `json:"agreed" doc:"The day is agreed with the people of the coach."`
}

// workItem is one task of a visit.
type workItem struct {
	Kind  string `json:"kind"`
	Slide string `json:"slide,omitempty"`
	Edge  string `json:"edge,omitempty" example:"outer/front"`
}

// agreedItem is a day that was agreed with a coach's people.
type agreedItem struct {
	Day  civil.Date `json:"day" format:"date"`
	Time string     `json:"time,omitempty" doc:"In the time zone of the shop. Missing: any time of the day."`
}

// appointment is an agreed day with its coach. The fields are written out: the library that
// makes the document passes over those of an embedded type whose name is not exported.
type appointment struct {
	Coach string     `json:"coach"`
	Day   civil.Date `json:"day" format:"date"`
	Time  string     `json:"time,omitempty" doc:"In the time zone of the shop. Missing: any time of the day."`
}

func appointmentOf(p coach.Pin) appointment {
	x := agreedOf(p)
	return appointment{string(p.Coach), x.Day, x.Time}
}

func agreedOf(p coach.Pin) agreedItem {
	x := agreedItem{Day: p.Day}
	if p.At > 0 {
		x.Time = desk.ClockText(p.At)
	}
	return x
}

func visitOf(v season.Visit) visitItem {
	out := visitItem{string(v.Coach), v.Day, v.First, v.Latest, []workItem{}, []string{},
		[2]float64{v.Low, v.High}, v.BookBy.String(), v.Partner, v.Partner, v.Pinned}
	for _, t := range v.Tasks {
		slide, edge := spot(t.Run)
		out.Work = append(out.Work, workItem{coach.Named(t.Kind), slide, edge})
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
			Planned []civil.Date `json:"planned" doc:"Days that the shop chose for its plan. Nobody has agreed to them, and nobody is reminded of them."`
		}
	}
	book := op("POST", "/coaches/{coach}/visits", "book-visit",
		"Record that a day is agreed, moved or canceled, or choose a day for the plan only")
	huma.Register(api, book, func(ctx context.Context, in *struct {
		OneCoach
		Body struct {
			Was      string `json:"was,omitempty" format:"date" doc:"The agreed day to move or cancel."`
			Day      string `json:"day,omitempty" format:"date" doc:"The new day. Without it, the day in was is canceled."`
			Time     string `json:"time,omitempty" example:"09:30" doc:"In the time zone of the shop. Without it: any time of the day."`
			PlanOnly bool   `json:"plan_only,omitempty" doc:"The plan keeps the day, but nobody has agreed to it, and nobody is reminded of it."`
			ClosedOK bool   `json:"closed_ok,omitempty" doc:"Take the day even if the shop is closed then. Without it, the answer is 422."`
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
				"To agree a day, give day. To move one, give was and day. To cancel one, give was.")
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
	huma.Register(api, op("GET", "/visits", "list-season", "List planned visits between two days"),
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
	agreed := op("GET", "/appointments", "list-appointments", "List the appointments of all coaches, by day")
	older := op("GET", "/bookings", "list-bookings", "Older address: use /appointments")
	older.Deprecated = true
	for _, o := range []huma.Operation{agreed, older} {
		huma.Register(api, o, a.appointments)
	}
	huma.Register(api, op("GET", "/parts", "list-parts", "List the profiles to order, by month"),
		func(ctx context.Context, _ *struct{}) (*whole[partItem], error) {
			p, err := a.Desk.SeasonPage(ctx, who(ctx).Account, "0000", "0000")
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(p.Parts, func(n season.Need) partItem {
				return partItem{n.Profile, n.Month, float64(n.Order), float64(n.Shelf), n.OrderBy.String(), n.TooLate}
			}), nil
		})
	a.calls(api)
	a.notices(api)
	a.reference(api)
}

// AppointmentQuery says which appointments are asked for.
type AppointmentQuery struct {
	From  string `query:"from" format:"date" doc:"The first day. Without it: today."`
	Until string `query:"until" format:"date" doc:"The last day. Without it: no end."`
}

func (a *API) appointments(ctx context.Context, in *AppointmentQuery) (*whole[appointment], error) {
	p, err := a.Desk.SeasonPage(ctx, who(ctx).Account, "0000", "0000")
	if err != nil {
		return nil, a.fail(err)
	}
	from, until := cmp.Or(in.From, p.Today), cmp.Or(in.Until, "9999-12-31")
	pins := slices.DeleteFunc(slices.Clone(p.Pins), func(x coach.Pin) bool {
		d := x.Day.String()
		return d < from || d > until
	})
	out := allOf(pins, appointmentOf)
	slices.SortStableFunc(out.Body.Items, func(a, b appointment) int {
		return cmp.Or(int(a.Day-b.Day), strings.Compare(a.Coach, b.Coach))
	})
	return out, nil
}

// notices are the messages that were made.
func (a *API) notices(api huma.API) {
	list := op("GET", "/notices", "list-notices", "List messages in a state")
	huma.Register(api, list, func(ctx context.Context, in *struct {
		Page
		State string `query:"state" enum:"queued,sending,retry,accepted,failed,withdrawn,given_up" default:"queued" doc:"given_up is the older word for failed."`
	}) (*listed[noticeItem], error) {
		f, err := place(in.After, 2)
		if err != nil {
			return nil, err
		}
		at, err := strconv.ParseInt("0"+f[0], 10, 64)
		if err != nil {
			return nil, errCursor
		}
		rows, err := a.Desk.QueueAfter(ctx, who(ctx).Account, []reminder.State{storedState(in.State)}, at, f[1], in.Limit)
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
}

// stateFailed is what people and programs call the state of a message that was given up.
const stateFailed = "failed"

func storedState(name string) reminder.State {
	if name == stateFailed {
		return reminder.GivenUp
	}
	return reminder.State(name)
}

func stateName(state string) string {
	if state == string(reminder.GivenUp) {
		return stateFailed
	}
	return state
}

// lot is a part of a lot.
type lot struct {
	Coach  string `json:"coach"`
	Slide  string `json:"slide"`
	Edge   string `json:"edge" example:"outer/front"`
	Run    string `json:"run" deprecated:"true" doc:"Older name: use slide and edge."`
	Part   string `json:"part"`
	Fitted string `json:"fitted" format:"date"`
}

// reference are lots.
func (a *API) reference(api huma.API) {
	huma.Register(api, op("GET", "/lots/{lot}", "get-lot", "List every part of a lot"),
		func(ctx context.Context, in *struct {
			Lot string `path:"lot" maxLength:"200"`
		}) (*whole[lot], error) {
			ps, err := a.Desk.LotParts(ctx, who(ctx).Account, in.Lot)
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(ps, func(p desk.LotPart) lot {
				slide, edge := spot(p.Run)
				return lot{p.Coach, slide, edge, p.Run, p.Part, p.Fitted}
			}), nil
		})
}
