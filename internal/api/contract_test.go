package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"sealmanac/config"
	"sealmanac/internal/api"
	"sealmanac/internal/civil"
	"sealmanac/internal/cycle"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// schemas compiles places of the document with a JSON Schema library that knows nothing
// of the one that wrote it.
func schemas(t *testing.T, x *rig) func(pointer string) *jsonschema.Schema {
	t.Helper()
	_, _, text := x.do("", "GET", "/openapi.json", "")
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("https://x.example.org/openapi.json", doc); err != nil {
		t.Fatal(err)
	}
	return func(pointer string) *jsonschema.Schema {
		t.Helper()
		s, err := c.Compile("https://x.example.org/openapi.json#" + pointer)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// events is the published schema of events by their names, 1 or 2.
func events(t *testing.T, x *rig, names string) *jsonschema.Schema {
	t.Helper()
	_, _, text := x.do("", "GET", "/events.schema.json?names="+names, "")
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("https://x.example.org/events.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("https://x.example.org/events.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func fits(s *jsonschema.Schema, text string) error {
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// demoTrees are the demo's coaches as records.
func demoTrees(t *testing.T) (out []string) {
	t.Helper()
	tables := testkit.Tables(t)
	c := intake.Read(intake.Options{Today: civil.Of(2026, 2, 10), Places: tables}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	if err := c.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	for _, one := range c.Coaches {
		b, err := intake.Records(tables, one)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(b[0]))
	}
	return out
}

// What the document promises is what comes: every answer to a good request fits its
// schema, and so does every record that is sent.
func TestAnswersFitTheDocument(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	schema, key := schemas(t, x), x.keys["one"]
	record := schema("/components/schemas/CoachRecord")
	trees := demoTrees(t)
	for _, text := range trees {
		if err := fits(record, text); err != nil {
			t.Errorf("%v\n%s", err, text)
		}
	}
	code, _, said := x.do(key, "POST", "/coaches/bulk", `{"coaches":[`+strings.Join(trees, ",")+`]}`)
	if code != http.StatusOK || !strings.Contains(said, fmt.Sprintf(`"saved":%d`, len(trees))) {
		t.Fatalf("%d %s", code, said)
	}
	for path, body := range map[string]string{ // so that no list is empty
		"/coaches/zf-1/visits":   `{"day":"2026-04-01","time":"09:30"}`,
		"/coaches/zf-1/readings": `{"day":"2026-03-01","slide":"s","run":"outer/top","part":"bulb","kind":"bulb_height","value":"18 mm"}`,
		"/coaches/zf-1/services": `{"day":"2026-03-01","slide":"s","kind":"clean","note":"by hand"}`,
		"/endpoints":             `{"url":"https://crm.example.org/events","kinds":["visit.booked"]}`,
	} {
		if code, _, said := x.do(key, "POST", path, body); code != http.StatusOK {
			t.Fatalf("%s: %d %s", path, code, said)
		}
	}
	x.planned(t)
	for _, o := range api.Operations(x.api) {
		if o.Method != http.MethodGet {
			continue
		}
		addresses := []string{addressOf(o)}
		if o.OperationID == "get-part" { // each part, of a coach that has it and of one that has none
			addresses = nil
			for _, part := range []string{"people", "stays", "slides", "services", "readings", "events", "rentals",
				"season", "bookings"} {
				addresses = append(addresses, "/coaches/zf-1/record/"+part, "/coaches/dune-09/record/"+part)
			}
		}
		for _, address := range addresses {
			code, head, said := x.do(key, o.Method, address, "")
			if code != http.StatusOK {
				t.Errorf("%s: %d %s", o.OperationID, code, said)
				continue
			}
			if items, list := field(t, said, "items").([]any); list && len(items) == 0 && o.OperationID != "get-part" {
				t.Errorf("%s: an empty list fits every schema", o.OperationID)
			}
			media, _, _ := strings.Cut(head.Get("Content-Type"), ";")
			pointer := "/paths/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(o.Path) + "/get/responses/200/content/" +
				strings.ReplaceAll(media, "/", "~1") + "/schema"
			if err := fits(schema(strings.NewReplacer("{", "%7B", "}", "%7D").Replace(pointer)), said); err != nil {
				t.Errorf("%s %s: %v", o.OperationID, address, err)
			}
		}
	}
}

// planned runs a pass over account one, which plans visits and parts, and has one of its
// people ask for a day.
func (x *rig) planned(t *testing.T) {
	t.Helper()
	tools, err := x.desk.ToolsFor(t.Context(), "one")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := cycle.Pass(t.Context(), x.db, tools, "one", today,
		func(context.Context, *store.Tx, []reminder.Notice) error {
			return nil
		}); err != nil {
		t.Fatal(err)
	}
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		return tx.AddAnswer(t.Context(), "one", "dune-09", "bea@example.org", reminder.Answer{TaskKey: "inspect|x|2019-05-01",
			Kind: reminder.Book, Day: today - 1})
	}); err != nil {
		t.Fatal(err)
	}
}

// The schema refuses what the reader refuses: it is made from the reader.
func TestRecordSchemaRefuses(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	record := schemas(t, x)("/components/schemas/CoachRecord")
	for name, text := range map[string]string{
		"no name":            `{"label":"x"}`,
		"an unknown field":   `{"coach":"a","colour":"red"}`,
		"an unknown word":    `{"coach":"a","class":"zeppelin"}`,
		"no day":             `{"coach":"a","stays":[{"place":"Bend, OR"}]}`,
		"a day that is none": `{"coach":"a","sold":"2026-02-30"}`,
		"a heading of 400":   `{"coach":"a","stays":[{"place":"Bend, OR","from":"2024-01-01","heading":400}]}`,
		"a part of nothing":  `{"coach":"a","slides":[{"slide":"s","runs":[{"run":"outer/top","construction":"track","parts":[{"part":"bulb"}]}]}]}`,
	} {
		if fits(record, text) == nil {
			t.Errorf("%s: the schema takes %s", name, text)
		}
		if code, _, _ := x.do(x.keys["one"], "PUT", "/coaches/a", text); code != http.StatusUnprocessableEntity &&
			name != "no name" {
			t.Errorf("%s: the API answers %d to %s", name, code, text)
		}
	}
}

func text(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Lists are read to their end page by page, and whose key it is can be asked.
func TestListsToTheirEnd(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	if code, _, said := x.do(key, "POST", "/coaches/bulk",
		`{"coaches":[`+strings.Join(demoTrees(t), ",")+`]}`); code != http.StatusOK {
		t.Fatalf("%d %s", code, said)
	}
	if _, _, said := x.do(key, "GET", "/account", ""); field(t, said, "account") != "one" ||
		field(t, said, "today") != "2026-03-03" || field(t, said, "name") != "Shop one" {
		t.Errorf("%s", said)
	}
	for _, path := range []string{"/people?limit=%d", "/coaches?limit=%d", "/changes?limit=%d", "/tasks?limit=%d",
		"/notices?state=queued&limit=%d"} {
		var whole, paged []any
		read := func(limit int) (out []any) {
			after := ""
			for range 200 {
				_, _, said := x.do(key, "GET", fmt.Sprintf(path, limit)+"&after="+after, "")
				items, _ := field(t, said, "items").([]any)
				out = append(out, items...)
				next, _ := field(t, said, "next").(string)
				if next == "" || next == after {
					return out
				}
				after = next
			}
			t.Errorf("%s has no end", path)
			return out
		}
		if whole, paged = read(1000), read(1); len(whole) < 1 || text(t, whole) != text(t, paged) {
			t.Errorf("%s: %d at once, %d one by one", path, len(whole), len(paged))
		}
	}
	if _, _, said := x.do(key, "GET", "/people?limit=1000", ""); !strings.Contains(said, `"noor@example.org"`) ||
		!strings.Contains(said, `"channel":"phone"`) {
		t.Errorf("%s", said)
	}
	// From now on: nothing of what was, all of what comes.
	_, _, said := x.do(key, "GET", "/changes?after=now", "")
	if items, _ := field(t, said, "items").([]any); len(items) != 0 {
		t.Errorf("%d changes from now on", len(items))
	}
	after, _ := field(t, said, "next").(string)
	x.do(key, "POST", "/coaches/zf-1/services", `{"day":"2026-03-02","slide":"s","kind":"clean"}`)
	if _, _, said = x.do(key, "GET", "/changes?after="+after, ""); !strings.Contains(said, "task.done") {
		t.Errorf("%s", said)
	}
}

// Addresses inside the operator's network are refused when they are entered, too.
func TestEndpointsOutside(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	for _, host := range []string{"localhost", "10.0.0.7", "[::1]", "169.254.169.254", "crm", "printer.local",
		"db.internal", "192.168.1.20:8443"} {
		if code, _, said := x.do(x.keys["one"], "POST", "/endpoints", `{"url":"https://`+host+`/events"}`); code < 400 ||
			code > 422 {
			t.Errorf("%s: %d %s", host, code, said)
		}
	}
	if code, _, said := x.do(x.keys["one"], "POST", "/endpoints",
		`{"url":"https://crm.example.org/events"}`); code >= 300 {
		t.Errorf("%d %s", code, said)
	}
}

// Whatever is sent, the answer is ours: never a failure of the program, always JSON.
func FuzzRequest(f *testing.F) {
	x := newRig(f, storetest.Fresh(f, storetest.Best()))
	handler, sent := x.api.Handler(), 0
	methods := []string{"GET", "POST", "PUT", "DELETE", "PATCH", "HEAD"}
	for i, o := range api.Operations(x.api) {
		f.Add(i, addressOf(o), `{"coaches":[{"coach":"a"}],"items":[],"day":"2026-03-02","kind":"inspect","value":"1"}`)
	}
	f.Add(2, "/coaches/zf-1/record/season", `{"items":{"opens":"13-40"}}`)
	f.Add(0, "/coaches?external_id=%ff", "")
	f.Add(0, "/tasks?coach=%ff&after=3000ff", "")
	f.Add(0, "/people?after=30ff0061", "")
	f.Add(1, "/coaches/zf-1/services", `{"day":"2026-03-02","kind":"clean","note":"\u0000"}`)
	f.Add(1, "/coaches/bulk", `{"coaches":[{"coach":"a","label":"\u0000","slides":[{"slide":"s","runs":[{"run":"outer/top","construction":"track","fitted":null,"parts":[{"part":"","material":null}]}]}]}]}`)
	f.Add(1, "/coaches/bulk?x=%ff", "{\"coaches\":[{\"coach\":\"\xff\",\"slides\":{}}]}")
	f.Fuzz(func(t *testing.T, method int, path, body string) {
		u, err := url.Parse(api.Root + "/" + strings.TrimLeft(path, "/"))
		if err != nil || u.Scheme != "" || u.Host != "" {
			return // what no client sends
		}
		if sent++; sent%1000 == 0 { // a key may send so many a minute only: begin anew
			handler = (&api.API{Desk: x.api.Desk, Access: x.api.Access, Log: x.api.Log, Source: x.api.Source}).Handler()
		}
		req := httptest.NewRequest(methods[uint(method)%uint(len(methods))], "/", strings.NewReader(body))
		req.URL = u
		req.Header.Set("Authorization", "Bearer "+x.keys["two"])
		req.Header.Set("Content-Type", "application/json")
		resp := httptest.NewRecorder()
		handler.ServeHTTP(resp, req)
		if resp.Code >= 500 {
			t.Errorf("%s %s %q: %d", req.Method, path, body, resp.Code)
		}
	})
}

// What a slip of a program must not do: remove everything because a field is missing.
func TestSlips(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	for _, body := range []string{`{}`, `{"items":null}`, `{"item":[]}`, `[]`, `null`} {
		if code, _, said := x.do(key, "PUT", "/coaches/zf-1/record/people", body); code < 400 || code > 422 {
			t.Errorf("%s: %d %s", body, code, said)
		}
	}
	if _, _, said := x.do(key, "GET", "/coaches/zf-1/record/people", ""); !strings.Contains(said, marker+" owner") {
		t.Errorf("%s", said)
	}
	for _, c := range []struct {
		method, path string
		code         int
		says         string
	}{
		{"GET", "/nothing", 404, "no operation has this address"}, {"DELETE", "/coaches/zf-1", 405, "GET, HEAD, PUT"},
		{"PATCH", "/coaches", 405, "is not allowed at this"},
		{"GET", "/coaches?changed_since=yesterday", 422, "date-time"},
	} {
		code, head, said := x.do(key, c.method, c.path, "")
		if code != c.code || !strings.Contains(said, c.says) || !strings.HasPrefix(head.Get("Content-Type"),
			"application/problem+json") {
			t.Errorf("%s %s: %d %s %s", c.method, c.path, code, head.Get("Content-Type"), said)
		}
	}
	// A fault is told apart from what is only worth a look, and a day comes with its time.
	_, _, said := x.do(key, "POST", "/coaches/bulk", `{"coaches":[{"coach":"a","class":"zeppelin"}]}`)
	item, _ := field(t, said, "items").([]any)[0].(map[string]any)
	if text(t, item["problems"]) == "null" || len(item["problems"].([]any)) != 1 || len(item["warnings"].([]any)) < 2 {
		t.Errorf("%s", said)
	}
	if _, _, said := x.do(key, "POST", "/coaches/zf-1/visits",
		`{"day":"2026-04-01","time":"09:30"}`); !strings.Contains(said, `{"day":"2026-04-01","time":"09:30"}`) {
		t.Errorf("%s", said)
	}
}

// A required field that says nothing is missing, and keys have an end: one such coach is
// refused by itself, and the others of its bulk are stored.
func TestNothingSaidIsMissing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		run := func(part, more string) string {
			return `"slides":[{"slide":"s","runs":[{"run":"outer/top","construction":"track","fitted":"2024-05-01","parts":[` + part + `]` + more + `}]}]`
		}
		long := strings.Repeat("x", 9000)
		bad := []string{
			run(`{"part":"bulb","material":null}`, ""), run(`{"part":"","material":"epdm_sponge"}`, ""),
			run(`{"part":null,"material":"tpv"},{"part":null,"material":"tpv"}`, ""),
			strings.Replace(run(`{"part":"bulb","material":"tpv"}`, ""), `"2024-05-01"`, "null", 1),
			strings.Replace(run(`{"part":"bulb","material":"tpv"}`, ""), `"track"`, `" "`, 1),
			run(`{"part":"bulb","material":"tpv","lot":"`+long+`"}`, ""), `"external_id":"` + long + `"`,
			`"services":[{"date":"2025-01-01","kind":null}]`, `"stays":[{"place":"Bend, OR","from":""}]`,
		}
		var items []string
		for i, b := range bad {
			items = append(items, fmt.Sprintf(`{"coach":"bad-%d",%s}`, i, b))
		}
		items = append(items, `{"coach":"good",`+run(`{"part":"bulb","material":"tpv"}`, "")+`}`)
		code, _, said := x.do(x.keys["one"], "POST", "/coaches/bulk", `{"coaches":[`+strings.Join(items, ",")+`]}`)
		if code != 200 || field(t, said, "saved") != 1.0 || field(t, said, "refused") != float64(len(bad)) {
			t.Errorf("%d %s", code, said)
		}
		if code, _, said := x.do(x.keys["one"], "GET", "/coaches/good/forecasts", ""); code != 200 || !strings.Contains(said,
			"likely") && !strings.Contains(said, `"items"`) {
			t.Errorf("%d %s", code, said)
		}
	})
}

