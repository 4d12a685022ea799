package api

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"sealmanac/internal/access"
	"sealmanac/internal/desk"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// withKey sends a post with an Idempotency-Key past the check of repeats to a handler.
func withKey(a *API, key, body string, h http.HandlerFunc) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	r := httptest.NewRequest("POST", Root+"/x", strings.NewReader(body))
	a.once(w, r, access.Who{Account: "one", Email: "key-1"}, key, h)
	return w
}

func keyAPI(t *testing.T, db *store.DB) *API {
	return &API{Desk: &desk.Desk{DB: db, Now: db.Now}, Log: slog.New(slog.DiscardHandler)}
}

// Of simultaneous posts with one key, one works; the others get its answer, or hear that
// it is still at work.
func TestOneOfManyWorks(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		a := keyAPI(t, db)
		for round := range 10 {
			var ran, waits atomic.Int32
			var all sync.WaitGroup
			start := make(chan struct{})
			for range 8 {
				all.Go(func() {
					<-start
					w := withKey(a, fmt.Sprint("key ", round), "{}", func(w http.ResponseWriter, r *http.Request) {
						ran.Add(1)
						w.WriteHeader(http.StatusCreated)
						_, _ = io.WriteString(w, "made")
					})
					switch {
					case w.Code == http.StatusConflict:
						waits.Add(1)
					case w.Code != http.StatusCreated || w.Body.String() != "made":
						t.Errorf("%d %s", w.Code, w.Body)
					}
				})
			}
			close(start)
			all.Wait()
			if ran.Load() != 1 || waits.Load() > 7 {
				t.Fatalf("%d of 8 worked, %d were told to wait", ran.Load(), waits.Load())
			}
		}
	})
}

// A repeat gets the status, the body and the headers of the first answer, also when that
// was a problem. An answer of 500 or more came to nothing and is not kept.
func TestRepeatsAreAnsweredAlike(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		a := keyAPI(t, db)
		for _, c := range []struct {
			status int
			media  string
			kept   bool
		}{
			{200, "application/json", true}, {409, "application/problem+json", true}, {499, "application/problem+json", true},
			{500, "application/problem+json", false}, {501, "application/problem+json", false},
			{503, "application/problem+json", false},
		} {
			ran := 0
			answer := func() *httptest.ResponseRecorder {
				return withKey(a, fmt.Sprint("status ", c.status), "{}", func(w http.ResponseWriter, r *http.Request) {
					ran++
					w.Header().Set("Content-Type", c.media)
					w.Header().Set("ETag", `"7"`)
					w.Header().Set("Location", Root+"/x/7")
					w.WriteHeader(c.status)
					_, _ = fmt.Fprintf(w, "said %d", c.status)
				})
			}
			first, again := answer(), answer()
			if want := map[bool]int{true: 1, false: 2}[c.kept]; ran != want {
				t.Errorf("%d: it ran %d times, want %d", c.status, ran, want)
			}
			for _, name := range []string{"Content-Type", "ETag", "Location"} {
				if f, s := first.Header().Get(name), again.Header().Get(name); f != s || s == "" {
					t.Errorf("%d: %s was %q, the repeat has %q", c.status, name, f, s)
				}
			}
			replayed := again.Header().Get("Idempotency-Replayed")
			if first.Code != again.Code || first.Body.String() != again.Body.String() || (replayed == "true") != c.kept {
				t.Errorf("%d %s, then %d %s, replayed %q", first.Code, first.Body, again.Code, again.Body, replayed)
			}
		}
	})
}

// A handler that panics, or a caller who goes away, leaves the key free.
func TestPanicFreesTheKey(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		a := keyAPI(t, db)
		func() {
			defer func() {
				if recover() == nil {
					t.Error("the panic was swallowed")
				}
			}()
			withKey(a, "k", "{}", func(http.ResponseWriter, *http.Request) { panic(errors.New("a fault of ours")) })
		}()
		made := func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusCreated) }
		if w := withKey(a, "k", "{}", made); w.Code != http.StatusCreated {
			t.Errorf("after a panic: %d %s", w.Code, w.Body)
		}
	})
}

// A key that no database takes, or that no log should show, is refused as a problem
// before anything is done.
func TestBadKeys(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		a := keyAPI(t, db)
		for key, want := range map[string]int{
			"a\xffb": 400, "\xc3\x28": 400, "tab\tinside": 400, "\u0085": 400, "zero\x00": 400,
			strings.Repeat("k", 201): 400, strings.Repeat("k", 200): 204, "Größe 3": 204,
		} {
			w := withKey(a, key, "{}", func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusNoContent) })
			if w.Code != want || want == 400 && w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("%q: %d %s %s", key, w.Code, w.Header().Get("Content-Type"), w.Body)
			}
		}
	})
}
