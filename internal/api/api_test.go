package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/config"
	"sealmanac/internal/access"
	"sealmanac/internal/api"
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

const marker = "zebrafinch"

type rig struct {
	t     testing.TB
	db    *store.DB
	desk  *desk.Desk
	api   *api.API
	srv   *httptest.Server
	keys  map[string]string // by account
	reads string            // a key of account one that may only read
	ended string            // a key of account one that was ended
	now   atomic.Int64      // microseconds since 1970; each look at it moves it on
}

var today = civil.Of(2026, 3, 3)

func newRig(t testing.TB, db *store.DB) *rig {
	t.Helper()
	x := &rig{t: t, db: db, keys: map[string]string{}}
	x.now.Store(time.Date(2026, 3, 3, 18, 0, 0, 0, time.UTC).UnixMicro())
	db.Now = func() time.Time { return time.UnixMicro(x.now.Add(1000)) }
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	tables := testkit.Tables(t)
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(tables), Domain: "example.org"}
	x.desk = &desk.Desk{DB: db, Now: func() time.Time {
		return time.UnixMicro(x.now.Load())
	}, Domain: "example.org", Places: tables, Snooze: 21,
		Signer: &desk.Signer{Key: make([]byte, 32), BaseURL: "https://x.example.org"}, HooksAllow: []string{"127.0.0.1"},
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}
	acc := &access.Access{DB: db, Base: "https://x.example.org"}
	x.api = &api.API{Desk: x.desk, Access: acc, Log: slog.New(slog.DiscardHandler), Source: "https://x.example.org"}
	for _, id := range []coach.AccountID{"one", "two"} {
		c := intake.Read(intake.Options{Today: today, Places: tables}, nil,
			intake.File{Name: "x.yaml",
				Data: []byte("shop: {name: Shop " + string(id) + ", postal: 1 Road, zone: America/Denver}\n" + record(id))})
		if _, err := x.desk.Import(t.Context(), id, c); err != nil {
			t.Fatal(err)
		}
		if err := x.desk.Start(t.Context(), id, "t"); err != nil {
			t.Fatal(err)
		}
		if _, _, err := cycle.Pass(t.Context(), db, tools, id, today,
			func(context.Context, *store.Tx, []reminder.Notice) error {
				return nil
			}); err != nil {
			t.Fatal(err)
		}
		w := access.Who{Account: id, Email: "m", Role: access.Manager}
		if x.keys[string(id)], err = acc.MakeToken(t.Context(), w, "crm", []string{"read", "write"}, 30); err != nil {
			t.Fatal(err)
		}
		if id == "one" {
			if x.ended, err = acc.MakeToken(t.Context(), w, "former", []string{"read", "write"}, 30); err != nil {
				t.Fatal(err)
			}
			x.end("former")
			if x.reads, err = acc.MakeToken(t.Context(), w, "reader", []string{"read"}, 30); err != nil {
				t.Fatal(err)
			}
		}
	}
	x.srv = httptest.NewServer(httpkit.Wrap(x.api.Handler(),
		slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))))
	t.Cleanup(x.srv.Close)
	return x
}

func record(id coach.AccountID) string {
	if id != "one" {
		return ""
	}
	return strings.ReplaceAll(`
coaches:
  - coach: zf-1
    label: MARK coach
    class: class_a
    use: weekend
    people: [{name: MARK owner, email: MARK@example.org}]
    stays: [{place: "Madison, WI", from: 2019-01-01, shelter: open, slides: in, cycles: 20/year}]
    slides: [{slide: s, label: MARK slide, width: 11 ft, height: 76 in, edges: [{edge: outer/top, construction: track, carrier: none, fitted: 2019-05-01, free_height: 20 mm, gaps: [13 mm], parts: [{part: bulb, material: epdm_sponge, lot: MARK-lot}, {part: wiper, material: epdm_dense}]}]}]
`, "MARK", marker)
}

