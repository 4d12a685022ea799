// Package webhook sends an account's events to the addresses that its programs gave:
// signed as Standard Webhooks asks, each body a CloudEvents 1.0 envelope, in order.
//
// An endpoint is a cursor into the events. What lies behind it was taken by the
// receiver; an event that fails is tried again on the specification's schedule, and
// those after it wait, so that order holds for every coach. Other endpoints are not
// delayed. It imports store, httpkit's guarded client through its caller, coach and
// fault. Package daemon runs it.
package webhook

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// Prefix stands before the kind in the type of an event.
const Prefix = "sealmanac."

// Kind is a kind of event: what it tells, and the names of its data. Days are
// YYYY-MM-DD, lengths millimetres, runs as in tasks ("galley/outer/top"), unless they
// stand beside a slide ("outer/top").
type Kind struct{ Kind, Tells, Data string }

// Kinds are the events there are; the API publishes them.
var Kinds = []Kind{
	{"notice.made", "a notice is due and waits for its hours", "notice person task run target not_before subject why"},
	{"notice.sent", "a mail server took it", "notice person task words"},
	{"notice.failed", "it was given up", "notice person task words"},
	{"notice.bounced", "it came back", "notice person words address_dead"},
	{"notice.opted_out", "the person wants no more", "person complaint"},
	{"notice.opted_in", "the person wants reminders again", "answer person task run notice"},
	{"task.done", "somebody says that it is done", "task run slide day by answer person notice"},
	{"task.declined", "not now", "task run until by answer person notice"},
	{"visit.asked", "somebody wants an appointment", "answer person task run notice"},
	{"reading.recorded", "a measurement", "kind value day slide run part by"},
	{"entry.taken_back", "a record was removed", "entry"}, {"forecast.moved", "a likely date moved by a month or more",
		"run part was early likely late because life_used"},
	{"visit.proposed", "the plan has a day for a coach, or another one than it had (was); nothing is agreed by that",
		"day was from until tasks hours book_by at agreed"}, {"visit.booked", "a day is agreed", "day time"},
	{"visit.moved", "the agreed day is another one", "day time was"},
	{"visit.cancelled", "the agreed day is off", "day"},
	{"part.needed", "a profile has to be ordered", "profile month mm order_by"},
	{"hold.set", "a room must not be moved: what holds it, where, and why", "task run why"},
	{"hold.cleared", "it may be moved again", "task run"},
	{"coach.saved", "its record was changed", "by"}, {"coach.transferred", "it was sold", "answer person task run notice"},
	{"coach.transfer_undone", "its owner says that it was not sold after all", "answer person task run notice"},
	{"coach.moved", "it stands elsewhere", "answer person task run notice"},
	{"lot.notice", "somebody is told about a lot", "campaign lot person notice"},
	{"test", "somebody pressed the test button", "endpoint by"},
}

// Envelope returns an event as CloudEvents 1.0 JSON. The extension "sequence" is the
// event's number in its account, for receivers that put events in order themselves.
func Envelope(source string, id coach.AccountID, e store.Event) ([]byte, error) {
	subject := "account"
	if e.Coach != "" {
		subject = "coach/" + e.Coach
	}
	return json.Marshal(struct {
		SpecVersion string          `json:"specversion"`
		ID          string          `json:"id"`
		Source      string          `json:"source"`
		Type        string          `json:"type"`
		Subject     string          `json:"subject"`
		Time        string          `json:"time"`
		ContentType string          `json:"datacontenttype"`
		Sequence    string          `json:"sequence"`
		Data        json.RawMessage `json:"data"`
	}{"1.0", e.ID, source + "/accounts/" + string(id), Prefix + e.Kind, subject,
		time.UnixMicro(e.MadeAt).UTC().Format(time.RFC3339Nano), "application/json", fmt.Sprintf("%016d", e.Seq),
		json.RawMessage(e.Data)})
}

// The prefixes of keys, as Standard Webhooks writes them.
const (
	sharedPrefix = "whsec_"
	signPrefix   = "whsk_"
	publicPrefix = "whpk_"
)

// NewKey makes a secret: a shared one (HMAC, signatures "v1"), or with own a private
// one (Ed25519, signatures "v1a").
func NewKey(own bool) string {
	if !own {
		b := make([]byte, 32)
		_, _ = rand.Read(b) // never fails
		return sharedPrefix + base64.StdEncoding.EncodeToString(b)
	}
	_, key, _ := ed25519.GenerateKey(rand.Reader) // never fails
	return signPrefix + base64.StdEncoding.EncodeToString(key.Seed())
}

// Name makes the name of a new endpoint.
func Name() string {
	b := make([]byte, 8)
	_, _ = rand.Read(b) // never fails
	return "ep_" + hex.EncodeToString(b)
}

// Public returns what a receiver verifies with: the shared key itself, or the public
// half of a private one.
func Public(key string) string {
	if seed, ok := seedOf(key); ok {
		pub, _ := ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)
		return publicPrefix + base64.StdEncoding.EncodeToString(pub)
	}
	return key
}

func seedOf(key string) ([]byte, bool) {
	rest, ok := strings.CutPrefix(key, signPrefix)
	if !ok {
		return nil, false
	}
	seed, err := base64.StdEncoding.DecodeString(rest)
	return seed, err == nil && len(seed) == ed25519.SeedSize
}

// Sign returns the value of webhook-signature: one signature a key over
// "id.timestamp.body", parted by blanks.
func Sign(keys []string, id string, at time.Time, body []byte) string {
	text := append([]byte(fmt.Sprintf("%s.%d.", id, at.Unix())), body...)
	var out []string
	for _, k := range keys {
		if seed, ok := seedOf(k); ok {
			out = append(out, "v1a,"+base64.StdEncoding.EncodeToString(ed25519.Sign(ed25519.NewKeyFromSeed(seed), text)))
			continue
		}
		secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(k, sharedPrefix))
		if err != nil {
			continue // made by NewKey
		}
		m := hmac.New(sha256.New, secret)
		m.Write(text)
		out = append(out, "v1,"+base64.StdEncoding.EncodeToString(m.Sum(nil)))
	}
	return strings.Join(out, " ")
}

// waits is the schedule of Standard Webhooks: the time after each failed attempt (from
// memory of its recommended example, and as services that follow it publish the first
// seven).
var waits = []time.Duration{5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour,
	10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour}
