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

// Envelope returns an event as CloudEvents 1.0 JSON, by the names that its receiver chose.
// The extension "sequence" is the event's number in its account, for receivers that put
// events in order themselves.
func Envelope(source string, id coach.AccountID, e store.Event, names int64) ([]byte, error) {
	kind, data := e.Kind, json.RawMessage(e.Data)
	if names >= 2 {
		var err error
		if kind, data, err = present(e); err != nil {
			return nil, err
		}
	}
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
	}{"1.0", e.ID, source + "/accounts/" + string(id), Prefix + kind, subject,
		time.UnixMicro(e.MadeAt).UTC().Format(time.RFC3339Nano), "application/json", fmt.Sprintf("%016d", e.Seq),
		data})
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
