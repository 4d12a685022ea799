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
	Slide    string     `json:"slide,omitempty" doc:"Missing: the whole coach."`
	Edge     string     `json:"edge,omitempty" example:"outer/front" doc:"Missing: the whole slide."`
	Where    string     `json:"where" deprecated:"true" doc:"Older name: use slide and edge."`
	Earliest string     `json:"earliest" format:"date"`
	Target   string     `json:"target" format:"date"`
	Latest   string     `json:"latest" format:"date"`
	Why      string     `json:"why"`
	State    string     `json:"state" enum:"open,postponed,appointment_requested,done_reported,appointment_agreed,done" doc:"open: nobody has answered, or no answer holds any more. postponed: somebody asked for a reminder later. appointment_requested: somebody asked for an appointment. done_reported: somebody says that it is done, but the record does not show it yet. appointment_agreed: a day is agreed. done: this answer completed it."`
	Until    civil.Date `json:"postponed_until,omitempty" format:"date" doc:"The day before which there will be no reminder of it."`
}

func taskOf(t desk.Task) taskRow {
	slide, edge := spot(t.Run)
	return taskRow{t.Coach, t.Key, coach.Named(t.Kind), slide, edge, t.Run, t.Earliest, t.Target, t.Latest, t.Why,
		standings[t.State], t.PutOffUntil}
}

// standings are the names that the API has for where a task stands.
var standings = map[reminder.Standing]string{reminder.StandsOpen: "open", reminder.StandsPutOff: "postponed",
	reminder.StandsAsked: "appointment_requested", reminder.StandsSaid: "done_reported",
	reminder.StandsBooked: "appointment_agreed", reminder.StandsDone: "done"}

// tasks are the operations about what is due.
func (a *API) tasks(api huma.API) {
	huma.Register(api, op("GET", "/tasks", "list-tasks",
		"List tasks by target date, of the whole account or of one coach"),
		func(ctx context.Context, in *struct {
			Page
			Coach string `query:"coach"`
			Until string `query:"until" format:"date" doc:"Only tasks whose target date is this day or earlier."`
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
	huma.Register(api, op("POST", "/coaches/{coach}/tasks/answer", "answer-task", "Complete a task, or postpone it"),
		func(ctx context.Context, in *struct {
			OneCoach
			Body struct {
				Key    string `json:"key" doc:"The key of the task."`
				Target string `json:"target,omitempty" format:"date" doc:"The target date that you saw. If the task has another one now, the answer is 412."`
				Answer string `json:"answer" enum:"done,later"`
				Day    string `json:"day,omitempty" format:"date" doc:"For done: the day on which it was done. Without it: today."`
				Until  string `json:"until,omitempty" format:"date" doc:"For later: no reminder before this day."`
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
