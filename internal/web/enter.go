package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

type exchangeKey struct{}

// exchange is what goes with a request: where handlers that return views set cookies,
// and who sent it, looked up once.
type exchange struct {
	writer http.ResponseWriter
	who    func() (access.Who, error)
}

func exchangeOf(ctx context.Context) *exchange {
	x, _ := ctx.Value(exchangeKey{}).(*exchange)
	return x
}

type enterForm struct {
	To, Email string
	Empty     bool // nobody can sign in yet
	OIDC      bool // a sign-in service is set up
	Fault     *trouble
}

func (s *Site) enterPage(r *http.Request) (view, error) {
	empty, err := s.Access.Empty(r.Context())
	return view{page: "enter", title: "Sign in", data: enterForm{To: ours(r.URL.Query().Get("to")), Empty: empty,
		OIDC: s.Access.OIDC != nil}, bare: true}, err
}

func (s *Site) enter(r *http.Request) (view, error) {
	f := enterForm{To: ours(r.FormValue("to")), Email: r.FormValue("email"), OIDC: s.Access.OIDC != nil}
	secret, err := s.Access.Enter(r.Context(), f.Email, r.FormValue("password"), s.host(r), r.UserAgent(), s.had(r, known))
	if err != nil {
		return again(err, view{page: "enter", title: "Sign in", bare: true}, func(t trouble) any { f.Fault = &t; return f })
	}
	s.signedIn(r, secret, f.Email)
	return goTo(f.To, "")
}

// signedIn gives a browser its session, and remembers that the member has used it.
func (s *Site) signedIn(r *http.Request, secret, email string) {
	s.cookie(r, session, secret, 30*24*time.Hour)
	s.cookie(r, known, s.Access.Remember(email), 365*24*time.Hour)
}

// oidcKeep is the cookie that a browser keeps while it is at the sign-in service.
const oidcKeep = "sealmanac-oidc"

func (s *Site) oidc(r *http.Request) (view, error) {
	if s.Access.OIDC == nil {
		return view{}, fault.New(fault.NotFound, "no sign-in service is set up", "Sign in with your password.")
	}
	to, keep, err := s.Access.OIDC.Begin(r.Context())
	if err != nil {
		return view{}, err
	}
	s.cookie(r, oidcKeep, keep, 10*time.Minute)
	return view{to: to}, nil
}

func (s *Site) oidcBack(r *http.Request) (view, error) {
	keep := s.had(r, oidcKeep)
	if keep == "" || s.Access.OIDC == nil {
		return view{}, fault.New(fault.Denied, "the sign-in did not start in this browser",
			"Start again from the sign-in page.")
	}
	s.cookie(r, oidcKeep, "", 0)
	secret, err := s.Access.EnterOIDC(r.Context(), keep, r.URL.Query(), r.UserAgent())
	if err != nil {
		return view{}, err
	}
	s.cookie(r, session, secret, 30*24*time.Hour)
	return goTo("/board", "")
}

// again shows a form once more with what was wrong; failures of ours stay failures.
func again(err error, v view, data func(trouble) any) (view, error) {
	switch fault.KindOf(err) {
	case fault.Internal, fault.Unavailable:
		return view{}, err
	}
	v.data, v.code = data(
		trouble{Sentence: fault.SentenceOf(err), Hint: fault.HintOf(err)},
	), http.StatusUnprocessableEntity
	return v, nil
}

func (s *Site) leave(r *http.Request, w access.Who) (view, error) {
	s.cookie(r, session, "", 0)
	err := s.Access.Leave(r.Context(), w)
	if err != nil {
		return view{}, err
	}
	return goTo("/enter", "left")
}

type joinForm struct {
	Kind               string // first, invite, reset
	Email, Name, Role  string
	Shop, Postal, Zone string
	Known              bool // the shop is known already
	Fault              *trouble
}

