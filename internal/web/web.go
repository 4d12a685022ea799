// Package web is the pages: board, coach, recording, season, notices, people, and the
// small pages behind the links of a message. It renders on the server; one script of
// ours adds the queue without signal, dragging and the fit check while typing, and
// everything else works without it.
//
// It imports desk, access, httpkit, reminder, season, intake, plan, projection,
// rulebook and row 0 and 1, never the store's transactions. Package daemon mounts its
// handler.
package web

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"sealmanac/internal/access"
	"sealmanac/internal/buildinfo"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/reminder"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

//go:embed templates/*.html static/*
var files embed.FS

// pages are parsed at start, so that a broken template stops the program there.
var pages = parse()

func parse() map[string]*template.Template {
	out := map[string]*template.Template{}
	names, err := files.ReadDir("templates")
	if err != nil {
		panic(err) // embedded
	}
	for _, n := range names {
		name := strings.TrimSuffix(n.Name(), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		out[name] = template.Must(template.New("layout.html").Funcs(funcs).ParseFS(files, "templates/layout.html",
			"templates/parts.html", "templates/"+n.Name()))
	}
	return out
}

// Site serves the pages over a desk.
type Site struct {
	Desk    *desk.Desk
	Access  *access.Access
	Log     *slog.Logger
	Proxies []string // addresses of proxies that tell who sends a request
	Secure  bool     // people reach the pages over TLS: cookies are kept to it
}

// view is what a handler returns: a page and its data, never a half-written
// response; or where to go next.
type view struct {
	page  string
	title string
	data  any
	words *wording.Words
	to    string // redirect to this path of ours
	file  *sent  // neither page nor redirect
	bare  bool   // without the bar of the members' pages
	code  int    // status; 0: 200
}

// sent is a response that is no page of ours.
type sent struct {
	media, name string
	body        []byte
	keep        bool // may be kept by the browser
	save        bool // to be saved, not shown
	asked       bool // is asked for again and again: with an ETag, and 304 while it is the same
}

// goTo returns a redirect, with a word that the next page shows as done.
func goTo(path, done string) (view, error) {
	if done != "" {
		sep := "?"
		if strings.Contains(path, "?") {
			sep = "&"
		}
		path += sep + "done=" + url.QueryEscape(done)
	}
	return view{to: path}, nil
}

// Cookies: session holds a session's secret, known tells that a member has signed in
// with this browser before.
const (
	session = "sealmanac"
	known   = "sealmanac-known"
)

// own returns the name under which a browser keeps a cookie of ours. Over TLS its prefix
// makes the browser refuse it from any other host, also from one of the same domain.
func (s *Site) own(cookie string) string {
	if s.Secure {
		return "__Host-" + cookie
	}
	return cookie
}

// had returns the value of a cookie of ours, or "".
func (s *Site) had(r *http.Request, cookie string) string {
	if c, err := r.Cookie(s.own(cookie)); err == nil {
		return c.Value
	}
	return ""
}

// stamp changes with the static files, so that browsers may keep them.
var stamp = func() string {
	h := sha256.New()
	names, _ := files.ReadDir("static")
	for _, n := range names {
		b, _ := files.ReadFile("static/" + n.Name())
		h.Write(b)
	}
	return hex.EncodeToString(h.Sum(nil))[:10]
}()

// route is one address of the pages; role "" is for everybody.
type route struct {
	pattern string
	role    access.Role
	open    func(*http.Request) (view, error)
	member  func(*http.Request, access.Who) (view, error)
}

// routes lists every address. The test of the walls between accounts walks it.
func (s *Site) routes() []route {
	v, t, m := access.Viewer, access.Technician, access.Manager
	return []route{
		{"GET /{$}", "", s.front, nil},
		{"GET /enter", "", s.enterPage, nil}, {"POST /enter", "", s.enter, nil}, {"GET /enter/oidc", "", s.oidc, nil},
		{"GET /enter/oidc/back", "", s.oidcBack, nil}, {"POST /leave", v, nil, s.leave},
		{"GET /first/{token}", "", s.firstPage, nil}, {"POST /first/{token}", "", s.first, nil},
		{"GET /join/{token}", "", s.joinPage, nil}, {"POST /join/{token}", "", s.join, nil},
		{"GET /forgot", "", s.forgotPage, nil}, {"POST /forgot", "", s.forgot, nil},
		{"GET /reset/{token}", "", s.resetPage, nil}, {"POST /reset/{token}", "", s.reset, nil},
		{"GET /a/{token}", "", s.ask, nil}, {"POST /a/{token}", "", s.answer, nil},
		{"GET /o/{token}", "", s.owner, nil}, {"GET /o/{token}/card", "", s.card, nil},
		{"GET /o/{token}/calendar.ics", "", s.ownerCalendar, nil}, {"GET /cal/{token}", "", s.calendar, nil},
		{"GET /board", v, nil, s.board}, {"POST /board/views", v, nil, s.saveView},
		{"GET /units", v, nil, s.units},
		{"GET /coach/{coach}", v, nil, s.coach}, {"GET /coach/{coach}/why", v, nil, s.why},
		{"GET /coach/{coach}/edit", t, nil, s.editPage}, {"POST /coach/{coach}/edit", t, nil, s.edit},
		{"GET /coach/{coach}/fit", t, nil, s.fitPage}, {"POST /coach/{coach}/fit", t, nil, s.fit},
		{"GET /coach/{coach}/walk/{slide}", t, nil, s.walkPage}, {"POST /coach/{coach}/walk/{slide}", t, nil, s.walk},
		{"GET /coach/{coach}/turn", t, nil, s.turnPage}, {"POST /coach/{coach}/turn", t, nil, s.turn},
		{"POST /coach/{coach}/done", t, nil, s.done}, {"POST /coach/{coach}/undo", t, nil, s.undo},
		{"POST /coach/{coach}/attach", t, nil, s.attach}, {"POST /coach/{coach}/detach", t, nil, s.detach},
		{"GET /coach/{coach}/file/{file}", v, nil, s.attachment},
		{"POST /coach/{coach}/pin", t, nil, s.pin}, {"POST /coach/{coach}/moved", t, nil, s.moved},
		{"POST /coach/{coach}/stop", t, nil, s.stopMessage},
		{"GET /coach/{coach}/sheet", v, nil, s.sheet},
		{"GET /new", t, nil, s.newPage}, {"POST /new", t, nil, s.create},
		{"GET /export/{list}", v, nil, s.export},
		{"GET /import", m, nil, s.importPage}, {"POST /import", m, nil, s.importFile},
		{"GET /season", v, nil, s.season}, {"GET /calls", v, nil, s.calls}, {"POST /calls", t, nil, s.called},
		{"GET /held", m, nil, s.held}, {"POST /held", m, nil, s.decide},
		{"GET /notices", v, nil, s.notices}, {"GET /notices/{notice}", v, nil, s.notice},
		{"GET /notices/{notice}/html", v, nil, s.noticeHTML},
		{"POST /notices/{notice}/release", m, nil, s.release}, {"POST /notices/{notice}/withdraw", m, nil, s.takeBack},
		{"GET /lifetimes", v, nil, s.experience}, {"POST /lifetimes", m, nil, s.accept},
		{"GET /experience", v, nil, renamed("/lifetimes")},
		{"POST /lifetimes/recalculate", m, nil, s.workOut},
		{"GET /rules", v, nil, s.rules}, {"POST /rules/try", m, nil, s.tryRules}, {"POST /rules", m, nil, s.keepRules},
		{"GET /people", v, nil, s.people}, {"POST /people/invite", m, nil, s.invite},
		{"POST /people/uninvite", m, nil, s.uninvite}, {"POST /people/role", m, nil, s.role},
		{"POST /people/remove", m, nil, s.remove},
		{"POST /people/sessions", v, nil, s.endSession}, {"POST /people/password", v, nil, s.password},
		{"POST /people/keys", m, nil, s.makeKey}, {"POST /people/keys/end", m, nil, s.endKey},
		{"POST /people/endpoints", m, nil, s.addEndpoint}, {"POST /people/endpoints/{endpoint}", m, nil, s.changeEndpoint},
		{"POST /people/calendars", m, nil, s.makeCalendar}, {"POST /people/calendars/end", m, nil, s.endCalendar},
		{"GET /changes", m, nil, s.changes},
		{"GET /guide/{$}", "", s.guides, nil}, {"GET /guide/{name}", "", s.guide, nil},
	}
}

// Handler returns the routes.
func (s *Site) Handler() http.Handler {
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		if r.member != nil {
			mux.HandleFunc(r.pattern, s.page(s.member(r.role, r.member)))
		} else {
			mux.HandleFunc(r.pattern, s.page(r.open))
		}
	}
	s.static(mux)
	mux.HandleFunc("GET /worker.js", func(w http.ResponseWriter, r *http.Request) { // at the top: it looks after all pages
		w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
		http.ServeFileFS(w, r, files, "static/worker.js")
	})
	return mux
}