// do sends a request and returns status, headers and body.
func (x *rig) do(key, method, path, body string, head ...string) (int, http.Header, string) {
	x.t.Helper()
	req, err := http.NewRequest(method, x.srv.URL+api.Root+path, strings.NewReader(body))
	if err != nil {
		x.t.Fatal(err)
	}
	if key != "" {
		req.Header.Set("Authorization", "Bearer "+key)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(head); i += 2 {
		req.Header.Set(head[i], head[i+1])
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		x.t.Fatal(err)
	}
	defer resp.Body.Close() //nolint:errcheck // read whole
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, resp.Header, string(b)
}

var names = regexp.MustCompile(`\{(\w+)\}`)

// addressOf returns an address of an operation at which account "one" has something.
func addressOf(o *huma.Operation) string {
	own := names.ReplaceAllStringFunc(strings.TrimPrefix(o.Path, api.Root), func(n string) string {
		return map[string]string{"{coach}": "zf-1", "{lot}": marker + "-lot", "{endpoint}": "ep_none", "{part}": "people"}[n]
	})
	switch o.OperationID {
	case "why":
		own += "?run=s/outer/top&part=bulb"
	case "list-season":
		own += "?from=2026-01-01&until=2026-12-31"
	}
	return own
}

// Every operation of the document, with garbage: 4xx, never 5xx, and a problem that
// says what is wrong. And no route answers without a key, with a forged one, or across
// the wall between accounts. The table is the document itself.
func TestEveryOperation(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	ops := api.Operations(x.api)
	if len(ops) < 24 {
		t.Fatalf("%d operations", len(ops))
	}
	before := x.state("one")
	for _, o := range ops {
		path, own := strings.TrimPrefix(o.Path, api.Root), addressOf(o)
		t.Run(o.OperationID, func(t *testing.T) {
			body := ""
			if o.Method != http.MethodGet && o.Method != http.MethodDelete {
				body = `{"coaches":[{}],"day":"2026-03-02","kind":"inspect","value":"x","key":"x","answer":"done","url":"https://crm.example.org/x","since":"2026-01-01T00:00:00Z"}`
			}
			for name, key := range map[string]string{"none": "", "forged": "slm_forged", "ended": x.ended} {
				if code, _, said := x.do(key, o.Method, own, body); code != 401 || strings.Contains(said, marker) {
					t.Errorf("with key %s: %d", name, code)
				}
			}
			if o.Method != http.MethodGet {
				if code, _, _ := x.do(x.reads, o.Method, own, body); code != 403 {
					t.Errorf("with a key that may only read: %d", code)
				}
			}
			if code, _, said := x.do(x.keys["two"], o.Method, own, body); code >= 500 || strings.Contains(said, marker) &&
				o.OperationID != "get-lot" {
				t.Errorf("from the other account: %d %s", code, said)
			}
			for _, bad := range []string{"", "{", "[]", `"x"`, `{"x":1}`, `{"coaches":{}}`, `{"day":5}`, "\x00\xff"} {
				code, head, said := x.do(x.keys["two"], o.Method, own, bad)
				if code >= 500 {
					t.Errorf("garbage %q: %d %s", bad, code, said)
				}
				if code >= 400 && !strings.HasPrefix(head.Get("Content-Type"), "application/problem+json") {
					t.Errorf("garbage %q: %s", bad, head.Get("Content-Type"))
				}
			}
			for _, bad := range []string{"%00", "..%2f..", strings.Repeat("a", 500), "'; DROP TABLE coach; --"} {
				esc := names.ReplaceAllString(path, strings.ReplaceAll(strings.ReplaceAll(bad, " ", "%20"), ";", "%3B"))
				if code, _, said := x.do(x.keys["two"], o.Method, esc+"?limit=-1&after=zz&from=x&until=y", body); code >= 500 {
					t.Errorf("path %q: %d %s", esc, code, said)
				}
			}
		})
	}
	if after := x.state("one"); after != before {
		t.Errorf("the other account changed it:\n%s\n%s", before, after)
	}
}

func (x *rig) state(id coach.AccountID) string {
	x.t.Helper()
	code, _, body := x.do(x.keys[string(id)], "GET", "/coaches", "")
	if code != 200 {
		x.t.Fatalf("%d %s", code, body)
	}
	_, _, endpoints := x.do(x.keys[string(id)], "GET", "/endpoints", "")
	_, _, changes := x.do(x.keys[string(id)], "GET", "/changes?limit=1000", "")
	return body + endpoints + fmt.Sprint(strings.Count(changes, "specversion"))
}

// The document says OpenAPI 3.1, describes the errors, and the page for people lists
// every operation.
func TestDocument(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	code, _, body := x.do("", "GET", "/openapi.json", "")
	var doc struct {
		OpenAPI string                    `json:"openapi"`
		Paths   map[string]map[string]any `json:"paths"`
	}
	if err := json.Unmarshal([]byte(body), &doc); err != nil || code != 200 || !strings.HasPrefix(doc.OpenAPI, "3.1") ||
		len(doc.Paths) < 20 {
		t.Fatalf("%d %v %s %d paths", code, err, doc.OpenAPI, len(doc.Paths))
	}
	if servers, _ := field(t, body, "servers").([]any); len(servers) != 1 {
		t.Errorf("servers: %v", servers)
	}
	for name := range fieldOfMap(t, body, "components", "schemas") {
		if strings.ContainsAny(name, "0123456789") {
			t.Errorf("%s would have another name when an operation is added", name)
		}
	}
	_, _, page := x.do("", "GET", "", "")
	for path := range doc.Paths {
		if !strings.Contains(page, "<code>"+path+"</code>") {
			t.Errorf("the page does not list %s", path)
		}
	}
	if code, _, schema := x.do("", "GET", "/events.schema.json", ""); code != 200 || !strings.Contains(schema,
		"sealmanac.notice.made") {
		t.Errorf("the schema: %d", code)
	}
}

func field(t *testing.T, body string, path ...string) any {
	t.Helper()
	var v any
	if err := json.Unmarshal([]byte(body), &v); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	for _, p := range path {
		m, _ := v.(map[string]any)
		v = m[p]
	}
	return v
}

func fieldOfMap(t *testing.T, body string, path ...string) map[string]any {
	t.Helper()
	m, ok := field(t, body, path...).(map[string]any)
	if !ok || len(m) == 0 {
		t.Fatalf("nothing at %v", path)
	}
	return m
}

// fieldOf is field where there is no test to fail.
func fieldOf(body, name string) any {
	var m map[string]any
	_ = json.Unmarshal([]byte(body), &m) // "" has no fields
	return m[name]
}

// A CRM's first hours: backfill, change, conflict, book, complete, put off, catch up.
func TestFirstHour(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) { firstHour(t, newRig(t, db)) })
}