func (s *Site) firstPage(r *http.Request) (view, error) {
	o, err := s.Access.Peek(r.Context(), r.PathValue("token"), "first")
	if err != nil {
		return view{}, err
	}
	st, err := s.Desk.Status(r.Context())
	return view{page: "join", title: "The first member",
		data: joinForm{Kind: "first", Known: o.Account != "" || len(st.Passes) > 0}, bare: true}, err
}

func (s *Site) first(r *http.Request) (view, error) {
	f := joinForm{Kind: "first", Email: r.FormValue("email"), Name: r.FormValue("name"), Shop: r.FormValue("shop"),
		Postal: r.FormValue("postal"), Zone: strings.TrimSpace(r.FormValue("zone"))}
	if _, err := time.LoadLocation(f.Zone); err != nil {
		f.Fault = &trouble{Sentence: "Time zone: this zone is not known",
			Hint: "Write an IANA name such as America/Denver, or leave it empty for UTC."}
		return view{page: "join", title: "The first member", data: f, bare: true, code: http.StatusUnprocessableEntity}, nil
	}
	err := s.Access.Setup(r.Context(), r.PathValue("token"),
		coach.Account{Name: strings.TrimSpace(f.Shop), Postal: strings.TrimSpace(f.Postal),
			Email: strings.ToLower(strings.TrimSpace(f.Email)), Zone: f.Zone}, f.Name, f.Email, r.FormValue("password"))
	return s.joined(r, err, f, f.Email)
}

// joined signs a new member in, or shows the form again.
func (s *Site) joined(r *http.Request, err error, f joinForm, email string) (view, error) {
	if err != nil {
		return again(err, view{page: "join", title: "Choose a password", bare: true}, func(t trouble) any {
			f.Fault = &t
			return f
		})
	}
	// Who holds a mailed link is not held up by the tries of others.
	secret, err := s.Access.Enter(r.Context(), email, r.FormValue("password"), s.host(r), r.UserAgent(),
		s.Access.Remember(email))
	if err != nil {
		return view{}, err
	}
	s.signedIn(r, secret, email)
	return goTo("/board", "joined")
}

func (s *Site) joinPage(r *http.Request) (view, error) {
	o, err := s.Access.Peek(r.Context(), r.PathValue("token"), "invite")
	return view{page: "join", title: "Join", data: joinFormOf("invite", o), bare: true}, err
}

func joinFormOf(kind string, o access.OneTime) joinForm {
	return joinForm{Kind: kind, Email: o.Email, Role: o.Role}
}

func (s *Site) join(r *http.Request) (view, error) {
	o, err := s.Access.Peek(r.Context(), r.PathValue("token"), "invite")
	if err != nil {
		return view{}, err
	}
	f := joinFormOf("invite", o)
	f.Name = r.FormValue("name")
	_, err = s.Access.Join(r.Context(), r.PathValue("token"), f.Name, r.FormValue("password"))
	return s.joined(r, err, f, o.Email)
}

func (s *Site) forgotPage(*http.Request) (view, error) {
	return view{page: "forgot", title: "A new password", data: false, bare: true}, nil
}

func (s *Site) forgot(r *http.Request) (view, error) {
	if err := s.Access.Forgot(r.Context(), r.FormValue("email"), s.host(r)); err != nil {
		return view{}, err
	}
	return view{page: "forgot", title: "Look into your mail", data: true, bare: true}, nil
}

func (s *Site) resetPage(r *http.Request) (view, error) {
	o, err := s.Access.Peek(r.Context(), r.PathValue("token"), "reset")
	return view{page: "join", title: "A new password", data: joinFormOf("reset", o), bare: true}, err
}

func (s *Site) reset(r *http.Request) (view, error) {
	o, err := s.Access.Peek(r.Context(), r.PathValue("token"), "reset")
	if err != nil {
		return view{}, err
	}
	_, err = s.Access.Reset(r.Context(), r.PathValue("token"), r.FormValue("password"))
	return s.joined(r, err, joinFormOf("reset", o), o.Email)
}
