package webhook_test

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"sealmanac/internal/coach"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/webhook"
)

var many = flag.Int("events", 3000, "how many events TestSlowFlappingDead sends to each endpoint")

// The vector that the reference libraries of Standard Webhooks publish (their tests,
// "sign function works"), and their own verification of what we sign.
func TestSignatures(t *testing.T) {
	at := time.Unix(1614265330, 0)
	got := webhook.Sign([]string{"whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}, "msg_p5jXN8AQM9LWM0D4loKWxJek", at,
		[]byte(`{"test": 2432232314}`))
	if got != "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" {
		t.Errorf("the published vector: %s", got)
	}
	old, next, own := webhook.NewKey(false), webhook.NewKey(false), webhook.NewKey(true)
	body, now := []byte(`{"a":1}`), time.Now()
	head := http.Header{}
	head.Set("webhook-id", "evt_1")
	head.Set("webhook-timestamp", fmt.Sprint(now.Unix()))
	head.Set("webhook-signature", webhook.Sign([]string{next, old, own}, "evt_1", now, body))
	for _, k := range []string{old, next} { // two live keys: both receivers are content
		w, err := standardwebhooks.NewWebhook(k)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Verify(body, head); err != nil {
			t.Errorf("the reference library refuses our signature: %v", err)
		}
		if err := w.Verify([]byte(`{"a":2}`), head); err == nil {
			t.Error("a changed body passes")
		}
	}
	// v1a: Ed25519 over the same text (RFC 8032), with the public key that is given out.
	pub, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(webhook.Public(own), "whpk_"))
	if err != nil || webhook.Public(old) != old {
		t.Fatal(err)
	}
	for _, s := range strings.Fields(head.Get("webhook-signature")) {
		if b64, ok := strings.CutPrefix(s, "v1a,"); ok {
			sig, _ := base64.StdEncoding.DecodeString(b64)
			if !ed25519.Verify(pub, append([]byte(fmt.Sprintf("evt_1.%d.", now.Unix())), body...), sig) {
				t.Error("the Ed25519 signature does not verify")
			}
		}
	}
}

// receiver is a small receiver of events: it verifies with the reference library and
// keeps what it took, in order.
type receiver struct {
	*httptest.Server
	mu    sync.Mutex
	key   string
	took  []string            // ids, each once
	seen  map[string]int      // ids with how often they came
	order map[string][]string // sequence by subject
	bad   []string
	say   func(n int) (status int, wait string) // answer to the n-th request
	n     int
}

func newReceiver(t *testing.T, say func(n int) (int, string)) *receiver {
	t.Helper()
	r := &receiver{seen: map[string]int{}, order: map[string][]string{}, say: say}
	r.Server = httptest.NewServer(r)
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, _ := io.ReadAll(req.Body)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.n++
	if r.say != nil {
		if status, wait := r.say(r.n); status != 200 {
			if wait != "" {
				w.Header().Set("Retry-After", wait)
			}
			w.WriteHeader(status)
			return
		}
	}
	v, err := standardwebhooks.NewWebhook(r.key)
	if err == nil {
		err = v.Verify(body, req.Header)
	}
	var e struct {
		SpecVersion string `json:"specversion"`
		ID          string `json:"id"`
		Source      string `json:"source"`
		Type        string `json:"type"`
		Subject     string `json:"subject"`
		Sequence    string `json:"sequence"`
	}
	if e2 := json.Unmarshal(body, &e); err != nil || e2 != nil || e.SpecVersion != "1.0" ||
		e.ID != req.Header.Get("webhook-id") || e.Source == "" || !strings.HasPrefix(e.Type, "sealmanac.") {
		r.bad = append(r.bad, fmt.Sprintf("%v %v %s", err, e2, body))
	}
	if r.seen[e.ID]++; r.seen[e.ID] == 1 {
		r.took = append(r.took, e.ID)
		r.order[e.Subject] = append(r.order[e.Subject], e.Sequence)
	}
	w.WriteHeader(http.StatusOK)
}

func (r *receiver) state() (took, repeats int, bad []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, n := range r.seen {
		repeats += n - 1
	}
	return len(r.took), repeats, append([]string(nil), r.bad...)
}

// inOrder reports whether events of each coach came in the order of their numbers.
func (r *receiver) inOrder() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range r.order {
		for i := 1; i < len(l); i++ {
			if l[i] <= l[i-1] {
				return false
			}
		}
	}
	return true
}

type bed struct {
	t    *testing.T
	db   *store.DB
	skip atomic.Int64 // added to the clock
}

func stores(t *testing.T, f func(t *testing.T, b *bed)) {
	t.Helper()
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		b := &bed{t: t, db: db}
		db.Now = func() time.Time { return time.Now().Add(time.Duration(b.skip.Load())) }
		if err := db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.SaveAccount(t.Context(), coach.Account{ID: "a", Name: "A", Postal: "1 Road"})
		}); err != nil {
			t.Fatal(err)
		}
		f(t, b)
	})
}