func firstHour(t *testing.T, x *rig) {
	key := x.keys["one"]
	// Backfill, page by page.
	code, _, body := x.do(key, "GET", "/coaches?limit=1", "")
	if code != 200 || !strings.Contains(body, marker+" coach") {
		t.Fatalf("%d %s", code, body)
	}
	next, _ := field(t, body, "next").(string)
	if code, _, body = x.do(key, "GET", "/coaches?limit=1&after="+next, ""); code != 200 || strings.Contains(body,
		marker) {
		t.Errorf("the page after the last: %d %s", code, body)
	}
	if code, _, _ = x.do(key, "GET", "/coaches?after=zz", ""); code != 422 {
		t.Errorf("a forged cursor: %d", code)
	}
	// One coach, changed with its ETag; the second writer gets both sides.
	_, head, body := x.do(key, "GET", "/coaches/zf-1", "")
	tag := head.Get("ETag")
	tree, _ := field(t, body, "record").(map[string]any)
	tree["label"] = "Changed by the CRM"
	changed, _ := json.Marshal(tree)
	code, head, body = x.do(key, "PUT", "/coaches/zf-1", string(changed), "If-Match", tag)
	if code != 200 || head.Get("ETag") == tag || !strings.Contains(body, "Changed by the CRM") {
		t.Fatalf("%d %s", code, body)
	}
	if code, _, body = x.do(key, "PUT", "/coaches/zf-1", string(changed), "If-Match", tag); code != 412 ||
		field(t, body, "code") != "changed" || field(t, body, "present", "record", "label") != "Changed by the CRM" {
		t.Errorf("an old ETag: %d %s", code, body)
	}
	if code, _, _ = x.do(key, "PUT", "/coaches/zf-1", string(changed), "If-None-Match", "*"); code != 412 {
		t.Errorf("adding what exists: %d", code)
	}
	if code, _, body = x.do(key, "PUT", "/coaches/zf-2",
		`{"class": "zeppelin", "stays": [{"place": "Nowhereville"}]}`); code != 422 || strings.Count(body, `"message"`) < 3 {
		t.Errorf("faults are not told all at once: %d %s", code, body)
	}
	// The CRM's own keys, and one part of a record by itself.
	code, head, body = x.do(key, "GET", "/coaches/zf-1/record/people", "")
	if code != 200 || !strings.Contains(body, marker) {
		t.Fatalf("%d %s", code, body)
	}
	if code, _, body = x.do(key, "PUT", "/coaches/zf-1/record/people", `{"items":[{"name":"New","email":"new@example.org","external_id":"crm-77"}]}`, "If-Match", head.Get("ETag")); code != 200 || !strings.Contains(body, "crm-77") || strings.Contains(body, marker+" owner") || !strings.Contains(body, marker+" slide") {
		t.Errorf("%d %s", code, body)
	}
	if code, _, _ = x.do(key, "PUT", "/coaches/zf-1/record/people", `{"items":[]}`, "If-Match",
		head.Get("ETag")); code != 412 {
		t.Errorf("an old ETag of a part: %d", code)
	}
	if code, _, body = x.do(key, "PUT", "/coaches/ext-1", `{"external_id":"unit 9","class":"class_c","stays":[{"place":"Bend, OR","from":"2024-01-01","cycles":"2/week","external_id":"yard-3"}],"slides":[]}`); code != 200 {
		t.Fatalf("%d %s", code, body)
	}
	if _, _, body = x.do(key, "GET", "/coaches?external_id=unit%209", ""); !strings.Contains(body, `"ext-1"`) ||
		!strings.Contains(body, "yard-3") || strings.Contains(body, "zf-1") {
		t.Errorf("%s", body)
	}
	// A bulk with one fault: each has its own result.
	bulk := `{"coaches":[{"coach":"b-1","use":"weekend","class":"class_c","stays":[{"place":"Bend, OR","from":"2024-01-01","cycles":"2/week"}],"bookings":[{"from":"2026-06-01","until":"2026-06-05"}],"slides":[]},{"coach":"b 2"}]}`
	code, _, body = x.do(key, "POST", "/coaches/bulk", bulk, "Idempotency-Key", "k1")
	if code != 200 || field(t, body, "saved") != 1.0 || field(t, body, "refused") != 1.0 {
		t.Fatalf("%d %s", code, body)
	}
	seen := x.count()
	code, head, again := x.do(key, "POST", "/coaches/bulk", bulk, "Idempotency-Key", "k1")
	if code != 200 || again != body || head.Get("Idempotency-Replayed") != "true" || x.count() != seen {
		t.Errorf("a repeat: %d, same %t, %d changes more", code, again == body, x.count()-seen)
	}
	if code, _, _ = x.do(key, "POST", "/coaches/bulk", bulk+" ", "Idempotency-Key", "k1"); code != 422 {
		t.Errorf("the same key for another request: %d", code)
	}
	// What is sent again as it is stays as it is, and is no news.
	_, head, _ = x.do(key, "GET", "/coaches/b-1", "")
	tag, seen = head.Get("ETag"), x.count()
	// in another place of the list
	code, _, body = x.do(key, "POST", "/coaches/bulk",
		strings.Replace(bulk, `{"coaches":[`, `{"coaches":[{"coach":"b 3"},`, 1))
	_, head, _ = x.do(key, "GET", "/coaches/b-1", "")
	if code != 200 || field(t, body, "saved") != 1.0 || strings.Contains(body, `"changed":true`) ||
		head.Get("ETag") != tag || x.count() != seen {
		t.Errorf("the same again: %d %s, ETag %s then %s, %d events more", code, body, tag, head.Get("ETag"), x.count()-seen)
	}
	// Dates and reasons.
	_, _, body = x.do(key, "GET", "/coaches/zf-1/forecasts", "")
	if !strings.Contains(body, `"likely":"`) || !strings.Contains(body, `"part":"bulb"`) {
		t.Errorf("%s", body)
	}
	if code, _, body = x.do(key, "GET", "/coaches/zf-1/why?run=s/outer/top&part=bulb", ""); code != 200 ||
		!strings.Contains(body, "Madison") {
		t.Errorf("%d %s", code, body)
	}
	// A reading moves them.
	was, _ := field(t, first(t, x, key, "/coaches/zf-1/forecasts")).(map[string]any)
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/readings", `{"day":"2026-03-02","slide":"s","run":"outer/top","part":"bulb","kind":"bulb_height","value":"15 mm"}`); code != 200 {
		t.Fatalf("%d %s", code, body)
	}
	now, _ := field(t, first(t, x, key, "/coaches/zf-1/forecasts")).(map[string]any)
	if was["likely"] == now["likely"] {
		t.Errorf("the reading moved nothing: %v", now)
	}
	// Book, move, and a conflict that shows both sides.
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/visits", `{"day":"2026-04-01"}`); code != 200 ||
		!strings.Contains(body, "2026-04-01") {
		t.Fatalf("%d %s", code, body)
	}
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/visits", `{"was":"2026-04-01","day":"2026-04-08"}`); code != 200 ||
		!strings.Contains(body, "2026-04-08") {
		t.Errorf("%d %s", code, body)
	}
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/visits", `{"was":"2026-04-01","day":"2026-04-15"}`); code != 412 ||
		!strings.Contains(body, "2026-04-08") || !strings.Contains(body, "2026-04-15") {
		t.Errorf("moving a day that is gone: %d %s", code, body)
	}
	// Complete a task, put one off; an aim seen before is a conflict.
	_, _, body = x.do(key, "GET", "/tasks?coach=zf-1&limit=500", "")
	items, _ := field(t, body, "items").([]any)
	var done, later map[string]any
	for _, it := range items {
		m, _ := it.(map[string]any)
		switch m["kind"] {
		case "clean_and_condition":
			done = m
		case "inspect":
			later = m
		}
	}
	if done == nil || later == nil {
		t.Fatalf("%s", body)
	}
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/tasks/answer",
		fmt.Sprintf(`{"key":%q,"target":"2020-01-01","answer":"done"}`, done["key"])); code != 412 || !strings.Contains(body,
		fmt.Sprint(done["target"])) || !strings.Contains(body, "2020-01-01") {
		t.Errorf("another aim: %d %s", code, body)
	}
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/tasks/answer",
		fmt.Sprintf(`{"key":%q,"target":%q,"answer":"done","day":"2026-03-01"}`, done["key"], done["target"])); code != 200 ||
		field(t, body, "state") != "done" {
		t.Errorf("%d %s", code, body)
	}
	if _, _, body = x.do(key, "GET", "/tasks?coach=zf-1&limit=500", ""); strings.Contains(body, fmt.Sprint(done["key"])) {
		t.Error("the completed task is still there")
	}
	if code, _, body = x.do(key, "POST", "/coaches/zf-1/tasks/answer",
		fmt.Sprintf(`{"key":%q,"answer":"later","until":"2026-06-01"}`, later["key"])); code != 200 ||
		field(t, body, "state") != "appointment_agreed" || field(t, body, "postponed_until") != "2026-06-01" {
		t.Errorf("%d %s", code, body)
	}
	// Everything that happened, in order and without gaps.
	kinds, last, envelope := []string{}, 0, events(t, x, "1")
	after := ""
	for {
		_, _, body = x.do(key, "GET", "/changes?limit=3&after="+after, "")
		items, _ = field(t, body, "items").([]any)
		if len(items) == 0 {
			break
		}
		for _, it := range items {
			m, _ := it.(map[string]any)
			seq := 0
			fmt.Sscan(strings.TrimLeft(fmt.Sprint(m["sequence"]), "0"), &seq)
			if seq != last+1 {
				t.Errorf("after %d comes %d", last, seq)
			}
			last = seq
			if err := fits(envelope, text(t, m)); err != nil {
				t.Errorf("%v\n%s", err, text(t, m))
			}
			kinds = append(kinds, strings.TrimPrefix(fmt.Sprint(m["type"]), "sealmanac."))
		}
		after, _ = field(t, body, "next").(string)
	}
	for _, want := range []string{"coach.saved", "reading.recorded", "forecast.moved", "visit.booked", "visit.moved",
		"task.done", "task.declined"} {
		if !strings.Contains(strings.Join(kinds, " "), want) {
			t.Errorf("no %s among %v", want, kinds)
		}
	}
	// Long poll: it waits for the first change and no longer.
	begun := time.Now()
	go func() {
		time.Sleep(700 * time.Millisecond)
		x.do(key, "POST", "/coaches/zf-1/services", `{"day":"2026-03-03","kind":"inspect","slide":"s"}`)
	}()
	_, _, body = x.do(key, "GET", "/changes?wait=20&after="+after, "")
	if took := time.Since(begun); took < 500*time.Millisecond || took > 15*time.Second || !strings.Contains(body,
		"task.done") {
		t.Errorf("long poll: %v %s", took, body)
	}
	// A key that is ended works no more.
	x.end("")
	if code, _, _ = x.do(key, "GET", "/coaches", ""); code != 401 {
		t.Errorf("an ended key: %d", code)
	}
}

