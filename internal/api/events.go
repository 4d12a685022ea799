package api

import (
	"context"
	"encoding/json"
	"net/http"
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
	Kinds    []string `json:"kinds" doc:"The kinds of events that are sent. Empty: all."`
	Names    int64    `json:"names" minimum:"1" maximum:"2" doc:"By which names events are sent: 1, the older ones, or 2, the present ones. An endpoint from before there was a choice has 1."`
	State    string   `json:"state" enum:"live,paused,gone"`
	Trouble  string   `json:"trouble,omitempty" doc:"What went wrong with the last attempt."`
	Waiting  int64    `json:"waiting" doc:"How many events the receiver has not accepted yet."`
}

// Named is one endpoint.
type Named struct {
	Endpoint string `path:"endpoint" maxLength:"60"`
}

type keyBody struct {
	Body struct {
		EndpointBody
		Key string `json:"key" doc:"The key with which to verify signatures: a shared secret (whsec_), or a public key (whpk_). It is shown only here."`
	}
}

func bodyOfEndpoint(e desk.Endpoint, head int64) EndpointBody {
	return EndpointBody{e.ID, e.URL, append([]string{}, strings.Fields(e.Kinds)...), max(1, e.Names), e.State,
		webhook.Words(e), max(0, head-e.Seq)}
}

// longest is how long a request for changes may wait for one.
const longest = 30

func (a *API) events(api huma.API) {
	type changes struct {
		Body struct {
			Items []json.RawMessage `json:"items" doc:"CloudEvents 1.0, in order."`
			Next  string            `json:"next" doc:"Send it as after next time, even when items is empty."`
		}
	}
	huma.Register(api, op("GET", "/changes", "list-changes", "List everything that happened, in order and without gaps"),
		func(ctx context.Context, in *struct {
			After string `query:"after" doc:"next of the answer before. Without it: from the beginning. now: only what happens from now on."`
			Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"200"`
			Wait  int    `query:"wait" minimum:"0" maximum:"30" default:"0" doc:"How many seconds to wait for a change when there is none."`
			Names int64  `query:"names" minimum:"1" maximum:"2" default:"1" doc:"By which names events are listed: 1, the older ones, or 2, the present ones."`
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
				b, err := webhook.Envelope(a.Source, who(ctx).Account, e, in.Names)
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
	huma.Register(api, op("GET", "/endpoints", "list-endpoints", "List the addresses to which events are sent"),
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
				Kinds []string `json:"kinds,omitempty" maxItems:"50" example:"[\"visit.agreed\",\"safety_stop.set\"]" doc:"Kinds of events, by their present or older names, with or without sealmanac. in front. Without it: all."`
				Names int64    `json:"names,omitempty" minimum:"1" maximum:"2" default:"2" doc:"By which names events are sent: 1, the older ones, or 2, the present ones."`
				Own   bool     `json:"ed25519,omitempty" doc:"Sign with Ed25519 (v1a) instead of a shared secret (v1)."`
			}
		}) (*keyBody, error) {
			kinds, err := kindsOf(in.Body.Kinds)
			if err != nil {
				return nil, err
			}
			w := who(ctx)
			key := webhook.NewKey(in.Body.Own)
			e, err := a.Desk.AddEndpoint(ctx, w.Account, w.Email, in.Body.URL, kinds, key, webhook.Name(),
				in.Body.Names)
			return keyed(e, key), a.fail(err)
		})
	huma.Register(api, op("PATCH", "/endpoints/{endpoint}", "edit-endpoint",
		"Change which events are sent, and by which names"),
		func(ctx context.Context, in *struct {
			Named
			Body struct {
				Kinds *[]string `json:"kinds,omitempty" maxItems:"50" doc:"As for a new endpoint. Without it: as before."`
				Names int64     `json:"names,omitempty" minimum:"1" maximum:"2" doc:"As for a new endpoint. Without it: as before."`
			}
		}) (*struct{ Body EndpointBody }, error) {
			var kinds []string
			if in.Body.Kinds != nil {
				var err error
				if kinds, err = kindsOf(*in.Body.Kinds); err != nil {
					return nil, err
				}
			}
			w := who(ctx)
			e, err := a.Desk.EditEndpoint(ctx, w.Account, w.Email, in.Endpoint, kinds, in.Body.Names)
			if err != nil {
				return nil, a.fail(err)
			}
			_, head, err := a.Desk.Endpoints(ctx, w.Account)
			return &struct{ Body EndpointBody }{bodyOfEndpoint(e, head)}, a.fail(err)
		})
	huma.Register(api, op("DELETE", "/endpoints/{endpoint}", "drop-endpoint", "Stop sending events to an address"),
		func(ctx context.Context, in *Named) (*struct{}, error) {
			w := who(ctx)
			return nil, a.fail(a.Desk.DropEndpoint(ctx, w.Account, w.Email, in.Endpoint))
		})
	a.deliveries(api)
}

// deliveries are the operations by which a receiver is tested and catches up.
func (a *API) deliveries(api huma.API) {
	turn := op("POST", "/endpoints/{endpoint}/key", "turn-key",
		"Create a new key; the key before it also signs until you create the next one")
	huma.Register(api, turn, func(ctx context.Context, in *struct {
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
	huma.Register(api, op("POST", "/endpoints/{endpoint}/test", "test-endpoint", "Send a test event"),
		func(ctx context.Context, in *Named) (*struct{}, error) {
			w := who(ctx)
			return nil, a.fail(a.Desk.TestEndpoint(ctx, w.Account, w.Email, in.Endpoint))
		})
	replay := op("POST", "/endpoints/{endpoint}/replay", "replay",
		"Send everything again from an event or a time on, and set the endpoint to live")
	huma.Register(api, replay, func(ctx context.Context, in *struct {
		Named
		Body struct {
			Event string    `json:"event,omitempty" doc:"Id of the first event to send again."`
			Since time.Time `json:"since,omitempty"`
		}
	}) (*struct{ Body EndpointBody }, error) {
		if in.Body.Event == "" && in.Body.Since.IsZero() {
			return nil, problem(http.StatusUnprocessableEntity, "neither event nor since is given", "Give one of them.")
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

// kindsOf checks kinds of events. The list is never nil.
func kindsOf(names []string) ([]string, error) {
	out := []string{}
	for _, k := range names {
		k = strings.TrimPrefix(k, webhook.Prefix)
		if !webhook.Known(k) {
			return nil, problem(http.StatusUnprocessableEntity, strconv.Quote(k)+" is not a kind of event",
				"See the page at "+Root+" for all kinds, such as visit.agreed.")
		}
		out = append(out, k)
	}
	return out, nil
}

func keyed(e desk.Endpoint, key string) *keyBody {
	out := &keyBody{}
	out.Body.EndpointBody, out.Body.Key = bodyOfEndpoint(e, e.Seq), webhook.Public(key)
	return out
}
