// Package api is the REST API under /api/v1: JSON over desk, described by an OpenAPI
// 3.1 document that it serves itself. A request carries a key made on the page of
// people and keys; the account comes from the key.
//
// It imports desk, access, webhook, intake, httpkit and row 0 and 1, never the store.
// Package daemon mounts its handler.
package api

import (
	"context"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/http"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"github.com/rs/cors"

	"sealmanac/internal/access"
	"sealmanac/internal/buildinfo"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
)

// Root is where the API lives.
const Root = "/api/v1"

// MaxBulk is the largest body of a bulk of coaches: 64 MiB, about 20,000 of them.
const MaxBulk = 64 << 20

// bulkTime is how long the body of a bulk may take to come.
const bulkTime = 3 * time.Minute

// perMinute is how many requests a key may send in a minute.
const perMinute = 1200

// API serves requests of programs.
type API struct {
	Desk   *desk.Desk
	Access *access.Access
	Log    *slog.Logger
	Source string // address of the pages, the root of events' sources
	// Origins are the sites whose pages may call the API from a browser; none: no site.
	Origins []string
	// Ending is closed when the program ends: whoever waits for changes is answered then.
	Ending <-chan struct{}
	// Pace tells the time by which requests are counted; nil: the clock. The desk's own may
	// stand still, as the demo's does.
	Pace func() time.Time

	limits httpkit.Limits
}

type whoKey struct{}

// who returns whose key a request carries; the handler has checked it.
func who(ctx context.Context) access.Who {
	w, _ := ctx.Value(whoKey{}).(access.Who)
	return w
}

// Handler returns the API with its checks: key, scope, pace, and repeats of posts.
func (a *API) Handler() http.Handler {
	mux := http.NewServeMux()
	served := humago.New(mux, a.config())
	a.register(served)
	return a.shared(a.guarded(mux, asked(served.OpenAPI())))
}

// shared lets the pages of the sites that the operator named read the answers. A key
// still comes with each request: cookies play no part.
func (a *API) shared(h http.Handler) http.Handler {
	if len(a.Origins) == 0 {
		return h
	}
	return cors.New(cors.Options{
		AllowedOrigins: a.Origins,
		AllowedMethods: []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch,
			http.MethodDelete},
		AllowedHeaders: []string{"Authorization", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match"},
		ExposedHeaders: []string{"ETag", "Idempotency-Replayed", "RateLimit", "RateLimit-Policy", "Retry-After"},
		MaxAge:         600,
	}).Handler(h)
}

