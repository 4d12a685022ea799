package api_test

import (
	"net/http"
	"strings"
	"testing"

	"sealmanac/internal/api"
	"sealmanac/internal/store/storetest"
)

// Who has an answer already asks with its ETag and gets 304 and no body, until something
// changes. Failures have no ETag.
func TestNotModified(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	tags := map[string]string{}
	var addresses []string
	for _, o := range api.Operations(x.api) {
		if o.Method == http.MethodGet && o.OperationID != "list-changes" {
			addresses = append(addresses, addressOf(o))
		}
	}
	addresses = append(addresses, "", "/openapi.json", "/openapi.yaml", "/events.schema.json")
	for _, a := range addresses {
		code, head, said := x.do(key, "GET", a, "")
		tag := head.Get("ETag")
		if code != 200 || tag == "" || said == "" {
			t.Errorf("%s: %d, ETag %q", a, code, tag)
			continue
		}
		for _, asked := range []string{tag, "W/" + tag, `"other", ` + tag, "*"} {
			code, head, said := x.do(key, "GET", a, "", "If-None-Match", asked)
			if code != http.StatusNotModified || said != "" || head.Get("ETag") != tag {
				t.Errorf("%s with %s: %d %s %.100s", a, asked, code, head.Get("ETag"), said)
			}
		}
		if code, head, said := x.do(key, "GET", a, "", "If-None-Match", `"other"`); code != 200 || said == "" ||
			!strings.Contains(head.Get("Content-Type"), "/") {
			t.Errorf("%s with another ETag: %d", a, code)
		}
		tags[a] = tag
	}
	if code, head, _ := x.do(key, "GET", "/coaches/nobody", "", "If-None-Match", "*"); code != 404 ||
		head.Get("ETag") != "" {
		t.Errorf("a failure: %d %q", code, head.Get("ETag"))
	}
	if code, _, _ := x.do("", "GET", "/coaches/zf-1", "", "If-None-Match", tags["/coaches/zf-1"]); code != 401 {
		t.Errorf("without a key: %d", code)
	}
	// A change is told at once, and by If-Match in the same words.
	code, head, said := x.do(key, "PUT", "/coaches/zf-1/record/events", `{"items":[{"date":"2026-02-01","kind":"hail"}]}`,
		"If-Match", tags["/coaches/zf-1"])
	if code != 200 {
		t.Fatalf("%d %s", code, said)
	}
	for _, a := range []string{"/coaches/zf-1", "/coaches", "/coaches/zf-1/record/people", "/tasks"} {
		if code, _, _ := x.do(key, "GET", a, "", "If-None-Match", tags[a]); code != 200 {
			t.Errorf("%s after the change: %d", a, code)
		}
	}
	if code, _, _ := x.do(key, "GET", "/coaches/zf-1", "", "If-None-Match",
		head.Get("ETag")); code != http.StatusNotModified {
		t.Errorf("the ETag of the change: %d", code)
	}
}
