package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
)

// register adds every operation.
func (a *API) register(api huma.API) {
	a.account(api)
	a.coaches(api)
	a.about(api)
	a.work(api)
	a.events(api)
	heads(api.OpenAPI())
}

// op describes an operation in a few words.
func op(method, path, id, summary string) huma.Operation {
	o := huma.Operation{OperationID: id, Method: method, Path: Root + path, Summary: summary,
		Errors: []int{400, 401, 403, 404, 405, 409, 412, 413, 415, 422, 429, 503}}
	o.BodyReadTimeout = -1 // bodies are read before (unread), in the time that the server gives them
	if method == http.MethodPost {
		o.Parameters = []*huma.Param{{
			Name: "Idempotency-Key", In: "header", Description: keyHelp,
			Schema: &huma.Schema{Type: huma.TypeString, MaxLength: &longestKey},
		}}
	}
	return o
}

// Page is how lists are asked for.
type Page struct {
	After string `query:"after" doc:"Where to read on: next of the page before."`
	Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"100" doc:"How many entries a page has at most."`
}

// listed is a page of a list.
type listed[T any] struct {
	Body struct {
		Items []T    `json:"items"`
		Next  string `json:"next,omitempty" doc:"Send it as after to read on. It is missing on the last page."`
	}
}

// whole is a list that comes at once.
type whole[T any] struct {
	Body struct {
		Items []T `json:"items"`
	}
}

// allOf makes a whole list of what the desk returned. It is never null.
func allOf[F, T any](from []F, as func(F) T) *whole[T] {
	out := &whole[T]{}
	out.Body.Items = listOf(from, as).Body.Items
	return out
}

// listOf makes a list of what the desk returned. It is never null.
func listOf[F, T any](from []F, as func(F) T) *listed[T] {
	out := &listed[T]{}
	out.Body.Items = make([]T, len(from))
	for i, x := range from {
		out.Body.Items[i] = as(x)
	}
	return out
}

// coachBody is a coach with its version.
type coachBody struct {
	Coach    string    `json:"coach"`
	Version  string    `json:"version" doc:"The ETag of this state."`
	Changed  time.Time `json:"changed"`
	Record   record    `json:"record"`
	Warnings []string  `json:"warnings,omitempty" doc:"In the answer to a change: what was accepted, but is probably a mistake."`
}

// tagged is a coach with its version as ETag.
type tagged struct {
	ETag string `header:"ETag"`
	Body coachBody
}

func bodyOf(r desk.CoachRecord) coachBody {
	return coachBody{Coach: string(r.ID), Version: etag(r.Version), Changed: time.UnixMicro(r.Version).UTC(),
		Record: record{r.Text}}
}

// OneCoach names a coach in a path.
type OneCoach struct {
	Coach string `path:"coach" maxLength:"100" doc:"Short name of the coach."`
}

func (a *API) coaches(api huma.API) {
	huma.Register(api, op("GET", "/coaches", "list-coaches", "List coaches in the order of their last change"),
		func(ctx context.Context, in *struct {
			Changed
			External string `query:"external_id" doc:"Only coaches to which another system gave this key."`
		}) (*listed[coachBody], error) {
			if in.External != "" {
				rs, err := a.Desk.CoachesByExternal(ctx, who(ctx).Account, in.External)
				return listOf(rs, bodyOf), a.fail(err)
			}
			at, name, err := in.place()
			if err != nil {
				return nil, err
			}
			rs, err := a.Desk.CoachesAfter(ctx, who(ctx).Account, at, name, in.Limit)
			if err != nil {
				return nil, a.fail(err)
			}
			out := listOf(rs, bodyOf)
			if len(rs) == in.Limit {
				last := rs[len(rs)-1]
				out.Body.Next = cursor(strconv.FormatInt(last.Version, 10), string(last.ID))
			}
			return out, nil
		})
	huma.Register(api, op("GET", "/coaches/{coach}", "get-coach", "Get one coach"),
		func(ctx context.Context, in *OneCoach) (*tagged, error) {
			r, err := a.Desk.CoachRecord(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			return &tagged{etag(r.Version), bodyOf(r)}, nil
		})
	put := op("PUT", "/coaches/{coach}", "put-coach", "Add a coach or replace its record")
	put.SkipValidateBody = true // package intake judges it
	huma.Register(api, put, func(ctx context.Context, in *struct {
		OneCoach
		IfMatch string `header:"If-Match" doc:"ETag of the state that you saw. Without it, the record is replaced whatever its state."`
		None    string `header:"If-None-Match" doc:"*: add the coach, and change nothing if it exists."`
		Body    record
	}) (*tagged, error) {
		return a.putCoach(ctx, in.Coach, "", in.IfMatch, in.None, in.Body.RawMessage)
	})
	a.collections(api)
	many := op("POST", "/coaches/bulk", "bulk-coaches",
		"Add or replace up to 10,000 coaches; the answer has a result for each")
	many.MaxBodyBytes, many.BodyReadTimeout = MaxBulk, bulkTime
	many.SkipValidateBody = true
	huma.Register(api, many, func(ctx context.Context, in *struct{ Body bulk }) (*bulkResult, error) {
		items, err := in.Body.coaches()
		if err != nil {
			return nil, problem(http.StatusUnprocessableEntity, err.Error(),
				fmt.Sprintf(`Send {"coaches": [...]} with 1 to %d of them.`, mostInBulk))
		}
		rs, err := a.Desk.SaveMany(ctx, who(ctx).Account, who(ctx).Email, items)
		if err != nil {
			return nil, a.fail(err)
		}
		out := &bulkResult{}
		for i, r := range rs {
			if r.Saved {
				out.Body.Saved++
			} else {
				out.Body.Refused++
			}
			out.Body.Items = append(out.Body.Items, bulkItem{i, string(r.Coach), r.Saved, r.Changed, r.Problems, r.Warnings})
		}
		return out, nil
	})
}

type bulkItem struct {
	Index    int      `json:"index"`
	Coach    string   `json:"coach"`
	Saved    bool     `json:"saved"`
	Changed  bool     `json:"changed" doc:"The coach is new, or differs from what was stored. An unchanged coach keeps its version, and there is no event."`
	Problems []string `json:"problems,omitempty" doc:"What you have to correct. Nothing of this coach is stored."`
	Warnings []string `json:"warnings,omitempty" doc:"What was accepted, but is probably a mistake."`
}

type bulkResult struct {
	Body struct {
		Saved   int        `json:"saved"`
		Refused int        `json:"refused"`
		Items   []bulkItem `json:"items"`
	}
}

// putCoach stores one coach; with a version it must not have changed since. part is the
// part of the record that was sent; "": all of it.
func (a *API) putCoach(ctx context.Context, id, part, match, none string, text json.RawMessage) (*tagged, error) {
	w := who(ctx)
	var tree map[string]any
	if err := json.Unmarshal(text, &tree); err != nil || tree == nil {
		return nil, problem(http.StatusUnprocessableEntity, "the record is not a JSON object",
			"Send the coach as in a coach file.")
	}
	if tree["coach"] == nil {
		tree["coach"] = id
	}
	if tree["coach"] != id {
		return nil, problem(http.StatusUnprocessableEntity, "the record names another coach than the address",
			"Leave coach out of the record, or give the same name.")
	}
	v := int64(0)
	now, err := a.Desk.CoachRecord(ctx, w.Account, coach.ID(id))
	switch {
	case err != nil && fault.KindOf(err) != fault.NotFound:
		return nil, a.fail(err)
	case err == nil && none == "*":
		return nil, both("exists", "the coach already exists", now)
	case match != "" && err != nil:
		return nil, problem(http.StatusPreconditionFailed, "there is no such coach", "To add it, leave out If-Match.")
	case match == "*": // any state of it
	case match != "":
		if v, err = version(match); err != nil {
			return nil, err
		}
		if v != now.Version {
			return nil, both("changed", "the coach was changed meanwhile", now)
		}
	}
	raw, err := json.Marshal(tree)
	if err != nil {
		return nil, problem(http.StatusUnprocessableEntity, err.Error(), "")
	}
	today, err := a.Desk.Today(ctx, w.Account)
	if err != nil {
		return nil, a.fail(err)
	}
	items := intake.ReadTrees(intake.Options{Today: today, Places: a.Desk.Places}, []intake.Text{intake.TextOf(raw)})
	if items[0].Problems.Err() != nil {
		return nil, faulty("the record has faults; nothing was stored", items[0].Problems, recordField(id, part))
	}
	if err := a.Desk.SaveCoach(ctx, w.Account, w.Email, items[0].Coach, v); err != nil {
		if _, taken := errors.AsType[*desk.ExternalTaken](err); taken {
			p := problem(http.StatusConflict, fault.SentenceOf(err), fault.HintOf(err)).kind("external_id_taken")
			fault := ErrorDetail{Message: p.Detail, Location: "body.external_id", Value: items[0].Coach.External}
			fault.Pointer = pointer(fault.Location)
			p.Errors = []*ErrorDetail{&fault}
			return nil, p
		}
		if fault.KindOf(err) == fault.Conflict {
			return nil, both("changed", "the coach was changed meanwhile", now)
		}
		return nil, a.fail(err)
	}
	r, err := a.Desk.CoachRecord(ctx, w.Account, coach.ID(id))
	if err != nil {
		return nil, a.fail(err)
	}
	out := &tagged{etag(r.Version), bodyOf(r)}
	out.Body.Warnings = items[0].Problems.Warnings()
	return out, nil
}

// both is a conflict that shows the present state of the coach.
func both(code, sentence string, now desk.CoachRecord) error {
	p := problem(http.StatusPreconditionFailed, sentence, "Look at its present state and decide again.").kind(code)
	p.Present = bodyOf(now)
	return p
}

type forecastItem struct {
	Slide     string     `json:"slide"`
	Edge      string     `json:"edge" example:"outer/front"`
	Run       string     `json:"run" deprecated:"true" doc:"Older name: use slide and edge."`
	Part      string     `json:"part"`
	Material  string     `json:"material"`
	Fitted    civil.Date `json:"fitted" format:"date"`
	LifeUsed  float64    `json:"life_used" doc:"Damage so far as a share of the damage at the likely date. It can be more than 1."`
	Early     string     `json:"early,omitempty" format:"date" doc:"10 % of such parts have needed replacement by this day."`
	Likely    string     `json:"likely,omitempty" format:"date" doc:"50 % of such parts have needed replacement by this day."`
	Late      string     `json:"late,omitempty" format:"date" doc:"90 % of such parts have needed replacement by this day."`
	Governing string     `json:"governing,omitempty" doc:"What ages the part most."`
	Chance    float64    `json:"chance" minimum:"0" maximum:"1" doc:"Chance that the part needs replacement before the season opens, or within half a year when the coach has no season."`
	Stop      string     `json:"safety_stop,omitempty" doc:"Why nobody may use this slide. Missing: there is no safety stop."`
	WrongSize string     `json:"wrong_size,omitempty" doc:"Why the bulb does not fit its gap. Missing: it fits, or nobody measured."`
	Risk      float64    `json:"risk" deprecated:"true" doc:"Older name: use chance."`
	Hold      string     `json:"hold,omitempty" deprecated:"true" doc:"Older name: use safety_stop and wrong_size."`
}

type reasonItem struct {
	Topic  string `json:"topic"`
	Text   string `json:"text"`
	Rule   string `json:"rule,omitempty"`
	Source string `json:"source,omitempty"`
}

// about are the operations that tell what is known of a coach.
func (a *API) about(api huma.API) {
	huma.Register(api, op("GET", "/coaches/{coach}/forecasts", "list-forecasts",
		"List the dates of every part, as of today"),
		func(ctx context.Context, in *OneCoach) (*whole[forecastItem], error) {
			p, err := a.Desk.CoachPage(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(p.Outcome.Forecasts, func(f projection.Forecast) forecastItem {
				slide, edge := spot(f.Run)
				x := forecastItem{Slide: slide, Edge: edge, Run: f.Run, Part: string(f.Part), Material: string(f.Material),
					Fitted: f.Fitted, LifeUsed: f.LifeUsed, Governing: coach.Named(f.Governing), Chance: f.Risk, Risk: f.Risk,
					WrongSize: f.Hold.String(), Hold: f.Hold.String()}
				if r, stopped := p.Coach.DangerOn(f.Slide, p.Today); stopped {
					x.Stop = desk.DangerText(r)
					x.Hold = x.Stop
				}
				if f.Governing != "" {
					x.Early, x.Likely, x.Late = f.Early.String(), f.Likely.String(), f.Late.String()
				}
				return x
			}), nil
		})
	huma.Register(api, op("GET", "/coaches/{coach}/why", "why", "Explain the dates of one part"),
		func(ctx context.Context, in *struct {
			OneCoach
			Slide string `query:"slide" example:"galley"`
			Edge  string `query:"edge" example:"outer/front" doc:"An edge of the slide."`
			Run   string `query:"run" example:"galley/outer/fore" deprecated:"true" doc:"Older name: use slide and edge."`
			Part  string `query:"part" required:"true" enum:"bulb,wiper,carrier,adhesive,corner"`
		}) (*whole[reasonItem], error) {
			run := coach.EdgeKey(in.Run)
			switch given := in.Slide != "" && in.Edge != ""; {
			case given == (in.Run != "") || given != (in.Slide != "" || in.Edge != ""):
				return nil, problem(http.StatusUnprocessableEntity, "slide and edge do not name one edge",
					"Give both, such as slide=galley and edge=outer/front, and no run.")
			case given:
				run = in.Slide + "/" + coach.EdgeKey(in.Edge)
			}
			_, _, why, err := a.Desk.Why(ctx, who(ctx).Account, coach.ID(in.Coach), run, coach.PartKind(in.Part))
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(why, func(r projection.Reason) reasonItem { return reasonItem(r) }), nil
		})
	huma.Register(api, op("GET", "/coaches/{coach}/notices", "list-coach-notices",
		"List the newest messages about a coach"),
		func(ctx context.Context, in *OneCoach) (*whole[noticeItem], error) {
			p, err := a.Desk.CoachPage(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(p.Notices, noticeOf), nil
		})
	a.reported(api)
	type visits struct {
		Body struct {
			Planned []visitItem  `json:"planned"`
			Agreed  []agreedItem `json:"agreed"`
		}
	}
	huma.Register(api, op("GET", "/coaches/{coach}/visits", "list-visits",
		"List the planned visits and the appointments of a coach"),
		func(ctx context.Context, in *OneCoach) (*visits, error) {
			p, err := a.Desk.CoachPage(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			out := &visits{}
			out.Body.Planned, out.Body.Agreed = listOf(p.Visits, visitOf).Body.Items, listOf(p.Pins, agreedOf).Body.Items
			return out, nil
		})
}

type noticeItem struct {
	Notice  string `json:"notice"`
	Coach   string `json:"coach"`
	Person  string `json:"person"`
	Task    string `json:"task" doc:"The kind of its task."`
	Slide   string `json:"slide,omitempty"`
	Edge    string `json:"edge,omitempty"`
	Run     string `json:"run,omitempty" deprecated:"true" doc:"Older name: use slide and edge."`
	Subject string `json:"subject"`
	State   string `json:"state"`
	Reply   string `json:"reply,omitempty" doc:"What the mail server said."`
	Words   string `json:"words,omitempty" deprecated:"true" doc:"Older name: use reply."`
	Created string `json:"created_on" format:"date"`
	Made    string `json:"made" format:"date" deprecated:"true" doc:"Older name: use created_on."`
}

func noticeOf(n desk.NoticeRow) noticeItem {
	slide, edge := spot(n.Run)
	return noticeItem{reminder.Short(n.LinkID), n.Coach, n.Person, coach.Named(n.Task), slide, edge, n.Run, n.Subject,
		stateName(n.State), n.Reply, n.Reply, n.MadeOn, n.MadeOn}
}

// spot splits where a part, task or message belongs, such as galley/outer/fore, into its
// slide and the name of its edge. Either may be missing.
func spot(where string) (slide, edge string) {
	slide, edge, _ = strings.Cut(where, "/")
	return slide, coach.EdgeName(edge)
}

// DayBody is when and where something was done.
type DayBody struct {
	Day   string `json:"day" format:"date"`
	Slide string `json:"slide,omitempty"`
	Edge  string `json:"edge,omitempty" example:"outer/front"`
	Run   string `json:"run,omitempty" example:"outer/fore" deprecated:"true" doc:"Older name: use edge."`
	Note  string `json:"note,omitempty" maxLength:"200"`
}

type recorded struct {
	Body struct {
		Recorded int      `json:"recorded"`
		Warnings []string `json:"warnings,omitempty" doc:"What was accepted, but is probably a mistake."`
	}
}

// work are the operations by which a program of the shop records things.
func (a *API) work(api huma.API) {
	huma.Register(api, op("POST", "/coaches/{coach}/services", "add-service", "Record work that was done"),
		func(ctx context.Context, in *struct {
			OneCoach
			Body struct {
				DayBody
				Kind string `json:"kind" enum:"clean,clean_and_condition,exercise,inspect,hose_test,replace_bulb,replace_seal,rebond,refit,warranty_check,lubricate,water_test" doc:"To record new parts (replace_bulb, replace_seal, rebond, refit), change the record of the coach instead; here they are refused. lubricate and water_test are older words for clean_and_condition and hose_test."`
			}
		}) (*recorded, error) {
			b := in.Body
			if kind, _ := coach.WordOf(coach.TaskKinds, b.Kind); kind.Renews() {
				return nil, a.fail(desk.ErrRenews)
			}
			return a.report(ctx, in.Coach, "services", map[string]string{"date": b.Day, "kind": b.Kind, "slide": b.Slide,
				"edge": b.Edge, "run": b.Run, "by": "shop", "note": b.Note})
		})
	huma.Register(api, op("POST", "/coaches/{coach}/readings", "add-reading",
		"Record a measurement; the dates of its part are computed again at once"), func(ctx context.Context, in *struct {
		OneCoach
		Body struct {
			DayBody
			Kind  string `json:"kind" example:"bulb_height"`
			Part  string `json:"part,omitempty"`
			Value string `json:"value" example:"17 mm" doc:"As in a coach file: 17 mm, 62, dry, no."`
			By    string `json:"by,omitempty" enum:"shop,owner" default:"shop"`
		}
	}) (*recorded, error) {
		b := in.Body
		return a.report(ctx, in.Coach, "readings", map[string]string{"date": b.Day, "kind": b.Kind, "slide": b.Slide,
			"edge": b.Edge, "run": b.Run, "part": b.Part, "value": b.Value, "by": b.By, "note": b.Note})
	})
	a.tasks(api)
	a.bookings(api)
}

// report records one reading or service, which package intake reads as it reads
// those of a record.
func (a *API) report(ctx context.Context, c, list string, said map[string]string) (*recorded, error) {
	maps.DeleteFunc(said, func(_, v string) bool { return v == "" })
	text, err := json.Marshal(map[string]any{list: []any{said}})
	if err != nil {
		return nil, a.fail(err)
	}
	x, ps, err := a.Desk.Reported(ctx, who(ctx).Account, coach.ID(c), intake.TextOf(text))
	if err != nil {
		return nil, a.fail(err)
	}
	if ps.Err() != nil {
		return nil, faulty("it has faults; nothing was stored", ps, reportedField(list))
	}
	if err := a.Desk.Record(ctx, who(ctx).Account, who(ctx).Email, coach.ID(c), x); err != nil {
		return nil, a.fail(err)
	}
	out := &recorded{}
	out.Body.Recorded, out.Body.Warnings = len(x.Services)+len(x.Readings), ps.Warnings()
	return out, nil
}

func dayOf(s string) (civil.Date, error) {
	d, err := civil.Parse(s)
	if err != nil {
		return 0, problem(http.StatusUnprocessableEntity, strconv.Quote(s)+" is not a date",
			"Write YYYY-MM-DD, such as 2026-03-01.")
	}
	return d, nil
}
