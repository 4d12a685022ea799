package web

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"sealmanac/config"
	"sealmanac/internal/access"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/desk"
	"sealmanac/internal/exposure"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// marker stands in everything that belongs to account one.
const marker = "zebrafinch"

const password = "four words of mine"

type rig struct {
	t    testing.TB
	db   *store.DB
	desk *desk.Desk
	site *Site
	srv  *httptest.Server
}

// newRig serves two accounts: "one" with a coach, a notice and a picture, and "two"
// with nothing.
func newRig(t testing.TB) *rig {
	t.Helper()
	db := storetest.Fresh(t, "sqlite")
	db.Now = func() time.Time { return time.Date(2026, 3, 3, 18, 0, 0, 0, time.UTC) }
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	tables := testkit.Tables(t)
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(tables), Domain: "example.org"}
	d := &desk.Desk{DB: db, Now: db.Now, Domain: "example.org", Places: tables, Snooze: 21,
		Signer:   &desk.Signer{Key: make([]byte, 32), BaseURL: "https://x.example.org"},
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}
	tools.Links = d.Signer
	x := &rig{t: t, db: db, desk: d, site: &Site{Desk: d, Access: &access.Access{DB: db, Base: "https://x.example.org"},
		Log: slog.New(slog.DiscardHandler)}}
	for _, id := range []coach.AccountID{"one", "two"} {
		text := "shop: {name: Shop " + string(id) + ", postal: 1 Road, zone: America/Denver, email: " + string(id) +
			"@example.org}\n"
		if id == "one" {
			text += strings.ReplaceAll(`
coaches:
  - coach: zf-1
    label: MARK coach
    class: class_a
    use: rental
    people: [{name: MARK owner, email: MARK@example.org}]
    stays: [{place: "Madison, WI", from: 2022-01-01, shelter: open, slides: in, cycles: 20/year}]
    slides: [{slide: s, label: MARK slide, width: 11 ft, height: 76 in, edges: [{edge: outer/top, construction: push_on, carrier: none, fitted: 2022-05-01, free_height: 20 mm, gaps: [13 mm], parts: [{part: bulb, material: epdm_sponge, lot: MARK-lot}, {part: wiper, material: epdm_dense}]}]}]
`, "MARK", marker)
		}
		c := intake.Read(intake.Options{Today: civil.Of(2026, 3, 3), Places: tables}, nil,
			intake.File{Name: "x.yaml", Data: []byte(text)})
		if _, err := d.Import(t.Context(), id, c); err != nil {
			t.Fatal(err)
		}
		if err := d.Start(t.Context(), id, "t"); err != nil {
			t.Fatal(err)
		}
		if _, _, err := cycle.Pass(t.Context(), db, tools, id, civil.Of(2026, 3, 3),
			func(context.Context, *store.Tx, []reminder.Notice) error {
				return nil
			}); err != nil {
			t.Fatal(err)
		}
		for _, role := range access.Roles {
			if err := x.site.Access.Demo(t.Context(), id, string(role)+"@"+string(id)+".example.org", password); err != nil {
				t.Fatal(err)
			}
			if role != access.Manager {
				w := access.Who{Account: id, Email: "manager@" + string(id) + ".example.org", Role: access.Manager}
				if err := x.site.Access.SetRole(t.Context(), w, string(role)+"@"+string(id)+".example.org", role); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	x.srv = httptest.NewServer(httpkit.Wrap(x.site.Handler(), slog.New(slog.DiscardHandler)))
	t.Cleanup(x.srv.Close)
	return x
}

// as returns a client that is signed in.
func (x *rig) as(email string) *http.Client {
	x.t.Helper()
	secret, err := x.site.Access.Enter(context.Background(), email, password, email, "test", "")
	if err != nil {
		x.t.Fatal(err)
	}
	return &http.Client{Transport: cookied{secret}, CheckRedirect: func(*http.Request, []*http.Request) error {
		return http.ErrUseLastResponse
	}}
}

type cookied struct{ secret string }

func (c cookied) RoundTrip(r *http.Request) (*http.Response, error) {
	if c.secret != "" {
		r.AddCookie(&http.Cookie{Name: session, Value: c.secret})
	}
	return http.DefaultTransport.RoundTrip(r)
}

// send asks for a route with its names filled in.
func (x *rig) send(c *http.Client, pattern string, names map[string]string, form url.Values) (int, string, string) {
	x.t.Helper()
	method, path, _ := strings.Cut(pattern, " ")
	path = strings.ReplaceAll(path, "{$}", "")
	for k, v := range names {
		path = strings.ReplaceAll(path, "{"+k+"}", v)
	}
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	req, err := http.NewRequest(method, x.srv.URL+path, body)
	if err != nil {
		x.t.Fatal(err)
	}
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	resp, err := c.Do(req)
	if err != nil {
		x.t.Fatal(err)
	}
	defer resp.Body.Close() //nolint:errcheck // read whole
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(b), resp.Header.Get("Location")
}

// forms fills every field that some route reads.
var forms = url.Values{"day": {"2026-03-02"}, "kind": {"inspect"}, "where": {"s"},
	"key": {"service|2026-03-02|inspect|s|"}, "text": {"coaches: []"}, "email": {"manager@one.example.org"},
	"role": {"viewer"}, "name": {"n"},
	"material": {"tpv"}, "scope": {"read"}, "days": {"3"}, "file": {"abc"}, "query": {"q=x"}, "run": {"outer/top"},
	"construction": {"push_on"}, "bulb": {"tpv"}, "coach": {"zf-1"}, "slide": {"s"},
	"bulb_height|outer/top|bulb": {"15 mm"}, "s|flip": {"defect"}}

// Every route is tried by a manager of another account with the names of the first:
// nothing of it is seen, nothing of it changes. The table is the site's own list, so a
// new route cannot be forgotten.
func TestAccountsAreWalls(t *testing.T) {
	x := newRig(t)
	names := x.names()
	before := x.state("one")
	other := x.as("manager@two.example.org")
	for _, r := range x.site.routes() {
		if r.member == nil {
			continue
		}
		form := url.Values(nil)
		if strings.HasPrefix(r.pattern, "POST") {
			form = forms
		}
		if r.pattern == "POST /leave" {
			continue // ends this very session; TestRoles tries it
		}
		code, body, _ := x.send(other, r.pattern, names, form)
		if code >= 500 || strings.Contains(body, marker) {
			t.Errorf("%s: %d, and the other account's words: %t", r.pattern, code, strings.Contains(body, marker))
		}
		if strings.Contains(r.pattern, "{coach}") && code != http.StatusNotFound && code != http.StatusBadRequest &&
			code != http.StatusUnprocessableEntity {
			t.Errorf("%s on another account's coach: %d", r.pattern, code)
		}
	}
	if after := x.state("one"); after != before {
		t.Errorf("the other account changed:\n%s\n%s", before, after)
	}
	// And its own people see it.
	if _, body, _ := x.send(x.as("viewer@one.example.org"), "GET /coach/{coach}", names, nil); !strings.Contains(body,
		marker) {
		t.Error("its own viewer does not see the coach")
	}
}

// People keep the addresses of pages: the old one leads to the new one for good.
func TestRenamedPagesRedirect(t *testing.T) {
	x := newRig(t)
	c := x.as("viewer@one.example.org")
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	resp, err := c.Get(x.srv.URL + "/experience")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close() //nolint:errcheck // read only
	if to := resp.Header.Get("Location"); resp.StatusCode != http.StatusMovedPermanently || to != "/lifetimes" {
		t.Errorf("/experience answered %d to %q", resp.StatusCode, to)
	}
}

// Without a session, or with one that ended, pages send to the sign-in and posts are
// refused; a role does only what it may.
func TestRoles(t *testing.T) {
	x := newRig(t)
	names := x.names()
	ended := x.as("manager@one.example.org")
	if code, _, to := x.send(ended, "POST /leave", nil, url.Values{}); code != http.StatusSeeOther ||
		to != "/enter?done=left" {
		t.Errorf("leaving: %d %s", code, to)
	}
	nobody := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	before := x.state("one")
	for _, r := range x.site.routes() {
		if r.member == nil {
			continue
		}
		post := strings.HasPrefix(r.pattern, "POST")
		form := url.Values(nil)
		if post {
			form = forms
		}
		for name, c := range map[string]*http.Client{"nobody": nobody, "ended": ended} {
			code, body, to := x.send(c, r.pattern, names, form)
			if post && code != http.StatusForbidden || !post &&
				(code != http.StatusSeeOther || !strings.HasPrefix(to, "/enter?to=")) || strings.Contains(body, marker) {
				t.Errorf("%s by %s: %d to %q", r.pattern, name, code, to)
			}
		}
	}
	for _, role := range access.Roles[1:] {
		c := x.as(string(role) + "@one.example.org")
		for _, r := range x.site.routes() {
			if r.member == nil || role.May(r.role) {
				continue
			}
			form := url.Values(nil)
			if strings.HasPrefix(r.pattern, "POST") {
				form = forms
			}
			if code, _, _ := x.send(c, r.pattern, names, form); code != http.StatusForbidden {
				t.Errorf("a %s may %s: %d", role, r.pattern, code)
			}
		}
	}
	if after := x.state("one"); after != before {
		t.Errorf("refused requests changed something:\n%s\n%s", before, after)
	}
}

// Signed links of one coach open no other one, and not after the coach changed hands.
func TestOwnerLinks(t *testing.T) {
	x := newRig(t)
	p, err := x.desk.CoachPage(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	token := x.desk.Signer.OwnerToken("one", &p.Coach)
	code, body, _ := x.send(http.DefaultClient, "GET /o/{token}", map[string]string{"token": token}, nil)
	if code != http.StatusOK || !strings.Contains(body, marker+" coach") {
		t.Errorf("its own page: %d", code)
	}
	if code, body, _ = x.send(http.DefaultClient, "GET /o/{token}/card", map[string]string{"token": token},
		nil); code != http.StatusOK || !strings.Contains(body, "<svg class=\"code\"") {
		t.Errorf("the card: %d", code)
	}
	for i := range token {
		bad := token[:i] + string(rune('A'+(int(token[i])+1)%26)) + token[i+1:]
		if bad == token {
			continue
		}
		if code, body, _ := x.send(http.DefaultClient, "GET /o/{token}", map[string]string{"token": bad},
			nil); code != http.StatusNotFound || strings.Contains(body, marker) {
			t.Fatalf("%s: %d", bad, code)
		}
	}
	next := p.Coach
	next.People = []coach.Person{{Name: "Somebody new", Email: "new@example.org"}}
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.SaveCoaches(t.Context(), "one", []coach.Coach{next})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if code, _, _ := x.send(http.DefaultClient, "GET /o/{token}", map[string]string{"token": token},
		nil); code != http.StatusNotFound {
		t.Errorf("the former owner's link: %d", code)
	}
}

func (x *rig) names() map[string]string {
	x.t.Helper()
	rows, err := x.desk.Notices(context.Background(), "one", 5)
	if err != nil || len(rows) == 0 {
		x.t.Fatalf("account one has no notice: %v", err)
	}
	return map[string]string{"coach": "zf-1", "slide": "s", "file": "abc", "notice": rows[0].LinkID[:12],
		"list": "parts.csv", "token": "x"}
}

// state sums up what an account holds.
func (x *rig) state(id coach.AccountID) string {
	x.t.Helper()
	var out strings.Builder
	err := x.db.View(context.Background(), func(tx *store.Tx) error {
		for _, table := range []string{"coach", "service", "reading", "notice", "member", "api_token", "audit", "attachment",
			"rules", "saved_view", "one_time"} {
			var n int
			if err := tx.SQL().Get(&n, tx.SQL().Rebind("SELECT COUNT(*) FROM "+table+" WHERE account_id = ?"), id); err != nil {
				return err
			}
			out.WriteString(table + "=" + string(rune('0'+n)) + " ")
		}
		var docs []string
		all := tx.SQL().Rebind("SELECT doc || changed_at FROM coach WHERE account_id = ?")
		if err := tx.SQL().Select(&docs, all, id); err != nil {
			return err
		}
		out.WriteString(strings.Join(docs, "\n"))
		return nil
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return out.String()
}