// Ops returns the page of the operator, which everybody must not see.
func (s *Site) Ops() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /status", s.page(s.status))
	s.static(mux)
	return mux
}

// static serves the static files, and answers where there is nothing.
func (s *Site) static(mux *http.ServeMux) {
	served := http.FileServerFS(files)
	nowhere := s.page(func(*http.Request) (view, error) {
		return view{}, fault.New(fault.NotFound, "this page does not exist",
			"Check the address, or use the link in your newest message.")
	})
	mux.HandleFunc("GET /static/", func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") { // a folder would be listed
			nowhere(w, r)
			return
		}
		if r.URL.Query().Get("v") == stamp {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		} else {
			w.Header().Set("Cache-Control", "public, max-age=60")
		}
		served.ServeHTTP(w, r)
	})
	mux.HandleFunc("GET /static", nowhere) // the router would lead on to the folder
	mux.HandleFunc("/", nowhere)
}

// member lets somebody in who is signed in with at least a role; others are sent to
// sign in first, or told that they may not.
func (s *Site) member(
	needs access.Role, h func(*http.Request, access.Who) (view, error),
) func(*http.Request) (view, error) {
	return func(r *http.Request) (view, error) {
		who, err := s.who(r)
		if err != nil {
			if fault.KindOf(err) == fault.Denied && r.Method == http.MethodGet {
				return view{to: "/enter?to=" + url.QueryEscape(r.URL.RequestURI())}, nil
			}
			return view{}, err
		}
		if !who.Role.May(needs) {
			return view{}, fault.New(fault.Denied, "this is for a "+string(needs),
				"Ask a manager of the account; you are signed in as a "+string(who.Role)+".")
		}
		return h(r, who)
	}
}