// What cannot be read at all is told shortly: where, and what to send; nothing of the
// body comes back but its beginning.
func TestUnreadBodies(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	long := `"` + strings.Repeat("x", 900_000)
	for _, c := range []struct {
		method, path, body string
		status             int
		says               string
	}{
		{"POST", "/coaches/zf-1/visits", `{"day":`, 400, "ends at byte 7"},
		{"PUT", "/coaches/zf-1", `{"coach"`, 400, "ends at byte 8"},
		{"PUT", "/coaches/zf-1/record/people", `{"items":[}`, 400, "not JSON at byte 11"},
		{"POST", "/coaches/zf-1/visits", "\ufeff{}", 400, "byte order mark"},
		{"POST", "/coaches/bulk", "\ufeff{}", 400, "byte order mark"},
		{"POST", "/coaches/zf-1/visits", "", 400, "not_json"},
		{"PUT", "/coaches/zf-1/record/people", `[]`, 422, "the expected form"},
		{"POST", "/coaches/zf-1/readings", long, 400, "not JSON"},
		{"POST", "/coaches/bulk", `{"coaches":[` + long, 400, "not JSON"},
		{"POST", "/coaches/bulk", `[]`, 422, ""},
	} {
		code, _, said := x.do(key, c.method, c.path, c.body)
		if code != c.status || !strings.Contains(said, c.says) || len(said) > 1000 || strings.Contains(said, "Go value") ||
			strings.Contains(said, "api.") || strings.Contains(said, "invalid character") || strings.Contains(said,
			"unexpected end") {
			t.Errorf("%s %s: %d %.300s", c.method, c.path, code, said)
		}
	}
}

