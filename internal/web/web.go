// Package web is the pages: the status page and the small page behind the links
// of a message. It renders on the server and works without scripts.
//
// It imports desk, httpkit, reminder and row 0, never the store. Package daemon
// mounts its handler.
package web

import (
	"bytes"
	"cmp"
	"embed"
	"html/template"
	"log/slog"
	"net/http"
	"time"

	"sealmanac/internal/buildinfo"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/reminder"
	"sealmanac/internal/wording"
)

//go:embed templates/*.html static/*
var files embed.FS

// pages are parsed at start, so that a broken template stops the program there.
var pages = parse("status", "ask", "answered", "trouble")

func parse(names ...string) map[string]*template.Template {
	out := map[string]*template.Template{}
	for _, n := range names {
		out[n] = template.Must(template.ParseFS(files, "templates/layout.html", "templates/"+n+".html"))
	}
	return out
}

// Site serves the pages over a desk.
type Site struct {
	Desk *desk.Desk
	Log  *slog.Logger
}

// view is what a handler returns: a page and its data, never a half-written
// response.
type view struct {
	page  string
	title string
	data  any
	words *wording.Words
}

// Handler returns the routes.
func (s *Site) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.page(s.status))
	mux.HandleFunc("GET /a/{token}", s.page(s.ask))
	mux.HandleFunc("POST /a/{token}", s.page(s.answer))
	mux.Handle("GET /static/", http.FileServerFS(files))
	mux.HandleFunc("/", s.page(func(*http.Request) (view, error) {
		return view{}, fault.New(fault.NotFound, "there is no such page here", "Check the address, or use the link in your newest message.")
	}))
	return mux
}

