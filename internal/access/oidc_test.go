package access

import (
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"sealmanac/internal/fault"
)

// service is a sign-in service that says what a test wants.
type service struct {
	*httptest.Server
	key       *rsa.PrivateKey
	claims    map[string]any
	verifiers []string
}

func newService(t *testing.T) *service {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	s := &service{key: key}
	mux := http.NewServeMux()
	say := func(w http.ResponseWriter, v any) {
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(v)
	}
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		say(w, map[string]any{"issuer": s.URL, "authorization_endpoint": s.URL + "/auth", "token_endpoint": s.URL + "/token",
			"jwks_uri": s.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"}})
	})
	mux.HandleFunc("/keys", func(w http.ResponseWriter, _ *http.Request) {
		say(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &key.PublicKey, KeyID: "k", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("/token", func(w http.ResponseWriter, r *http.Request) {
		s.verifiers = append(s.verifiers, r.FormValue("code_verifier"))
		signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: key, KeyID: "k"}}, nil)
		if err != nil {
			t.Error(err)
		}
		raw, err := jwt.Signed(signer).Claims(s.claims).Serialize()
		if err != nil {
			t.Error(err)
		}
		say(w, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": raw})
	})
	s.Server = httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s
}

func TestOIDC(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, _ *[]string) {
		manager(t, a)
		s := newService(t)
		a.OIDC = &OIDC{Issuer: s.URL, ClientID: "us", ClientSecret: "secret",
			Redirect: "https://x.example.org/enter/oidc/back"}
		for _, c := range []struct {
			name   string
			change func(claims map[string]any, q url.Values)
			kind   fault.Kind
			ok     bool
		}{
			{name: "a member", ok: true},
			{"nobody's address", func(c map[string]any, _ url.Values) { c["email"] = "x@example.org" }, fault.Denied, false},
			{"an address that is not confirmed", func(c map[string]any, _ url.Values) {
				c["email_verified"] = false
			}, fault.Denied, false},
			{"another nonce", func(c map[string]any, _ url.Values) { c["nonce"] = "x" }, fault.Denied, false},
			{"another state", func(_ map[string]any, q url.Values) { q.Set("state", "x") }, fault.Denied, false},
			{"for another program", func(c map[string]any, _ url.Values) { c["aud"] = "them" }, fault.Denied, false},
			{"of another service", func(c map[string]any, _ url.Values) {
				c["iss"] = "https://evil.example.org"
			}, fault.Denied, false},
			{"run out", func(c map[string]any, _ url.Values) {
				c["exp"] = time.Now().Add(-time.Hour).Unix()
			}, fault.Denied, false},
		} {
			t.Run(c.name, func(t *testing.T) {
				to, keep, err := a.OIDC.Begin(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				u, _ := url.Parse(to)
				if u.Query().Get("code_challenge_method") != "S256" || u.Query().Get("client_id") != "us" {
					t.Errorf("%s", to)
				}
				q := url.Values{"code": {"c"}, "state": {u.Query().Get("state")}}
				s.claims = map[string]any{"iss": s.URL, "aud": "us", "sub": "1", "nonce": u.Query().Get("nonce"),
					"email": "Ana@example.org", "email_verified": true, "iat": time.Now().Unix(),
					"exp": time.Now().Add(time.Hour).Unix()}
				if c.change != nil {
					c.change(s.claims, q)
				}
				secret, err := a.EnterOIDC(t.Context(), keep, q, "a browser")
				if c.ok {
					w, e := a.Session(t.Context(), secret)
					if err != nil || e != nil || w.Email != "ana@example.org" || s.verifiers[len(s.verifiers)-1] == "" {
						t.Errorf("%v %v %+v", err, e, w)
					}
				} else if fault.KindOf(err) != c.kind {
					t.Errorf("%v", err)
				}
			})
		}
		// A service that is away says so and does not stop passwords.
		a.OIDC = &OIDC{Issuer: "http://127.0.0.1:1"}
		if _, _, err := a.OIDC.Begin(t.Context()); fault.KindOf(err) != fault.Unavailable {
			t.Errorf("away: %v", err)
		}
	})
}
