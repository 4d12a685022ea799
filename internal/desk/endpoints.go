package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/store"
)

// Event is something that happened; Endpoint is where events are sent.
type (
	Event    = store.Event
	Endpoint = store.Endpoint
)

// mostEndpoints bounds an account's endpoints.
const mostEndpoints = 50

// AddEndpoint keeps an address to which events from now on are sent. key is the secret
// that signs them, and names says which names they have there.
func (d *Desk) AddEndpoint(
	ctx context.Context, id coach.AccountID, by, address string, kinds []string, key, name string, names int64,
) (e Endpoint, err error) {
	if err := d.address(address); err != nil {
		return e, err
	}
	keys, err := json.Marshal([]string{key})
	if err != nil {
		return e, err
	}
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		es, err := tx.Endpoints(ctx, id)
		if err != nil {
			return err
		}
		if len(es) >= mostEndpoints {
			return fault.New(fault.Conflict, fmt.Sprintf("there are %d endpoints already", len(es)), "Remove one first.")
		}
		head, err := tx.EventHead(ctx, id)
		if err != nil {
			return err
		}
		e = Endpoint{Account: string(id), ID: name, URL: address, Kinds: strings.Join(kinds, " "), Keys: string(keys),
			State: "live", Seq: head, MadeBy: by, Names: names}
		if err := tx.AddEndpoint(ctx, e); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "added endpoint", address, e.Kinds)
	})
	return e, err
}

// address checks an endpoint's address. Where it leads is checked again each time it is
// connected to.
func (d *Desk) address(s string) error {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.User != nil || u.Fragment != "":
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not an address", s), "Give https://host/path.")
	case inside(u.Hostname()) && !slices.Contains(d.HooksAllow, u.Hostname()):
		return fault.New(fault.Invalid, fmt.Sprintf("%s lies inside the network", u.Hostname()),
			"Give an address that is reached from outside, or ask the operator to allow the host as hooks.allow.")
	case u.Scheme != "https" && (u.Scheme != "http" || !slices.Contains(d.HooksAllow, u.Hostname())):
		return fault.New(fault.Invalid, "events are sent over https only",
			"Give https://..., or ask the operator to allow the host as hooks.allow.")
	}
	return nil
}

// inside reports whether a host is one of the operator's own by its looks. What a name
// leads to is looked at when it is connected to: it may change.
func inside(host string) bool {
	if a, err := netip.ParseAddr(host); err == nil {
		return !httpkit.Outside(a)
	}
	return host == "localhost" || strings.HasSuffix(host, ".localhost") || strings.HasSuffix(host, ".local") ||
		strings.HasSuffix(host, ".internal") || !strings.Contains(host, ".")
}

// Endpoints returns an account's endpoints and the number of its newest event.
func (d *Desk) Endpoints(ctx context.Context, id coach.AccountID) (es []Endpoint, head int64, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if es, err = tx.Endpoints(ctx, id); err != nil {
			return err
		}
		head, err = tx.EventHead(ctx, id)
		return err
	})
	return es, head, err
}

// ChangeEndpoint changes an endpoint by f, which sees it as it stands.
func (d *Desk) ChangeEndpoint(
	ctx context.Context, id coach.AccountID, by, name, what string, f func(tx *store.Tx, e *Endpoint) error,
) (e Endpoint, err error) {
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		if e, err = tx.EndpointByID(ctx, id, name); err != nil {
			return noEndpoint(err, name)
		}
		if err := f(tx, &e); err != nil {
			return err
		}
		if err := d.address(e.URL); err != nil {
			return err
		}
		if err := tx.ChangeEndpoint(ctx, e); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, what, name, e.URL)
	})
	return e, err
}

// noEndpoint says in a person's words that an endpoint was not found.
func noEndpoint(err error, name string) error {
	if fault.KindOf(err) == fault.NotFound {
		return fault.New(fault.NotFound, fmt.Sprintf("there is no endpoint %q here", name), "List the endpoints.")
	}
	return err
}

// RotateKey puts a new key in front and keeps the one before it: both sign until the
// next turn.
func (d *Desk) RotateKey(ctx context.Context, id coach.AccountID, by, name, key string) (Endpoint, error) {
	return d.ChangeEndpoint(ctx, id, by, name, "turned key of endpoint", func(_ *store.Tx, e *Endpoint) error {
		var keys []string
		if err := json.Unmarshal([]byte(e.Keys), &keys); err != nil {
			return err
		}
		keys = append([]string{key}, keys[:min(1, len(keys))]...)
		b, err := json.Marshal(keys)
		e.Keys = string(b)
		return err
	})
}