// page turns a handler into an http.HandlerFunc: it renders into memory first and
// turns failures into a page that says what to do.
func (s *Site) page(h func(*http.Request) (view, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, err := h(r)
		status := http.StatusOK
		if err != nil {
			status = httpkit.Status(err)
			v = view{page: "trouble", title: "Something is not right", data: trouble{Sentence: "Something went wrong on our side.", Hint: "Please try again in a while."}}
			if status != http.StatusInternalServerError {
				v.data = trouble{Sentence: cmp.Or(fault.SentenceOf(err), "This did not work."), Hint: fault.HintOf(err)}
			} else {
				s.Log.Error("page", "pattern", r.Pattern, "err", err)
			}
		}
		var b bytes.Buffer
		if err := pages[v.page].ExecuteTemplate(&b, "layout.html", layout{Words: v.words, Title: v.title, Version: buildinfo.Version(), Data: v.data}); err != nil {
			s.Log.Error("template", "page", v.page, "err", err)
			http.Error(w, "Something went wrong on our side. Please try again.", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.WriteHeader(status)
		_, _ = w.Write(b.Bytes()) // the reader may have gone
	}
}

type layout struct {
	*wording.Words
	Title, Version string
	Data           any
}

type trouble struct{ Sentence, Hint string }

type statusPage struct {
	desk.Status
	States []stateCount
	Late   string
}

type stateCount struct {
	Name string
	N    int
}

var stateWords = []struct {
	state reminder.State
	words string
}{
	{reminder.Queued, "waiting for their time"}, {reminder.Sending, "being sent"}, {reminder.Retry, "to be tried again"},
	{reminder.Accepted, "taken by the mail server"}, {reminder.GivenUp, "given up"}, {reminder.Withdrawn, "withdrawn"},
}

func (s *Site) status(r *http.Request) (view, error) {
	st, err := s.Desk.Status(r.Context())
	if err != nil {
		return view{}, err
	}
	p := statusPage{Status: st}
	for _, w := range stateWords {
		p.States = append(p.States, stateCount{w.words, st.Counts[w.state]})
	}
	if now := s.Desk.Now(); !st.Oldest.IsZero() && st.Oldest.Before(now) {
		p.Late = now.Sub(st.Oldest).Round(time.Second).String()
	}
	return view{page: "status", title: "Sealmanac", data: p}, nil
}

// question is what the answer pages show.
type question struct {
	desk.Question
	said
	Products any
	Today    string
}

// said are the words of an answer page.
type said struct{ Heading, Explain, Button wording.Text }

var words = map[reminder.AnswerKind]said{
	reminder.Done:  {wording.Say("Is it done?"), wording.Say("We write the day down and the next reminder counts from it."), wording.Say("Yes, it is done")},
	reminder.Book:  {wording.Say("Shall the shop call you?"), wording.Say("The shop gets your wish for an appointment and calls or writes to you."), wording.Say("Yes, please book me in")},
	reminder.Later: {wording.Say("Not now?"), wording.Say("We stay quiet about this for a while."), wording.Say("Remind me later")},
	reminder.Stop:  {wording.Say("No more reminders?"), wording.Say("You get no more care reminders from this shop, for any coach. Notices about your safety or a recalled part may still come."), wording.Say("Stop the reminders")},
	reminder.Sold:  {wording.Say("Is this coach sold?"), wording.Say("You get nothing more about it. Its history stays with the coach; your name and address are not passed on."), wording.Say("Yes, it is sold")},
	reminder.Moved: {wording.Say("Does the coach stand elsewhere now?"), wording.Say("Another climate changes when care is due. The shop enters the new place."), wording.Say("Tell the shop")},
}

var thanks = map[reminder.AnswerKind]said{
	reminder.Done:  {Heading: wording.Say("Thank you, it is written down."), Explain: wording.Say("The next reminder counts from today.")},
	reminder.Book:  {Heading: wording.Say("Thank you, the shop knows."), Explain: wording.Say("Somebody will get in touch about a day that suits you.")},
	reminder.Later: {Heading: wording.Say("All right, later."), Explain: wording.Say("We stay quiet about this until then.")},
	reminder.Sold:  {Heading: wording.Say("Thank you, it is written down."), Explain: wording.Say("You get nothing more about this coach. If that was a mistake, write to the shop.")},
	reminder.Moved: {Heading: wording.Say("Thank you, the shop knows."), Explain: wording.Say("The dates follow the new place once the shop has entered it.")},
	reminder.Stop:  {Heading: wording.Say("You will get no more reminders."), Explain: wording.Say("If that was a mistake, write to the shop and they will switch them on again.")},
}

// lotWords are the words of a notice about a lot, visitWords those of an agreed
// day.
var (
	lotWords = map[reminder.AnswerKind]said{
		reminder.Done: {wording.Say("Have you read it?"), wording.Say("The shop then knows that the notice about your part has reached you."), wording.Say("Yes, I have read it")},
		reminder.Book: words[reminder.Book],
	}
	visitWords = said{wording.Say("Do you need another day?"), wording.Say("The shop calls or writes to you. Until then the day stays as it is."), wording.Say("Yes, please find another day")}
)

// ask shows what a link would do; only the button does it.
func (s *Site) ask(r *http.Request) (view, error) {
	q, err := s.Desk.Ask(r.Context(), r.PathValue("token"))
	if err != nil {
		return view{}, err
	}
	v := question{Question: q, said: words[q.Kind], Products: desk.Products, Today: q.Today.String()}
	switch {
	case q.Notice.IsLot():
		v.said = lotWords[q.Kind]
	case q.Notice.Task == coach.BookedVisit && q.Kind == reminder.Book:
		v.said = visitWords
	}
	return view{"ask", v.Heading.In(q.Words), v, q.Words}, nil
}

func (s *Site) answer(r *http.Request) (view, error) {
	_ = r.ParseForm() // a provider's one-click post has its own fields; what is not there is empty
	q, err := s.Desk.Answer(r.Context(), r.PathValue("token"), desk.Details{Day: r.PostForm.Get("day"), Product: r.PostForm.Get("product"), Height: r.PostForm.Get("height"), Where: r.PostForm.Get("where")})
	if err != nil {
		return view{}, err
	}
	v := question{Question: q, said: thanks[q.Kind]}
	if q.Notice.IsLot() && q.Kind == reminder.Done {
		v.Explain = wording.Say("The shop sees that you have read it.")
	}
	return view{"answered", v.Heading.In(q.Words), v, q.Words}, nil
}