// guarded puts the checks before the operations.
func (a *API) guarded(mux *http.ServeMux, known map[string][]string) http.Handler {
	open := map[string]bool{Root: true, Root + "/openapi.json": true, Root + "/openapi.yaml": true,
		Root + "/events.schema.json": true}
	described := httpkit.Revalidated(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a.describe(w, r, mux)
	}))
	read := httpkit.Revalidated(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if open[strings.TrimSuffix(r.URL.Path, "/")] && r.Method == http.MethodGet {
			w.Header().Set("Cache-Control", "no-cache") // it holds no secret, and changes with the program
			described.ServeHTTP(w, r)
			return
		}
		scheme, secret, _ := strings.Cut(r.Header.Get("Authorization"), " ")
		if !strings.EqualFold(scheme, "Bearer") || secret == "" {
			w.Header().Set("WWW-Authenticate", `Bearer realm="sealmanac"`)
			refuse(w, http.StatusUnauthorized, "the request has no key",
				"Send Authorization: Bearer KEY. A manager creates keys on the page People and keys.")
			return
		}
		who, err := a.Access.Bearer(r.Context(), secret)
		if err != nil {
			p := problem(httpkit.Status(err), fault.SentenceOf(err), fault.HintOf(err))
			if fault.KindOf(err) == fault.Denied {
				p = problem(http.StatusUnauthorized, p.Detail, p.Hint).kind("key_refused")
				w.Header().Set("WWW-Authenticate", badToken)
			}
			answer(w, p)
			return
		}
		scope := "write"
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			scope = "read"
		}
		if !who.Scoped(scope) {
			refuse(w, http.StatusForbidden, "this key is not allowed to "+scope, "Ask a manager for a key that is.")
			return
		}
		if !a.pace(w, who.Email) {
			refuse(w, http.StatusTooManyRequests, "this key sent too many requests",
				fmt.Sprintf("Send at most %d requests a minute. To save many coaches, use /coaches/bulk.", perMinute))
			return
		}
		if unserved(w, r, mux) {
			return
		}
		p := unknown(r, mux, known)
		if p == nil {
			p = unread(r)
		}
		if p != nil {
			answer(w, p)
			return
		}
		r = r.WithContext(context.WithValue(r.Context(), whoKey{}, who))
		if key := r.Header.Get("Idempotency-Key"); key != "" && r.Method == http.MethodPost {
			a.once(w, r, who, key, mux)
			return
		}
		if scope == "read" && r.URL.Path != Root+"/changes" { // what happens next is never what was told before
			read.ServeHTTP(w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// badToken is the challenge to a key that does not work.
const badToken = `Bearer realm="sealmanac", error="invalid_token"`

// unserved answers, as a problem, a request that no operation serves.
func unserved(w http.ResponseWriter, r *http.Request, mux *http.ServeMux) bool {
	h, pattern := mux.Handler(r)
	if pattern != "" {
		return false
	}
	said := &verdict{head: w.Header(), status: http.StatusNotFound}
	h.ServeHTTP(said, r)
	if said.status == http.StatusMethodNotAllowed {
		refuse(w, said.status, r.Method+" is not allowed at this address", "Allowed: "+w.Header().Get("Allow")+".")
	} else {
		p := problem(http.StatusNotFound, "no operation has this address", "See "+Root+" for the list of operations.")
		answer(w, p.kind("no_operation"))
	}
	return true
}

// verdict takes the status of an answer and none of its words.
type verdict struct {
	head   http.Header
	status int
}

// Header is the answer's own.
func (v *verdict) Header() http.Header { return v.head }

// WriteHeader keeps the status.
func (v *verdict) WriteHeader(status int) { v.status = status }

// Write forgets the words.
func (v *verdict) Write(b []byte) (int, error) { return len(b), nil }

func (a *API) config() huma.Config {
	c := huma.DefaultConfig("Sealmanac", buildinfo.Version())
	c.Components.Schemas = huma.NewMapRegistry("#/components/schemas/", schemaName)
	c.OpenAPIPath, c.DocsPath, c.SchemasPath = Root+"/openapi", "", Root+"/schemas"
	c.Info.Description = "Slide-out seals: what was installed, how it ages, what is due, and what happened. A body has " +
		"at most 1 MiB, a bulk at most 64 MiB. A key sends at most 1,200 requests a minute. Read lists page by page with " +
		"`after`. `changes` lists everything that happened, in order and without gaps. When other work holds the records " +
		"of an account, a write is answered 503 with Retry-After and changes nothing.\n\n" +
		"Some names changed. Requests may have the older names as long as /api/v1 is served. Answers have the present " +
		"ones; where an answer has the older one too, it is marked as deprecated. The page at /api/v1 lists all of them. " +
		"Keys of tasks are not names: send them back as they are."
	c.Servers = []*huma.Server{{URL: "/", Description: "The server from which this document came."}}
	c.Components.SecuritySchemes = map[string]*huma.SecurityScheme{"key": {Type: "http", Scheme: "bearer",
		Description: "A key from the page People and keys."}}
	c.Security = []map[string][]string{{"key": {}}}
	c.CreateHooks = nil // no $schema links in bodies
	c.Transformers = append(c.Transformers, brief)
	return c
}

// Document returns the OpenAPI document.
func (a *API) Document() *huma.OpenAPI {
	api := humago.New(http.NewServeMux(), a.config())
	a.register(api)
	return api.OpenAPI()
}

// pace counts a request against its key and says so in the headers of
// draft-ietf-httpapi-ratelimit-headers.
func (a *API) pace(w http.ResponseWriter, key string) bool {
	now := time.Now()
	if a.Pace != nil {
		now = a.Pace()
	}
	left, ok := a.limits.Allow(key, perMinute, time.Minute, now)
	w.Header().Set("RateLimit-Policy", fmt.Sprintf(`"key";q=%d;w=60`, perMinute))
	w.Header().Set("RateLimit", fmt.Sprintf(`"key";r=%d;t=%d`, left, 1))
	if !ok {
		w.Header().Set("Retry-After", "1")
	}
	return ok
}

// fail turns a failure into a problem.
func (a *API) fail(err error) error {
	if err == nil {
		return nil
	}
	status := httpkit.Status(err)
	if status == http.StatusInternalServerError {
		a.Log.Error("an API request failed", "err", err)
		return problem(status, "something went wrong on our side", "Try again in a few minutes.")
	}
	if fault.KindOf(err) == fault.Invalid {
		status = http.StatusUnprocessableEntity
	}
	return problem(status, fault.SentenceOf(err), fault.HintOf(err))
}

// cursor is a place in a list: opaque to the caller.
func cursor(parts ...string) string { return hex.EncodeToString([]byte(strings.Join(parts, "\x00"))) }

var errCursor = problem(http.StatusUnprocessableEntity, "after does not belong to this list",
	"Leave it out, or send next of an earlier page.").kind("bad_cursor")

func place(s string, n int) ([]string, error) {
	if s == "" {
		return make([]string, n), nil
	}
	b, err := hex.DecodeString(s)
	f := strings.Split(string(b), "\x00")
	if err != nil || len(f) != n || !utf8.Valid(b) {
		return nil, errCursor
	}
	return f, nil
}

func etag(version int64) string { return `"` + strconv.FormatInt(version, 36) + `"` }

func version(tag string) (int64, error) {
	v, err := strconv.ParseInt(strings.Trim(strings.TrimPrefix(tag, "W/"), `"`), 36, 64)
	if err != nil || v <= 0 {
		return 0, problem(http.StatusPreconditionFailed, "If-Match is not a version of this coach",
			"Read the coach and send its ETag.")
	}
	return v, nil
}

// schemaName names a type as OpenAPI allows, in A-Z a-z 0-9 . _ and - alone: Go writes
// the types of a function with a middle dot.
func schemaName(t reflect.Type, hint string) string {
	return strings.Map(func(c rune) rune {
		if c < 128 && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '_' ||
			c == '-') {
			return c
		}
		return -1
	}, huma.DefaultSchemaNamer(t, hint))
}
