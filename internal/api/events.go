package api

import (
	"context"
	"encoding/json"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/webhook"
)

// EndpointBody is an endpoint as it is told.
type EndpointBody struct {
	Endpoint string   `json:"endpoint"`
	URL      string   `json:"url"`
	Kinds    []string `json:"kinds" doc:"Empty: all."`
	State    string   `json:"state" enum:"live,paused,gone"`
	Trouble  string   `json:"trouble,omitempty"`
	Waiting  int64    `json:"waiting" doc:"Events not yet taken."`
}

// Named is one endpoint.
type Named struct {
	Endpoint string `path:"endpoint" maxLength:"60"`
}

type keyBody struct {
	Body struct {
		EndpointBody
		Key string `json:"key" doc:"What to verify with: a shared secret (whsec_), or a public key (whpk_). Shown here only."`
	}
}

func bodyOfEndpoint(e desk.Endpoint, head int64) EndpointBody {
	return EndpointBody{e.ID, e.URL, append([]string{}, strings.Fields(e.Kinds)...), e.State, webhook.Words(e),
		max(0, head-e.Seq)}
}

// longest is how long a request for changes may wait for one.
const longest = 30

func (a *API) events(api huma.API) {
	type changes struct {
		Body struct {
			Items []json.RawMessage `json:"items" doc:"CloudEvents 1.0, in order."`
			Next  string            `json:"next" doc:"Send it as after next time; also when nothing came."`
		}
	}
	huma.Register(api, op("GET", "/changes", "list-changes", "Everything that happened, in order and without gaps"),
		func(ctx context.Context, in *struct {
			After string `query:"after" doc:"next of the answer before; without it from the beginning; now: only what happens from here on."`
			Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"200"`
			Wait  int    `query:"wait" minimum:"0" maximum:"30" default:"0" doc:"Seconds to wait for a change when there is none."`
		}) (*changes, error) {
			seq, err := a.from(ctx, in.After)
			if err != nil {
				return nil, err
			}
			es, err := a.wait(ctx, seq, in.Limit, min(in.Wait, longest))
			if fault.KindOf(err) == fault.Denied { // the key was ended while its program waited
				p := problem(http.StatusUnauthorized, fault.SentenceOf(err), fault.HintOf(err)).kind("key_refused")
				return nil, huma.ErrorWithHeaders(p, http.Header{"WWW-Authenticate": {badToken}})
			}
			if err != nil {
				return nil, a.fail(err)
			}
			out := &changes{}
			out.Body.Items = []json.RawMessage{}
			for _, e := range es {
				b, err := webhook.Envelope(a.Source, who(ctx).Account, e)
				if err != nil {
					return nil, a.fail(err)
				}
				out.Body.Items = append(out.Body.Items, b)
				seq = e.Seq
			}
			out.Body.Next = cursor(strconv.FormatInt(seq, 10))
			return out, nil
		})
	a.endpoints(api)
}

// from returns the number after which to read the changes.
func (a *API) from(ctx context.Context, after string) (int64, error) {
	if after == "now" {
		_, head, err := a.Desk.Endpoints(ctx, who(ctx).Account)
		return head, a.fail(err)
	}
	f, err := place(after, 1)
	if err != nil {
		return 0, err
	}
	seq, err := strconv.ParseInt("0"+f[0], 10, 64)
	if err != nil {
		return 0, errCursor
	}
	return seq, nil
}

// wait returns the changes after a number, or waits some seconds for the first. The key
// must still work then: one that was ended gets nothing more.
func (a *API) wait(ctx context.Context, seq int64, most, seconds int) ([]desk.Event, error) {
	end := time.Now().Add(time.Duration(seconds) * time.Second)
	for first := true; ; first = false {
		es, err := a.Desk.Changes(ctx, who(ctx).Account, seq, most)
		if err == nil && !first {
			err = a.Access.Still(ctx, who(ctx)) // after the events, so that none is given that came later than the end
		}
		if err != nil {
			return nil, err
		}
		if len(es) > 0 || time.Now().After(end) {
			return es, nil
		}
		select {
		case <-ctx.Done():
			return nil, nil
		case <-a.Ending:
			return nil, nil
		case <-time.After(500 * time.Millisecond):
		}
	}
}

func (a *API) endpoints(api huma.API) {
	huma.Register(api, op("GET", "/endpoints", "list-endpoints", "Where events are sent"),
		func(ctx context.Context, _ *struct{}) (*whole[EndpointBody], error) {
			es, head, err := a.Desk.Endpoints(ctx, who(ctx).Account)
			if err != nil {
				return nil, a.fail(err)
			}
			return allOf(es, func(e desk.Endpoint) EndpointBody { return bodyOfEndpoint(e, head) }), nil
		})
	huma.Register(api, op("POST", "/endpoints", "add-endpoint", "Send events to an address from now on"),
		func(ctx context.Context, in *struct {
			Body struct {
				URL   string   `json:"url" format:"uri" maxLength:"2000"`
				Kinds []string `json:"kinds,omitempty" maxItems:"50" example:"[\"visit.booked\",\"hold.set\"]" doc:"Types of events, with or without sealmanac. before them; none: all."`
				Own   bool     `json:"ed25519,omitempty" doc:"Sign with Ed25519 (v1a) instead of a shared secret (v1)."`
			}
		}) (*keyBody, error) {
			for i, k := range in.Body.Kinds {
				k = strings.TrimPrefix(k, webhook.Prefix)
				if !slices.ContainsFunc(webhook.Kinds, func(x webhook.Kind) bool { return x.Kind == k }) {
					return nil, problem(http.StatusUnprocessableEntity, strconv.Quote(k)+" is no kind of event",
						"Those there are stand in events.schema.json, such as visit.booked.")
				}
				in.Body.Kinds[i] = k
			}
			w := who(ctx)
			key := webhook.NewKey(in.Body.Own)
			e, err := a.Desk.AddEndpoint(ctx, w.Account, w.Email, in.Body.URL, in.Body.Kinds, key, webhook.Name())
			return keyed(e, key), a.fail(err)
		})
	huma.Register(api, op("DELETE", "/endpoints/{endpoint}", "drop-endpoint", "Send nothing there any more"),
		func(ctx context.Context, in *Named) (*struct{}, error) {
			w := who(ctx)
			return nil, a.fail(a.Desk.DropEndpoint(ctx, w.Account, w.Email, in.Endpoint))
		})
	huma.Register(api, op("POST", "/endpoints/{endpoint}/key", "turn-key",
		"A new key; the one before it signs too until the next turn"), func(ctx context.Context, in *struct {
		Named
		Body struct {
			Own bool `json:"ed25519,omitempty"`
		}
	}) (*keyBody, error) {
		w := who(ctx)
		key := webhook.NewKey(in.Body.Own)
		e, err := a.Desk.RotateKey(ctx, w.Account, w.Email, in.Endpoint, key)
		return keyed(e, key), a.fail(err)
	})
	huma.Register(api, op("POST", "/endpoints/{endpoint}/test", "test-endpoint", "Send a test event there"),
		func(ctx context.Context, in *Named) (*struct{}, error) {
			w := who(ctx)
			return nil, a.fail(a.Desk.TestEndpoint(ctx, w.Account, w.Email, in.Endpoint))
		})
	huma.Register(api, op("POST", "/endpoints/{endpoint}/replay", "replay",
		"Send everything again from an event or an instant on, and set it to live"), func(ctx context.Context, in *struct {
		Named
		Body struct {
			Event string    `json:"event,omitempty" doc:"Id of the first event."`
			Since time.Time `json:"since,omitempty"`
		}
	}) (*struct{ Body EndpointBody }, error) {
		if in.Body.Event == "" && in.Body.Since.IsZero() {
			return nil, problem(http.StatusUnprocessableEntity, "neither event nor since is given", "Give one.")
		}
		w := who(ctx)
		e, err := a.Desk.Replay(ctx, w.Account, w.Email, in.Endpoint, in.Body.Event, in.Body.Since.UnixMicro())
		if err != nil {
			return nil, a.fail(err)
		}
		_, head, err := a.Desk.Endpoints(ctx, w.Account)
		return &struct{ Body EndpointBody }{bodyOfEndpoint(e, head)}, a.fail(err)
	})
}

func keyed(e desk.Endpoint, key string) *keyBody {
	out := &keyBody{}
	out.Body.EndpointBody, out.Body.Key = bodyOfEndpoint(e, e.Seq), webhook.Public(key)
	return out
}

// describe serves what needs no key: the OpenAPI document, the schema of events and a
// page to read.
func (a *API) describe(w http.ResponseWriter, r *http.Request, mux http.Handler) {
	switch strings.TrimSuffix(r.URL.Path, "/") {
	case Root + "/events.schema.json":
		w.Header().Set("Content-Type", "application/schema+json")
		_ = json.NewEncoder(w).Encode(Schema()) // the caller may have gone
	case Root:
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_ = readable.Execute(w, struct { // the reader may have gone
			Operations []operation
			Problems   []problemKind
		}{a.operations(), problemKinds})
	default:
		mux.ServeHTTP(w, r)
	}
}

// Schema is the JSON Schema (2020-12) of an event's envelope.
func Schema() map[string]any {
	var kinds []string
	var each []any
	for _, k := range webhook.Kinds {
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

type operation struct{ Method, Path, Summary string }

// operations lists what there is, for the page to read.
func (a *API) operations() (out []operation) {
	for _, o := range Operations(a) {
		out = append(out, operation{o.Method, o.Path, o.Summary})
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
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>Sealmanac for programs</title><link rel="stylesheet" href="/static/sealmanac.css"></head>
<body class="member"><main id="main"><h1>Sealmanac for programs</h1>
<p>Send <code>Authorization: Bearer KEY</code>; a manager makes keys on the page of people and keys. The whole description is <a href="/api/v1/openapi.json">openapi.json</a> (OpenAPI 3.1); events are described by <a href="/api/v1/events.schema.json">events.schema.json</a>.</p>
<p>Lists are read page by page: send <code>next</code> as <code>after</code>. Posts may carry an <code>Idempotency-Key</code>; sent again within a day they change nothing more. A coach has an <code>ETag</code>; send it as <code>If-Match</code> and a change in between is answered 412 with the present state.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Operations"><table><thead><tr><th scope="col">Operation</th><th scope="col">Address</th><th scope="col">What it does</th></tr></thead><tbody>{{range .Operations}}<tr><td>{{.Method}}</td><th scope="row"><code>{{.Path}}</code></th><td>{{.Summary}}</td></tr>{{end}}</tbody></table></div>
<h2 id="problems">Problems</h2>
<p>A request that is refused is answered with <code>application/problem+json</code> (RFC 9457). Tell problems apart by <code>code</code>; <code>type</code> leads to its line here. <code>errors</code> lists every fault of what was sent, with a JSON pointer into the body. <code>hint</code> says what to do. Where something changed meanwhile, <code>present</code> is its state now and <code>sent</code> is what the request asked for.</p>
<div class="scroll" tabindex="0" role="region" aria-label="Problems"><table><thead><tr><th scope="col">Code</th><th scope="col">Status</th><th scope="col">What it says</th></tr></thead><tbody>{{range .Problems}}<tr id="problem-{{.Code}}"><th scope="row"><code>{{.Code}}</code></th><td>{{.Status}}</td><td>{{.Tells}}</td></tr>{{end}}</tbody></table></div></main></body></html>`))
