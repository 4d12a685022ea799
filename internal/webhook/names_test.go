package webhook_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"sealmanac/internal/store"
	"sealmanac/internal/webhook"
)

// Each endpoint of an account gets the same events by the names that it chose, and may ask
// for kinds by either name.
func TestNamesByEndpoint(t *testing.T) {
	happened := []store.Happened{
		{Kind: "visit.asked", Coach: "c", Data: map[string]any{"task": "water_test", "run": "galley", "person": "p"}},
		{Kind: "hold.set", Coach: "c", Data: map[string]any{"task": "safety_stop", "run": "galley", "why": "w"}},
		{Kind: "hold.set", Coach: "c", Data: map[string]any{"task": "refit", "run": "galley/outer/fore", "why": "w"}},
		{Kind: "entry.taken_back", Coach: "c", Data: map[string]any{"entry": "k|galley/outer/fore"}},
		{Kind: "visit.proposed", Coach: "c", Data: map[string]any{"day": "2026-03-01", "hours": []float64{1.5, 2},
			"tasks": []string{"lubricate", "clean"}, "at": "B", "agreed": false}},
		{Kind: "reading.recorded", Coach: "c", Data: map[string]any{"kind": "shore_a", "slide": "galley",
			"run": "outer/aft", "value": "62"}},
		{Kind: "reading.recorded", Coach: "c", Data: map[string]any{"kind": "light", "slide": "galley", "run": "",
			"value": "no"}},
	}
	one := []string{
		`visit.asked {"person":"p","run":"galley","task":"water_test"}`,
		`hold.set {"run":"galley","task":"safety_stop","why":"w"}`,
		`hold.set {"run":"galley/outer/fore","task":"refit","why":"w"}`,
		`entry.taken_back {"entry":"k|galley/outer/fore"}`,
		`visit.proposed {"agreed":false,"at":"B","day":"2026-03-01","hours":[1.5,2],"tasks":["lubricate","clean"]}`,
		`reading.recorded {"kind":"shore_a","run":"outer/aft","slide":"galley","value":"62"}`,
		`reading.recorded {"kind":"light","run":"","slide":"galley","value":"no"}`,
	}
	two := []string{
		`visit.requested {"person":"p","slide":"galley","task":"hose_test"}`,
		`safety_stop.set {"slide":"galley","task":"safety_stop","why":"w"}`,
		`wrong_size.set {"edge":"outer/front","slide":"galley","task":"refit","why":"w"}`,
		`record.deleted {"record":"k|galley/outer/fore"}`,
		`visit.planned {"agreed":false,"day":"2026-03-01","hours":[1.5,2],"partner":"B",` +
			`"tasks":["clean_and_condition","clean"]}`,
		`reading.recorded {"edge":"outer/rear","kind":"shore_a","slide":"galley","value":"62"}`,
		`reading.recorded {"kind":"light","slide":"galley","value":"no"}`,
	}
	ends := []struct {
		kinds string
		names int64
		want  []string
	}{
		{"", 1, one}, {"", 2, two}, {"hold.set visit.requested", 2, two[:3]},
		{"safety_stop.set entry.taken_back", 1, []string{one[1], one[3]}},
	}
	stores(t, func(t *testing.T, b *bed) {
		got := make([][]string, len(ends))
		var mu sync.Mutex
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			var e struct {
				Type string          `json:"type"`
				Data json.RawMessage `json:"data"`
			}
			body, err := io.ReadAll(r.Body)
			if err == nil {
				err = json.Unmarshal(body, &e)
			}
			var k int
			if _, err2 := fmt.Sscanf(r.URL.Path, "/%d", &k); err != nil || err2 != nil {
				t.Errorf("%s: %v %v", body, err, err2)
				return
			}
			mu.Lock()
			defer mu.Unlock()
			got[k] = append(got[k], strings.TrimPrefix(e.Type, webhook.Prefix)+" "+string(e.Data))
		}))
		defer server.Close()
		at, err := url.Parse(server.URL)
		if err != nil {
			t.Fatal(err)
		}
		for k, e := range ends {
			id := fmt.Sprint("ep_", k)
			b.endpoint(id, fmt.Sprint(server.URL, "/", k), e.kinds)
			row := b.get(id)
			row.Names = e.names
			if err := b.db.Update(t.Context(), func(tx *store.Tx) error {
				return tx.ChangeEndpoint(t.Context(), row)
			}); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.AddEvents(t.Context(), "a", happened...)
		}); err != nil {
			t.Fatal(err)
		}
		defer b.run(at.Hostname())()
		for k, e := range ends {
			b.until(fmt.Sprint("endpoint ", k), 20*time.Second, func() bool {
				return b.get(fmt.Sprint("ep_", k)).Seq == int64(len(happened))
			})
			mu.Lock()
			if !slices.Equal(got[k], e.want) {
				t.Errorf("endpoint %d got\n%s", k, strings.Join(got[k], "\n"))
			}
			mu.Unlock()
		}
	})
}

// Every rename is of a kind that there is, and no present name is an older one of another.
func TestRenames(t *testing.T) {
	for _, r := range webhook.Renames {
		if !slices.ContainsFunc(webhook.Kinds(1), func(k webhook.Kind) bool { return k.Kind == r.Was }) {
			t.Errorf("%s: there is no such kind", r.Was)
		}
		if slices.ContainsFunc(webhook.Kinds(1), func(k webhook.Kind) bool { return k.Kind == r.Now }) {
			t.Errorf("%s: it was the name of another kind", r.Now)
		}
		if !webhook.Known(r.Now) || !webhook.Known(r.Was) || webhook.Known("visit") {
			t.Errorf("%s, %s: not known", r.Was, r.Now)
		}
	}
}
