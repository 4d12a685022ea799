package api_test

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"sealmanac/internal/api"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/store/storetest"
)

// A browser lets a page of another site read answers only if the operator named the
// site (the CORS protocol of the Fetch standard, https://fetch.spec.whatwg.org).
func TestOtherSites(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	const ours, theirs = "https://crm.example.org", "https://elsewhere.example.com"
	serve := func(origins ...string) string {
		a := &api.API{Desk: x.api.Desk, Access: x.api.Access, Log: x.api.Log, Source: x.api.Source, Origins: origins}
		s := httptest.NewServer(httpkit.Wrap(a.Handler(), slog.New(slog.DiscardHandler)))
		t.Cleanup(s.Close)
		return s.URL + api.Root
	}
	send := func(method, address, body string, head ...string) (int, http.Header) {
		t.Helper()
		req, err := http.NewRequest(method, address, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Sec-Fetch-Site", "cross-site")
		for i := 0; i < len(head); i += 2 {
			req.Header.Set(head[i], head[i+1])
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		return resp.StatusCode, resp.Header
	}
	key := "Bearer " + x.keys["one"]
	named, none := serve(ours), serve()
	for _, c := range []struct{ name, root, origin, allowed string }{
		{"named", named, ours, ours}, {"another", named, theirs, ""}, {"none is named", none, ours, ""},
	} {
		_, h := send("OPTIONS", c.root+"/coaches/zf-1", "", "Origin", c.origin, "Access-Control-Request-Method", "PUT",
			"Access-Control-Request-Headers", "authorization,content-type,if-match")
		if got := h.Get("Access-Control-Allow-Origin"); got != c.allowed ||
			(h.Get("Access-Control-Allow-Methods") == "PUT") != (c.allowed != "") {
			t.Errorf("%s: before: %q, %v", c.name, got, h)
		}
		code, h := send("GET", c.root+"/coaches", "", "Origin", c.origin, "Authorization", key)
		if got := h.Get("Access-Control-Allow-Origin"); code != 200 || got != c.allowed ||
			h.Get("Access-Control-Allow-Credentials") != "" {
			t.Errorf("%s: %d %q", c.name, code, got)
		}
	}
	code, h := send("POST", named+"/coaches/zf-1/readings", `{"day":"2026-03-02","slide":"s","run":"outer/top","kind":"bulb_height","value":"15 mm"}`, "Origin", ours, "Authorization", key, "Content-Type", "application/json")
	if code != 200 && code != 201 || h.Get("Access-Control-Allow-Origin") != ours {
		t.Errorf("a post: %d %v", code, h)
	}
	// Refusals can be read, too; without a key nothing is done.
	if code, h := send("POST", named+"/coaches/zf-1/readings", `{}`, "Origin", ours); code != 401 ||
		h.Get("Access-Control-Allow-Origin") != ours {
		t.Errorf("without a key: %d %v", code, h)
	}
}