func (b *bed) endpoint(id, address, kinds string) string {
	b.t.Helper()
	key := webhook.NewKey(false)
	keys, _ := json.Marshal([]string{key})
	if err := b.db.Update(b.t.Context(), func(tx *store.Tx) error {
		return tx.AddEndpoint(b.t.Context(), store.Endpoint{Account: "a", ID: id, URL: address, Kinds: kinds,
			Keys: string(keys), State: "live", MadeBy: "m"})
	}); err != nil {
		b.t.Fatal(err)
	}
	return key
}

func (b *bed) happen(n int) {
	b.t.Helper()
	var hs []store.Happened
	for i := range n {
		hs = append(hs, store.Happened{Kind: "task.done", Coach: coach.ID(fmt.Sprint("c", i%7)),
			Data: map[string]any{"n": i}})
	}
	if err := b.db.Update(b.t.Context(), func(tx *store.Tx) error {
		return tx.AddEvents(b.t.Context(), "a", hs...)
	}); err != nil {
		b.t.Fatal(err)
	}
}

// run starts a sender that reaches the test's own receivers only.
func (b *bed) run(allow ...string) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	s := &webhook.Sender{DB: b.db, Client: httpkit.Guarded(allow, 10*time.Second), Source: "https://x.example.org",
		Log: slog.New(slog.DiscardHandler), Look: 10 * time.Millisecond,
		Tell: func(ctx context.Context, tx *store.Tx, e store.Endpoint) error {
			return tx.AddAudit(ctx, "a", "sealmanac", "told", e.ID, "") // stays only when it is committed
		}}
	done := make(chan struct{})
	go func() { defer close(done); s.Run(ctx) }()
	stop = func() { cancel(); <-done }
	b.t.Cleanup(stop)
	return stop
}

// told counts how often somebody was told of an endpoint.
func (b *bed) told() (n int) {
	b.t.Helper()
	if err := b.db.View(b.t.Context(), func(tx *store.Tx) error {
		rows, err := tx.Audits(b.t.Context(), "a", math.MaxInt64, 100)
		n = len(rows)
		return err
	}); err != nil {
		b.t.Fatal(err)
	}
	return n
}

func (b *bed) get(id string) (e store.Endpoint) {
	b.t.Helper()
	if err := b.db.View(b.t.Context(), func(tx *store.Tx) (err error) {
		e, err = tx.EndpointByID(b.t.Context(), "a", id)
		return err
	}); err != nil {
		b.t.Fatal(err)
	}
	return e
}

func (b *bed) until(what string, d time.Duration, ok func() bool) {
	b.t.Helper()
	for begun := time.Now(); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Since(begun) > d {
			b.t.Fatalf("%s: not within %v", what, d)
		}
	}
}

// A receiver that fails now and then, one that is slow, one that is dead: none of them
// loses an event or sees a coach's events out of order, and the healthy one does not
// wait for the others.
func TestSlowFlappingDead(t *testing.T) {
	stores(t, func(t *testing.T, b *bed) {
		n := *many
		healthy := newReceiver(t, nil)
		flapping := newReceiver(t, func(k int) (int, string) {
			if k%97 == 0 {
				return 503, ""
			}
			return 200, ""
		})
		slow := newReceiver(t, func(int) (int, string) { time.Sleep(time.Millisecond); return 200, "" })
		dead := newReceiver(t, func(int) (int, string) { return 500, "" })
		for id, r := range map[string]*receiver{"healthy": healthy, "flapping": flapping, "slow": slow, "dead": dead} {
			r.key = b.endpoint(id, r.URL, "")
		}
		b.happen(n)
		begun := time.Now()
		b.run("127.0.0.1")
		// Time leaps while nobody holds a lease, so that the waits are short and no lease ends
		// early on a slow machine. A leap is far shorter than a lease: one that is taken
		// between the look and the leap still holds.
		leap := func() {
			for _, id := range []string{"healthy", "flapping", "slow", "dead"} {
				if time.UnixMicro(b.get(id).LeaseEnd).After(b.db.Now()) {
					return
				}
			}
			b.skip.Add(int64(10 * time.Second))
		}
		b.until("healthy", 4*time.Minute, func() bool { leap(); k, _, _ := healthy.state(); return k == n })
		t.Logf("healthy: %d events in %v", n, time.Since(begun).Round(time.Millisecond))
		for name, r := range map[string]*receiver{"flapping": flapping, "slow": slow} {
			b.until(name, 4*time.Minute, func() bool { leap(); k, _, _ := r.state(); return k == n })
		}
		for name, r := range map[string]*receiver{"healthy": healthy, "flapping": flapping, "slow": slow} {
			k, repeats, bad := r.state()
			if len(bad) > 0 || !r.inOrder() {
				t.Errorf("%s: %d bad, in order %t: %v", name, len(bad), r.inOrder(), bad[:min(1, len(bad))])
			}
			if repeats > n/100 { // a batch taken over, at most
				t.Errorf("%s: %d repeated", name, repeats)
			}
			t.Logf("%s: %d taken, %d repeated", name, k, repeats)
		}
		if e := b.get("dead"); e.Seq != 0 || e.Trouble == "" {
			t.Errorf("the dead one: %+v", e)
		}
	})
}

