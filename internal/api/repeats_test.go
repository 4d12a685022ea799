package api_test

import (
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// The same post sent eight times at once is done once, and problems are repeated as
// problems.
func TestRepeatedPosts(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		post := func(body string, head ...string) (int, http.Header, string) {
			return x.do(x.keys["one"], "POST", "/coaches/zf-1/readings", body, head...)
		}
		const crack = `{"day":"2026-03-03","kind":"crack_grade","slide":"s","run":"outer/top","part":"bulb","value":"3"}`
		var first atomic.Int32
		var all sync.WaitGroup
		start := make(chan struct{})
		for range 8 {
			all.Go(func() {
				<-start
				code, head, said := post(crack, "Idempotency-Key", "k")
				switch {
				case code == 200 && head.Get("Idempotency-Replayed") == "":
					first.Add(1)
				case code != 200 && code != 409:
					t.Errorf("%d %s", code, said)
				}
			})
		}
		close(start)
		all.Wait()
		if first.Load() != 1 {
			t.Errorf("%d of 8 posts with one key were done", first.Load())
		}
		bad := strings.Replace(crack, "crack_grade", "nope", 1)
		for range 2 {
			if code, head, said := post(bad, "Idempotency-Key", "bad"); code != 422 ||
				head.Get("Content-Type") != "application/problem+json" {
				t.Errorf("%d %s %s", code, head.Get("Content-Type"), said)
			}
		}
		if code, head, said := post(crack, "Idempotency-Key", "k\xff"); code != 400 ||
			head.Get("Content-Type") != "application/problem+json" {
			t.Errorf("a key that is no UTF-8: %d %s", code, said)
		}
	})
}