// EditEndpoint changes which events an endpoint gets, and by which names. kinds nil, or
// names 0, leaves them as they are.
func (d *Desk) EditEndpoint(
	ctx context.Context, id coach.AccountID, by, name string, kinds []string, names int64,
) (Endpoint, error) {
	return d.ChangeEndpoint(ctx, id, by, name, "changed endpoint", func(_ *store.Tx, e *Endpoint) error {
		if kinds != nil {
			e.Kinds = strings.Join(kinds, " ")
		}
		if names != 0 {
			e.Names = names
		}
		return nil
	})
}

// Revive sets an endpoint to live where it stopped: what happened since is sent.
func (d *Desk) Revive(ctx context.Context, id coach.AccountID, by, name string) (Endpoint, error) {
	return d.ChangeEndpoint(ctx, id, by, name, "revived endpoint", func(_ *store.Tx, e *Endpoint) error {
		e.State, e.Tries, e.NextAt, e.Trouble = "live", 0, 0, ""
		return nil
	})
}

// Replay sends an endpoint everything again from an event, or from an instant in
// microseconds, on; receivers tell repeats by the event's id.
func (d *Desk) Replay(ctx context.Context, id coach.AccountID, by, name, event string, since int64) (Endpoint, error) {
	return d.ChangeEndpoint(ctx, id, by, name, "replayed events to endpoint", func(tx *store.Tx, e *Endpoint) error {
		e.State, e.Tries, e.NextAt, e.Trouble = "live", 0, 0, ""
		if event == "" {
			seq, err := tx.EventBefore(ctx, id, since)
			e.Seq = min(seq, e.Seq)
			return err
		}
		ev, err := tx.EventByID(ctx, id, event)
		if fault.KindOf(err) == fault.NotFound {
			return fault.New(fault.NotFound, fmt.Sprintf("there is no event %q here", event),
				"Take an id from the feed of changes.")
		}
		e.Seq = min(ev.Seq-1, e.Seq)
		return err
	})
}

// TestEndpoint makes an event for one endpoint alone.
func (d *Desk) TestEndpoint(ctx context.Context, id coach.AccountID, by, name string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		e, err := tx.EndpointByID(ctx, id, name)
		if err != nil {
			return noEndpoint(err, name)
		}
		if e.State == "gone" {
			return fault.New(fault.Conflict, "nothing is sent there since its receiver answered that it is gone (410)",
				"Set it to live first.")
		}
		return tx.AddEvents(ctx, id, store.Happened{Kind: "test", Data: map[string]any{"endpoint": name, "by": by}})
	})
}

// DropEndpoint removes an endpoint.
func (d *Desk) DropEndpoint(ctx context.Context, id coach.AccountID, by, name string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.EndpointByID(ctx, id, name); err != nil {
			return noEndpoint(err, name)
		}
		if _, err := tx.DropEndpoint(ctx, id, name); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "removed endpoint", name, "")
	})
}

// EndpointPaused tells the account's managers that an endpoint takes nothing; it is
// webhook.Sender's Tell.
func (d *Desk) EndpointPaused(ctx context.Context, tx *store.Tx, e Endpoint) error {
	a, err := tx.Account(ctx, coach.AccountID(e.Account), false)
	if err != nil {
		return err
	}
	ms, err := tx.Members(ctx, a.ID)
	if err != nil {
		return err
	}
	for _, m := range ms {
		if m.Role != "manager" {
			continue
		}
		text := fmt.Sprintf("Events are not sent to %s any more.\n\nIts last words: %s\n\nNothing is lost: what happened "+
			"since waits. When the receiver works again, set the endpoint to live, or let it catch up from a time of your "+
			"choice.\n", e.URL, e.Trouble)
		if err := d.Post(ctx, tx, a, m.Email, m.Name, "Events are not taken by "+host(e.URL), text); err != nil {
			return err
		}
	}
	return nil
}

func host(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return address
	}
	return u.Hostname()
}

// Changes returns an account's events after a number, in order and without gaps.
func (d *Desk) Changes(ctx context.Context, id coach.AccountID, after int64, most int) (es []Event, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		es, err = tx.Events(ctx, id, after, most)
		return err
	})
	return es, err
}
