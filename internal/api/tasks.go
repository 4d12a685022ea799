package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

// taskRow is a task as the last pass, and what people said since, leave it.
type taskRow struct {
	Coach    string     `json:"coach"`
	Key      string     `json:"key"`
	Kind     string     `json:"kind"`
	Where    string     `json:"where"`
	Earliest string     `json:"earliest" format:"date"`
	Target   string     `json:"target" format:"date"`
	Latest   string     `json:"latest" format:"date"`
	Why      string     `json:"why"`
	State    string     `json:"state" enum:"open,put_off,booking_asked,done_reported,booked,done" doc:"open: nobody has said anything that still holds; put_off: somebody asked for later; booking_asked: somebody asked for an appointment; done_reported: somebody says that it is done, and the record does not show it; booked: a day is agreed; done: this answer completed it."`
	PutOff   civil.Date `json:"put_off_until,omitempty" format:"date" doc:"Somebody asked to hear no more of it before this day."`
}

func taskOf(t desk.Task) taskRow {
	return taskRow{t.Coach, t.Key, t.Kind, t.Run, t.Earliest, t.Target, t.Latest, t.Why, string(t.State), t.PutOffUntil}
}

// tasks are the operations about what is due.
func (a *API) tasks(api huma.API) {
	huma.Register(api, op("GET", "/tasks", "list-tasks", "Tasks by their aim, of the whole account or one coach"),
		func(ctx context.Context, in *struct {
			Page
			Coach string `query:"coach"`
			Until string `query:"until" format:"date" doc:"Aimed at up to this day."`
		}) (*listed[taskRow], error) {
			f, err := place(in.After, 2)
			if err != nil {
				return nil, err
			}
			until := in.Until
			if until == "" {
				until = "9999-12-31"
			}
			ts, err := a.Desk.TasksAfter(ctx, who(ctx).Account, coach.ID(in.Coach), f[0], f[1], until, in.Limit)
			if err != nil {
				return nil, a.fail(err)
			}
			out := listOf(ts, taskOf)
			if len(ts) == in.Limit {
				last := ts[len(ts)-1]
				out.Body.Next = cursor(last.Target, last.Coach+"|"+last.Key)
			}
			return out, nil
		})
	huma.Register(api, op("POST", "/coaches/{coach}/tasks/answer", "answer-task", "Complete a task, or put it off"),
		func(ctx context.Context, in *struct {
			OneCoach
			Body struct {
				Key    string `json:"key" doc:"The task's key."`
				Target string `json:"target,omitempty" format:"date" doc:"Its aim as you saw it; another one now is a conflict (412)."`
				Answer string `json:"answer" enum:"done,later"`
				Day    string `json:"day,omitempty" format:"date" doc:"Done on; today without it."`
				Until  string `json:"until,omitempty" format:"date" doc:"Later: not before."`
			}
		}) (*struct{ Body taskRow }, error) {
			b := in.Body
			var days [2]civil.Date
			for i, s := range []string{b.Day, b.Until} {
				if s != "" {
					var err error
					if days[i], err = dayOf(s); err != nil {
						return nil, err
					}
				}
			}
			w := who(ctx)
			now, err := a.Desk.AnswerTask(ctx, w.Account, w.Email, coach.ID(in.Coach), b.Key, b.Target,
				reminder.AnswerKind(b.Answer), days[0], days[1])
			if fault.KindOf(err) == fault.Conflict {
				p := problem(http.StatusPreconditionFailed, fault.SentenceOf(err), fault.HintOf(err))
				p.Present, p.Sent = taskOf(now), b
				return nil, p
			}
			return &struct{ Body taskRow }{taskOf(now)}, a.fail(err)
		})
}