// first returns the first entry of a list as JSON.
func first(t *testing.T, x *rig, key, path string) string {
	t.Helper()
	_, _, body := x.do(key, "GET", path, "")
	items, _ := field(t, body, "items").([]any)
	if len(items) == 0 {
		t.Fatalf("nothing at %s", path)
	}
	b, _ := json.Marshal(items[0])
	return string(b)
}

func (x *rig) count() (n int) {
	es, err := x.desk.Changes(context.Background(), "one", 0, 10_000)
	if err != nil {
		x.t.Fatal(err)
	}
	return len(es)
}

// end ends the keys of account one with a name; "": all.
// One record, one day: a coach that is put and one of a bulk are judged by the shop's day.
func TestPutKnowsTheShopsDay(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	x.now.Store(time.Date(2026, 3, 4, 2, 0, 0, 0, time.UTC).UnixMicro()) // March 3, 19:00 at the shop in Denver
	for day, status := range map[string]int{"2026-03-03": http.StatusOK, "2026-03-04": http.StatusUnprocessableEntity} {
		rec := func(name string) string {
			return `{"coach":"` + name + `","stays":[{"place":"Madison, WI","from":"2019-01-01","cycles":"20/year"}],
				"slides":[{"slide":"s","runs":[{"run":"outer/top","construction":"track","carrier":"none",
				"fitted":"` + day + `","parts":[{"part":"bulb","material":"epdm_sponge"}]}]}]}`
		}
		put, _, said := x.do(x.keys["one"], "PUT", "/coaches/put", rec("put"))
		_, _, bulk := x.do(x.keys["one"], "POST", "/coaches/bulk", `{"coaches":[`+rec("bulk")+`]}`)
		if put != status || strings.Contains(bulk, `"saved":1`) != (status == http.StatusOK) {
			t.Errorf("fitted on %s: put %d %s, bulk %s", day, put, said, bulk)
		}
	}
}