// The schedule of attempts ends in a pause with a word to the manager; nothing is
// lost: set to live it catches up.
func TestPauseAndCatchUp(t *testing.T) {
	stores(t, func(t *testing.T, b *bed) {
		b.db.LoseFirst = true // an attempt counts once, also when its transaction runs again
		alive := atomic.Bool{}
		r := newReceiver(t, func(int) (int, string) {
			if alive.Load() {
				return 200, ""
			}
			return 500, ""
		})
		r.key = b.endpoint("e", r.URL, "")
		b.happen(3)
		b.run("127.0.0.1")
		b.until("paused", time.Minute, func() bool {
			e := b.get("e")
			if time.UnixMicro(e.NextAt).After(b.db.Now()) { // between two attempts: a leap in one would end its lease
				b.skip.Add(int64(time.Hour))
			}
			return e.State == "paused"
		})
		if told := b.told(); told != 1 || r.n != 10 {
			t.Errorf("told %d times, %d attempts", told, r.n)
		}
		alive.Store(true)
		e := b.get("e")
		e.State, e.Tries, e.NextAt = "live", 0, 0
		if err := b.db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.ChangeEndpoint(t.Context(), e)
		}); err != nil {
			t.Fatal(err)
		}
		b.until("caught up", time.Minute, func() bool { k, _, _ := r.state(); return k == 3 })
	})
}

// 410 ends it at once, Retry-After is obeyed, redirects are not followed, kinds are
// chosen, a test goes to its own endpoint only.
func TestAnswers(t *testing.T) {
	stores(t, func(t *testing.T, b *bed) {
		gone := newReceiver(t, func(int) (int, string) { return 410, "" })
		later := newReceiver(t, func(n int) (int, string) {
			if n == 1 {
				return 429, "3600"
			}
			return 200, ""
		})
		other := newReceiver(t, nil)
		moved := httptest.NewServer(http.RedirectHandler(other.URL, http.StatusTemporaryRedirect))
		t.Cleanup(moved.Close)
		picky := newReceiver(t, nil)
		gone.key, later.key, picky.key = b.endpoint("gone", gone.URL, ""), b.endpoint("later", later.URL, ""),
			b.endpoint("picky", picky.URL, "hold.set")
		b.endpoint("moved", moved.URL, "")
		b.happen(2)
		if err := b.db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.AddEvents(t.Context(), "a", store.Happened{Kind: "hold.set", Coach: "c1", Data: map[string]any{}},
				store.Happened{Kind: "test", Data: map[string]any{"endpoint": "picky"}})
		}); err != nil {
			t.Fatal(err)
		}
		b.run("127.0.0.1")
		b.until("gone", time.Minute, func() bool { return b.get("gone").State == "gone" })
		b.until("picky", time.Minute, func() bool { return b.get("picky").Seq == 4 })
		if k, _, bad := picky.state(); k != 2 || len(bad) > 0 {
			t.Errorf("picky took %d: %v", k, bad)
		}
		b.until("later waits", time.Minute, func() bool { return b.get("later").Tries == 1 })
		if left := time.UnixMicro(b.get("later").NextAt).Sub(b.db.Now()); left < 50*time.Minute {
			t.Errorf("Retry-After of an hour: %v", left)
		}
		b.skip.Add(int64(2 * time.Hour))
		b.until("later", time.Minute, func() bool { k, _, _ := later.state(); return k == 3 }) // not the test
		if k, _, _ := other.state(); k != 0 || b.get("moved").Tries == 0 {
			t.Errorf("a redirect was followed: %d", k)
		}
	})
}

// Addresses inside the operator's network are not reached, whatever their name says.
func TestNoWayInside(t *testing.T) {
	stores(t, func(t *testing.T, b *bed) {
		inside := newReceiver(t, nil)
		u, _ := url.Parse(inside.URL)
		b.endpoint("ip", inside.URL, "")
		b.endpoint("name", "http://localhost:"+u.Port(), "")
		b.happen(1)
		b.run() // nothing is allowed
		b.until("refused", time.Minute, func() bool { return b.get("ip").Tries > 0 && b.get("name").Tries > 0 })
		if n := inside.n; n != 0 || !strings.Contains(b.get("name").Trouble, "private network") {
			t.Errorf("%d requests reached it: %s", n, b.get("name").Trouble)
		}
	})
}

// Two senders on one database do not send side by side to one endpoint, and what one
// leaves behind the other takes over.
func TestTwoSenders(t *testing.T) {
	stores(t, func(t *testing.T, b *bed) {
		r := newReceiver(t, nil)
		r.key = b.endpoint("e", r.URL, "")
		stop := b.run("127.0.0.1")
		b.run("127.0.0.1")
		for range 20 {
			b.happen(30)
			time.Sleep(5 * time.Millisecond)
		}
		stop()
		b.happen(30)
		b.until("all", 30*time.Second, func() bool { k, _, _ := r.state(); return k == 630 })
		if _, repeats, bad := r.state(); repeats > 1 || len(bad) > 0 || !r.inOrder() {
			t.Errorf("%d repeats, %d bad, in order %t", repeats, len(bad), r.inOrder())
		}
	})
}