// What integrators stumbled over: a filter with a slip in its name, what was sent in and
// could not be read back, agreed days, a stop that the dates did not show, a season that
// could not be taken away.
func TestReadBack(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	for _, c := range []struct {
		method, path, body string
		status             int
		says               string
	}{
		{"GET", "/coaches?externalid=x", "", 422, "external_id"},
		{"GET", "/coaches?external_id=%zz", "", 422, "cannot be read"},
		{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","kind":"bulb_height","slide":"s","value":"15 mm"}`, 422, "edge: is missing"},
		{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","kind":"crack_grade","slide":"s","run":"outer/top","value":"1"}`, 422, "part"},
		{"POST", "/coaches/zf-1/services", `{"day":"1900-03-01","kind":"clean"}`, 422, "not a likely date"},
		{"POST", "/coaches/zf-1/services", `{"day":"2026-03-01","kind":"clean","note":"by \"us\""}`, 200, `"recorded":1`},
		{"GET", "/coaches/zf-1/services", "", 200, `by \"us\"`},
		{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","kind":"light","slide":"s","value":"yes"}`, 200,
			`"recorded":1`},
		{"GET", "/coaches/zf-1/readings", "", 200, `"value":"yes"`},
		// sent twice
		{"POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","kind":"light","slide":"s","value":"yes"}`, 200,
			`"recorded":1`},
		{"GET", "/coaches/zf-1/forecasts", "", 200, `"hold":"stopped: light through the seal on 2026-03-01"`},
		{"GET", "/coaches/zf-1/forecasts", "", 200, `"safety_stop":"stopped: light through the seal on 2026-03-01"`},
		{"GET", "/changes", "", 200, `"task":"safety_stop"`},
		{"POST", "/coaches/zf-1/visits", `{"day":"2026-04-01","time":"09:30"}`, 200, ""},
		{"POST", "/coaches/zf-1/visits", `{"day":"2026-04-01","time":"09:30"}`, 200, ""}, // a retry
		{"POST", "/coaches/zf-1/visits", `{"day":"2026-04-12"}`, 422, "the shop is closed on Sundays"},
		{"POST", "/coaches/zf-1/visits", `{"day":"2026-04-12","plan_only":true}`, 422, "closed_ok"},
		{"POST", "/coaches/zf-1/visits", `{"day":"2026-04-12","plan_only":true,"closed_ok":true}`, 200,
			`"planned":["2026-04-12"]`},
		{"GET", "/bookings", "", 200, `[{"coach":"zf-1","day":"2026-04-01","time":"09:30"}]`},
		{"GET", "/appointments", "", 200, `[{"coach":"zf-1","day":"2026-04-01","time":"09:30"}]`},
		{"GET", "/bookings?until=2026-03-31", "", 200, `"items":[]`},
		{"PUT", "/coaches/zf-1/record/season", `{"items":{"opens":"04-01","closes":"10-31"}}`, 200, "04-01"},
		{"GET", "/coaches/zf-1/record/season", "", 200, "04-01"},
		{"PUT", "/coaches/zf-1/record/season", `{"items":{ }}`, 200, ""},
		{"GET", "/coaches/zf-1/record/season", "", 200, `"items":{}`},
		{"PUT", "/coaches/w-1", `{"slides":[]}`, 200, `"warnings":["`},
		{"POST", "/endpoints", `{"url":"https://crm.example.org/e","kinds":["sealmanac.visit.booked"]}`, 200, `"visit.booked"`},
	} {
		if code, _, said := x.do(key, c.method, c.path, c.body); code != c.status || !strings.Contains(said, c.says) {
			t.Errorf("%s %s %s: %d %s", c.method, c.path, c.body, code, said)
		}
	}
	if _, _, said := x.do(key, "GET", "/changes?limit=1000", ""); strings.Count(said, "reading.recorded") != 1 {
		t.Errorf("one reading, sent twice, is told %d times", strings.Count(said, "reading.recorded"))
	}
}