// who returns who is signed in.
func (s *Site) who(r *http.Request) (access.Who, error) { return exchangeOf(r.Context()).who() }

func (s *Site) lookUp(r *http.Request) (access.Who, error) {
	return s.Access.Session(r.Context(), s.had(r, session))
}

// page turns a handler into an http.HandlerFunc: it renders into memory first and
// turns failures into a page that says what to do.
func (s *Site) page(h func(*http.Request) (view, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r = r.WithContext(context.WithValue(r.Context(), exchangeKey{},
			&exchange{w, sync.OnceValues(func() (access.Who, error) {
				return s.lookUp(r)
			})}))
		err := readable(r)
		var v view
		if err == nil {
			v, err = h(r)
		}
		status := cmp.Or(v.code, http.StatusOK)
		switch {
		case err != nil:
			status = httpkit.Status(err)
			v = s.failed(r, status, err)
			if token := r.PathValue("token"); token != "" &&
				(strings.HasPrefix(r.URL.Path, "/a/") || strings.HasPrefix(r.URL.Path, "/o/")) {
				v = s.failedLink(r, v, token, err)
			}
		case v.to != "":
			http.Redirect(w, r, v.to, cmp.Or(v.code, http.StatusSeeOther))
			return
		case v.file != nil:
			v.file.write(w, r)
			return
		}
		l := layout{Words: v.words, Title: v.title, Page: v.page, Version: buildinfo.Version(), Stamp: stamp, Data: v.data,
			Done: doneWords[r.URL.Query().Get("done")], Path: r.URL.RequestURI(), Units: s.unitsOf(r), Zone: time.UTC}
		if who, e := s.who(r); e == nil && v.words == nil && !v.bare {
			l.Who = &who
			if a, _, err := s.Desk.Shop(r.Context(), who.Account); err == nil {
				l.Zone = a.Location()
			}
		}
		var b bytes.Buffer
		if err := pages[v.page].ExecuteTemplate(&b, "layout.html", l); err != nil {
			s.Log.Error("page not rendered", "page", v.page, "err", err)
			http.Error(w, "Something went wrong on our side. Please try again.", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.WriteHeader(status)
		_, _ = w.Write(b.Bytes()) // the reader may have gone
	}
}

// readable refuses forms with what no database takes as text.
func readable(r *http.Request) error {
	if r.Method != http.MethodPost || !strings.HasPrefix(r.Header.Get("Content-Type"),
		"application/x-www-form-urlencoded") {
		return nil
	}
	if err := r.ParseForm(); err != nil {
		return fault.New(fault.Invalid, "the form could not be read, or is too large", "Go back and send it again.")
	}
	for k, vs := range r.Form {
		for _, v := range append(vs, k) {
			if strings.ContainsRune(v, 0) || !utf8.ValidString(v) {
				return fault.New(fault.Invalid, "the form contains invalid characters", "Go back and type the text again.")
			}
		}
	}
	return nil
}

// renamed sends a reader of an old address to the page's new one, for good: people keep addresses.
func renamed(to string) func(*http.Request, access.Who) (view, error) {
	return func(*http.Request, access.Who) (view, error) {
		return view{to: to, code: http.StatusMovedPermanently}, nil
	}
}

// failed is the page of something that did not work.
func (s *Site) failed(r *http.Request, status int, err error) view {
	v := view{
		page:  "trouble",
		title: "We could not do this",
		data:  trouble{Sentence: oursToFix.String(), Hint: tryAgain.String()},
	}
	if status == http.StatusInternalServerError {
		s.Log.Error("request failed", "pattern", r.Pattern, "err", err)
		return v
	}
	v.data = trouble{Sentence: cmp.Or(fault.SentenceOf(err), "This did not work."), Hint: fault.HintOf(err)}
	return v
}

func (f *sent) write(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.media)
	if f.name != "" {
		how := "inline"
		if f.save {
			how = "attachment"
		}
		h.Set("Content-Disposition", how+"; filename*=UTF-8''"+url.PathEscape(f.name))
	}
	if f.keep {
		h.Set("Cache-Control", "private, max-age=86400")
	}
	if f.asked {
		h.Set("Cache-Control", "private, no-cache")
		httpkit.Fresh(w, r, f.body)
		return
	}
	_, _ = w.Write(f.body) // the reader may have gone
}

type layout struct {
	*wording.Words
	Title, Version, Page, Stamp string
	Done                        string
	Path                        string
	Units                       unit.System
	Who                         *access.Who
	Zone                        *time.Location // of the shop; UTC where nobody is signed in
	Data                        any
}

// unitsOf returns the units that a browser asked for.
func (s *Site) unitsOf(r *http.Request) unit.System {
	if unit.System(s.had(r, "units")) == unit.Metric {
		return unit.Metric
	}
	return unit.Imperial
}

// units sets the units of this browser and goes back.
func (s *Site) units(r *http.Request, _ access.Who) (view, error) {
	u := unit.Imperial
	if r.URL.Query().Get("u") == string(unit.Metric) {
		u = unit.Metric
	}
	s.cookie(r, "units", string(u), 365*24*time.Hour)
	return goTo(ours(r.URL.Query().Get("to")), "")
}

// ours keeps redirects on this site.
func ours(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(path, "//") ||
		strings.Contains(path, "\\") {
		return "/board"
	}
	return path
}

// cookie sets a cookie on the response of a request.
func (s *Site) cookie(r *http.Request, name, value string, keep time.Duration) {
	c := &http.Cookie{Name: s.own(name), Value: value, Path: "/", HttpOnly: true, Secure: s.Secure,
		SameSite: http.SameSiteLaxMode, MaxAge: int(keep.Seconds())}
	if keep <= 0 {
		c.MaxAge = -1
	}
	http.SetCookie(exchangeOf(r.Context()).writer, c)
}

// host is who sends a request, without the port. Behind a proxy that the operator
// trusts it is the last address that the proxy did not add itself.
func (s *Site) host(r *http.Request) string {
	h, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		h = r.RemoteAddr
	}
	from := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(from) - 1; i >= 0 && slices.Contains(s.Proxies, h); i-- {
		if one := strings.TrimSpace(from[i]); net.ParseIP(one) != nil {
			h = one
		}
	}
	return h
}

func coachID(r *http.Request) coach.ID { return coach.ID(r.PathValue("coach")) }

// front is the first page: the board for those signed in, else the way in.
func (s *Site) front(r *http.Request) (view, error) {
	if _, err := s.who(r); err == nil {
		return goTo("/board", "")
	}
	return goTo("/enter", "")
}

// trouble is what did not work; Shop is whom to ask, where it is known.
type trouble struct {
	Sentence, Hint string
	Shop           *coach.Account
}

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
	return view{page: "status", title: "Sealmanac", data: p, bare: true}, nil
}
