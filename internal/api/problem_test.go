package api_test

import (
	"net/http"
	"strings"
	"testing"

	"sealmanac/internal/api"
	"sealmanac/internal/store/storetest"
)

// Every problem fits the document, has a code of the page at its root, and a type that
// leads there. Faults name what was sent, by a JSON pointer; hints and the present state
// are no faults.
func TestProblems(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key, schema := x.keys["one"], schemas(t, x)("/components/schemas/ErrorModel")
	_, _, page := x.do("", "GET", "", "")
	_, _, coachOf := x.do(key, "GET", "/coaches/zf-1", "")
	whole := text(t, field(t, coachOf, "record"))
	seen := map[string]bool{}
	for _, c := range []struct {
		key, method, path, body, head string
		status                        int
		code, hint                    string
		pointers                      string
	}{
		{"", "GET", "/account", "", "", 401, "no_key", "Bearer", ""},
		{"slm_forged", "GET", "/account", "", "", 401, "key_refused", "", ""},
		{x.reads, "POST", "/endpoints", `{}`, "", 403, "not_allowed", "", ""},
		{key, "GET", "/coaches/nobody", "", "", 404, "not_found", "", ""},
		{key, "GET", "/nothing", "", "", 404, "no_operation", "/api/v1", ""},
		{key, "PATCH", "/coaches", "", "", 405, "method_not_allowed", "GET", ""},
		{key, "POST", "/coaches/zf-1/visits", `{"day":`, "", 400, "not_json", "JSON", ""},
		{key, "GET", "/coaches/%00", "", "", 400, "bad_address", "", ""},
		{key, "GET", "/coaches?external_id=%00", "", "", 400, "bad_address", "", ""},
		{key, "GET", "/coaches?external_id=%ff", "", "", 422, "not_text", "UTF-8", ""},
		{key, "GET", "/coaches?externalid=x", "", "", 422, "unknown_parameter", "external_id", ""},
		{key, "GET", "/coaches?after=zz", "", "", 422, "bad_cursor", "next", ""},
		{key, "GET", "/coaches?limit=0", "", "", 422, "invalid", "", ""},
		{key, "PUT", "/coaches/zf-1", whole, "If-Match: \"1\"", 412, "changed", "present state", ""},
		{key, "PUT", "/coaches/zf-1", whole, "If-None-Match: *", 412, "exists", "present state", ""},
		{key, "POST", "/coaches/zf-1/visits", `{"was":"2026-05-01","day":"2026-05-05"}`, "", 412, "changed", "changed", ""},
		{key, "POST", "/coaches/zf-1/visits", `day`, "Content-Type: text/plain", 415, "unsupported_media_type",
			"application/json", ""},
		{key, "POST", "/coaches/zf-1/visits", `{"day":5,"extra":1}`, "", 422, "invalid", "", "#/day #/extra"},
		{key, "POST", "/coaches/zf-1/readings", `{"kind":"nope","day":"1900-01-01","slide":"s","value":"1"}`, "", 422,
			"invalid", "", "#/kind #/day"},
		{key, "POST", "/coaches/zf-1/services", `{"kind":"clean","day":"1900-01-01"}`, "", 422, "invalid", "", "#/day"},
		{key, "PUT", "/coaches/zf-2", `{"class":"zeppelin","stays":[{"place":"Nowhereville"}]}`, "", 422, "invalid", "",
			"#/class #/stays/0/place #/stays/0/from"},
		{key, "PUT", "/coaches/zf-1/record/people", `{"items":[{"name":"A","email":"a@example.org"},{"email":"nobody"}]}`, "",
			422, "invalid", "", "#/items/1/email #/items/1"},
	} {
		head := []string{}
		if name, value, ok := strings.Cut(c.head, ": "); ok {
			head = append(head, name, value)
		}
		code, h, said := x.do(c.key, c.method, c.path, c.body, head...)
		if code != c.status || h.Get("Content-Type") != "application/problem+json" || field(t, said, "code") != c.code ||
			field(t, said, "status") != float64(c.status) {
			t.Errorf("%s %s: %d %s %s", c.method, c.path, code, h.Get("Content-Type"), said)
			continue
		}
		if err := fits(schema, said); err != nil {
			t.Errorf("%s %s: %v\n%s", c.method, c.path, err, said)
		}
		if kind, _ := field(t, said, "type").(string); kind != api.Root+"#problem-"+c.code || !strings.Contains(page,
			`id="problem-`+c.code+`"`) {
			t.Errorf("%s %s: type %q leads nowhere", c.method, c.path, kind)
		}
		if hint, _ := field(t, said, "hint").(string); !strings.Contains(hint, c.hint) {
			t.Errorf("%s %s: hint %q, want %q", c.method, c.path, hint, c.hint)
		}
		var pointers []string
		faults, _ := field(t, said, "errors").([]any)
		for _, f := range faults {
			one, _ := f.(map[string]any)
			where, _ := one["location"].(string)
			if where == "hint" || where == "present" || where == "sent" || strings.Contains(text(t, one["message"]),
				"readings[") || strings.HasPrefix(text(t, one["message"]), `":`) {
				t.Errorf("%s %s: %v is no fault of what was sent", c.method, c.path, one)
			}
			if p, ok := one["pointer"].(string); ok {
				pointers = append(pointers, p)
			}
		}
		if got := strings.Join(pointers, " "); got != c.pointers {
			t.Errorf("%s %s: %s, want %s: %s", c.method, c.path, got, c.pointers, said)
		}
		if c.status == http.StatusPreconditionFailed && field(t, said, "present") == nil {
			t.Errorf("%s %s does not show the present state: %s", c.method, c.path, said)
		}
		seen[c.code] = true
	}
	if len(seen) < 15 {
		t.Errorf("%d kinds of problems were seen", len(seen))
	}
}
