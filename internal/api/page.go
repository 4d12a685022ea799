package api

import (
	"encoding/json"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/coach"
	"sealmanac/internal/intake"
	"sealmanac/internal/webhook"
)

// describe serves what needs no key: the OpenAPI document, the schema of events and a
// page to read.
func (a *API) describe(w http.ResponseWriter, r *http.Request, mux http.Handler) {
	switch strings.TrimSuffix(r.URL.Path, "/") {
	case Root + "/events.schema.json":
		w.Header().Set("Content-Type", "application/schema+json")
		names := int64(1)
		if r.URL.Query().Get("names") == "2" {
			names = 2
		}
		_ = json.NewEncoder(w).Encode(Schema(names)) // the caller may have gone
	case Root:
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_ = readable.Execute(w, struct { // the reader may have gone
			Operations []operation
			Problems   []problemKind
			Events     []webhook.Kind
			Renames    []rename
		}{a.operations(), problemKinds, webhook.Kinds(webhook.Names), renames()})
	default:
		mux.ServeHTTP(w, r)
	}
}

// Schema is the JSON Schema (2020-12) of events by their names, 1 or 2.
func Schema(names int64) map[string]any {
	var kinds []string
	var each []any
	for _, k := range webhook.Kinds(names) {
		kinds = append(kinds, webhook.Prefix+k.Kind)
		data := map[string]any{}
		for _, name := range strings.Fields(k.Data) {
			data[name] = true
		}
		each = append(each, map[string]any{
			"if": map[string]any{"properties": map[string]any{"type": map[string]any{"const": webhook.Prefix + k.Kind}}},
			"then": map[string]any{"description": k.Tells,
				"properties": map[string]any{"data": map[string]any{"properties": data, "additionalProperties": false}}},
		})
	}
	text := map[string]any{"type": "string"}
	return map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "An event of Sealmanac (CloudEvents 1.0)",
		"type": "object",
		"required": []string{"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "sequence",
			"data"},
		"properties": map[string]any{"specversion": map[string]any{"const": "1.0"}, "id": text, "source": text,
			"type": map[string]any{"enum": kinds}, "subject": text,
			"time":            map[string]any{"type": "string", "format": "date-time"},
			"datacontenttype": map[string]any{"const": "application/json"},
			"sequence":        map[string]any{"type": "string", "pattern": "^[0-9]{16}$"},
			"data":            map[string]any{"type": "object"}},
		"allOf": each,
	}
}

type operation struct {
	Method, Path, Summary string
	Deprecated            bool
}

// rename is a name that changed, for the page.
type rename struct{ What, Now, Was string }

// renames lists the names of records and events that changed.
func renames() (out []rename) {
	for _, r := range intake.OldFields() {
		out = append(out, rename{"field of a record", r[0], r[1]})
	}
	for _, r := range coach.OldWords() {
		out = append(out, rename{"word", r[0], r[1]})
	}
	for _, r := range webhook.Renames {
		out = append(out, rename{"event", r.Now, r.Was})
	}
	for _, r := range webhook.DataRenames {
		out = append(out, rename{"data of an event", r[1], r[0]})
	}
	return out
}

// operations lists what there is, for the page to read.
func (a *API) operations() (out []operation) {
	for _, o := range Operations(a) {
		out = append(out, operation{o.Method, o.Path, o.Summary, o.Deprecated})
	}
	return out
}

// Operations returns every operation of the API, for the page and for tests that must
// not forget one.
func Operations(a *API) []*huma.Operation { return operationsOf(a.Document()) }

func operationsOf(doc *huma.OpenAPI) (out []*huma.Operation) {
	for _, p := range doc.Paths {
		for _, o := range []*huma.Operation{p.Get, p.Put, p.Post, p.Delete, p.Patch} {
			if o != nil {
				out = append(out, o)
			}
		}
	}
	slices.SortFunc(out, func(x, y *huma.Operation) int { return strings.Compare(x.Path+x.Method, y.Path+y.Method) })
	return out
}

var readable = template.Must(template.New("").Parse(`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>The Sealmanac API</title><link rel="stylesheet" href="/static/sealmanac.css"></head>
<body class="member"><main id="main"><h1>The Sealmanac API</h1>
<p>Send <code>Authorization: Bearer KEY</code> with each request. A manager creates keys on the page People and keys.
The full description is <a href="/api/v1/openapi.json">openapi.json</a> (OpenAPI 3.1).</p>
<p>Read lists page by page: send <code>next</code> as <code>after</code>. A POST may have an
<code>Idempotency-Key</code>: if you send the request again within a day, nothing is done twice. A coach has an
<code>ETag</code>: send it as <code>If-Match</code>, and if somebody changed the coach meanwhile, the answer is 412 with
its present state.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Operations"><table><thead><tr><th scope="col">Operation</th>
<th scope="col">Address</th><th scope="col">What it does</th></tr></thead><tbody>{{range .Operations}}
<tr><td>{{.Method}}</td><th scope="row"><code>{{.Path}}</code></th>
<td>{{if .Deprecated}}Deprecated. {{end}}{{.Summary}}</td></tr>{{end}}</tbody></table></div>
<h2 id="events">Events</h2>
<p>Events are sent to endpoints as CloudEvents 1.0, signed as Standard Webhooks describes; <code>/changes</code> lists the
same events. Their type begins with <code>sealmanac.</code>. The schemas are
<a href="/api/v1/events.schema.json?names=2">events.schema.json?names=2</a> for the names below, and
<a href="/api/v1/events.schema.json">events.schema.json</a> for the older names. An endpoint has <code>names</code> 1 or 2:
a new endpoint has 2, unless it asks for 1.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Events"><table><thead><tr><th scope="col">Event</th>
<th scope="col">What it says</th><th scope="col">Data</th></tr></thead><tbody>{{range .Events}}
<tr><th scope="row"><code>{{.Kind}}</code></th><td>{{.Tells}}</td><td><code>{{.Data}}</code></td></tr>{{end}}</tbody>
</table></div>
<h2 id="problems">Problems</h2>
<p>A request that we refuse is answered with <code>application/problem+json</code> (RFC 9457). Your program can tell
problems apart by <code>code</code>; <code>type</code> is the address of its line in this table. <code>errors</code> lists
everything that is wrong with the request, with a JSON pointer into the body. <code>hint</code> says what to do. If
somebody changed something meanwhile, <code>present</code> is its state now, and <code>sent</code> is what the request
asked for.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Problems"><table><thead><tr><th scope="col">Code</th>
<th scope="col">Status</th><th scope="col">What it says</th></tr></thead><tbody>{{range .Problems}}
<tr id="problem-{{.Code}}"><th scope="row"><code>{{.Code}}</code></th><td>{{.Status}}</td><td>{{.Tells}}</td></tr>{{end}}
</tbody></table></div>
<h2 id="names">Names that changed</h2>
<p>Requests and files may use the older names as long as <code>/api/v1</code> is served. Records in answers have the
present ones. Where another answer has both, the older one is marked <code>deprecated</code> in openapi.json, as are older
addresses. Keys of tasks are not names: send them back as they are.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Names that changed"><table><thead><tr>
<th scope="col">What</th><th scope="col">Name</th><th scope="col">Older name</th></tr></thead><tbody>{{range .Renames}}
<tr><td>{{.What}}</td><th scope="row"><code>{{.Now}}</code></th><td><code>{{.Was}}</code></td></tr>{{end}}</tbody>
</table></div></main></body></html>`))
