package api

import (
	"context"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
)

// callItem is a person whom the shop has to phone, and why.
type callItem struct {
	Coach    string `json:"coach"`
	Label    string `json:"label,omitempty" doc:"Of the coach."`
	Kind     string `json:"kind" enum:"appointment,confirm,call,moved" doc:"appointment: the person asks for an appointment. confirm: the person says that the work is done. call: no message reaches the person, or there is a safety stop. moved: the person says that the coach is at another place."`
	Person   string `json:"person" doc:"E-mail address; without one, the name or phone number. Empty: nobody is known."`
	Name     string `json:"name,omitempty"`
	Phone    string `json:"phone,omitempty"`
	Language string `json:"language,omitempty"`
	Task     string `json:"task" doc:"The key of the task."`
	TaskKind string `json:"task_kind,omitempty"`
	Slide    string `json:"slide,omitempty"`
	Edge     string `json:"edge,omitempty" example:"outer/front"`
	Reason   string `json:"reason,omitempty" doc:"For call: safety_stop, or why no message reaches the person."`
	Day      string `json:"day,omitempty" format:"date" doc:"The day on which the person asked."`
	Target   string `json:"target,omitempty" format:"date" doc:"Of the task. Missing: it is not on record any more."`
	Why      string `json:"why,omitempty" doc:"Of the task."`
	Place    string `json:"place,omitempty" doc:"For moved: where the coach is now."`
	Last     string `json:"last_message,omitempty" format:"date" doc:"The day of the last message to the person about the coach."`
}

func callOf(q desk.Request) callItem {
	f := append(strings.Split(q.TaskKey, "|"), "", "")
	slide, edge := spot(f[1])
	kind := q.Kind
	if kind == "book" {
		kind = "appointment"
	}
	return callItem{Coach: q.Coach, Label: q.Label, Kind: kind, Person: q.Person, Name: q.Name, Phone: q.Phone,
		Language: q.Speaks, Task: q.TaskKey, TaskKind: coach.Named(f[0]), Slide: slide, Edge: edge, Reason: q.Reason,
		Day: q.Day, Target: q.Target, Why: q.Why, Place: q.Place, Last: q.Last}
}

// Request is a call as the older address lists it.
type Request struct {
	Coach   string `json:"coach"`
	Person  string `json:"person"`
	TaskKey string `json:"task"`
	Kind    string `json:"kind"`
	Day     string `json:"day"`
	Reason  string `json:"reason,omitempty"`
	Name    string `json:"name,omitempty"`
	Phone   string `json:"phone,omitempty"`
	Label   string `json:"label,omitempty"`
	Last    string `json:"last_message,omitempty"`
	Speaks  string `json:"language,omitempty"`
	Target  string `json:"target,omitempty"`
	Why     string `json:"why,omitempty"`
	Place   string `json:"place,omitempty"`
}

func requestOf(q desk.Request) Request {
	return Request{q.Coach, q.Person, q.TaskKey, q.Kind, q.Day, q.Reason, q.Name, q.Phone, q.Label, q.Last, q.Speaks,
		q.Target, q.Why, q.Place}
}

// calls are the lists of people to phone.
func (a *API) calls(api huma.API) {
	huma.Register(api, op("GET", "/calls", "list-calls", "List the people to phone, and why"),
		func(ctx context.Context, _ *struct{}) (*whole[callItem], error) {
			qs, err := a.Desk.Requests(ctx, who(ctx).Account)
			return allOf(qs, callOf), a.fail(err)
		})
	older := op("GET", "/requests", "list-requests", "Older address: use /calls")
	older.Deprecated = true
	huma.Register(api, older, func(ctx context.Context, _ *struct{}) (*whole[Request], error) {
		qs, err := a.Desk.Requests(ctx, who(ctx).Account)
		return allOf(qs, requestOf), a.fail(err)
	})
}
