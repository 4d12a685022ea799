package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// Over TLS the cookies of a session carry the prefix with which a browser takes them
// from this host alone; on a developer's own machine, without TLS, they work too. A
// cookie that another host of the domain planted is not looked at.
func TestCookiesAreOurs(t *testing.T) {
	x := newRig(t)
	for prefix, secure := range map[string]bool{"__Host-": true, "": false} {
		x.site.Secure = secure
		serve := func(method, path string, form url.Values, cookies ...*http.Cookie) *http.Response {
			r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			for _, c := range cookies {
				r.AddCookie(c)
			}
			w := httptest.NewRecorder()
			x.site.Handler().ServeHTTP(w, r)
			return w.Result()
		}
		got := map[string]*http.Cookie{}
		for _, c := range serve("POST", "/enter",
			url.Values{"email": {"viewer@one.example.org"}, "password": {password}}).Cookies() {
			got[c.Name] = c
			if c.Secure != secure || !c.HttpOnly || c.Path != "/" || c.Domain != "" || c.SameSite != http.SameSiteLaxMode {
				t.Errorf("%+v", c)
			}
		}
		mine := got[prefix+session]
		if mine == nil || got[prefix+known] == nil || len(got) != 2 {
			t.Fatalf("secure %v: %v", secure, got)
		}
		if res := serve("GET", "/board", nil, mine); res.StatusCode != http.StatusOK {
			t.Errorf("the session does not work: %d", res.StatusCode)
		}
		if secure {
			if res := serve("GET", "/board", nil,
				&http.Cookie{Name: session, Value: mine.Value}); res.StatusCode != http.StatusSeeOther {
				t.Errorf("a planted cookie is taken: %d", res.StatusCode)
			}
		}
	}
}

// A member changes the password on the page of people.
func TestPasswordForm(t *testing.T) {
	x := newRig(t)
	c := x.as("viewer@one.example.org")
	post := func(present, next string) int {
		res, err := c.PostForm(x.srv.URL+"/people/password", url.Values{"present": {present}, "password": {next}})
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		return res.StatusCode
	}
	if got := post("wrong", "another four words"); got != http.StatusForbidden {
		t.Errorf("a wrong password: %d", got)
	}
	if got := post(password, "another four words"); got != http.StatusSeeOther {
		t.Errorf("the right one: %d", got)
	}
	if _, err := x.site.Access.Enter(t.Context(), "viewer@one.example.org", "another four words", "h", "",
		""); err != nil {
		t.Error(err)
	}
}

// The folder of static files is not listed.
func TestStaticFilesAreNotListed(t *testing.T) {
	x := newRig(t)
	for path, want := range map[string]int{"/static/": http.StatusNotFound, "/static": http.StatusNotFound,
		"/static/sealmanac.css": http.StatusOK} {
		res, err := http.Get(x.srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if res.StatusCode != want {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
}