// No time limit is left on a connection while a request works: it would cancel the
// request. Bodies are read before, or have time to come.
func TestBodyTimes(t *testing.T) {
	bodies := 0
	for _, o := range api.Operations(&api.API{}) {
		if o.RequestBody == nil {
			continue
		}
		bodies++
		if o.BodyReadTimeout >= 0 && o.BodyReadTimeout < time.Minute {
			t.Errorf("%s has %v", o.OperationID, o.BodyReadTimeout)
		}
	}
	if bodies < 10 {
		t.Errorf("%d operations have a body", bodies)
	}
}

// Who waits for changes with a key that is ended meanwhile gets none.
func TestWaitingEndsWithTheKey(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	w := access.Who{Account: "one", Email: "m", Role: access.Manager}
	key, err := x.api.Access.MakeToken(t.Context(), w, "poll", []string{"read"}, 30)
	if err != nil {
		t.Fatal(err)
	}
	said := make(chan string)
	go func() {
		status, head, _ := x.do(key, "GET", "/changes?after=now&wait=3", "")
		said <- fmt.Sprint(status, " ", head.Get("WWW-Authenticate"))
	}()
	for used := false; !used; time.Sleep(5 * time.Millisecond) { // then the key has been looked at
		err := x.db.View(t.Context(), func(tx *store.Tx) error {
			ts, err := tx.Tokens(t.Context(), "one")
			for _, k := range ts {
				used = used || k.Name == "poll" && k.UsedAt != nil && *k.UsedAt > 0
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	x.end("poll")
	if got := <-said; !strings.HasPrefix(got, "401 Bearer") {
		t.Errorf("answered %s", got)
	}
}

func (x *rig) end(name string) {
	w := access.Who{Account: "one", Email: "m", Role: access.Manager}
	p, err := x.api.Access.People(context.Background(), w)
	if err != nil {
		x.t.Fatal(err)
	}
	for _, tk := range p.Tokens {
		if name != "" && tk.Name != name || tk.RevokedAt != nil {
			continue
		}
		if err := x.api.Access.RevokeToken(context.Background(), w, tk.ID); err != nil {
			x.t.Fatal(err)
		}
	}
}

func TestPace(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	now := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	x.api.Pace = func() time.Time { return now }
	send := func(want int) {
		t.Helper()
		if code, head, _ := x.do(x.keys["one"], "GET", "/endpoints", ""); code != want || head.Get("RateLimit") == "" ||
			(code == 429) != (head.Get("Retry-After") != "") {
			t.Fatalf("%d %v, want %d", code, head, want)
		}
	}
	for range 1200 {
		send(200)
	}
	send(429)
	now = now.Add(time.Second) // twenty more
	for range 20 {
		send(200)
	}
	send(429)
}
