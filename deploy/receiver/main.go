// Command receiver is an example of a program that takes events: it verifies each
// signature with nothing but the standard library, takes each event once, and prints
// what it says. Start it, then give its address to the API as an endpoint:
//
//	go run ./deploy/receiver -listen 127.0.0.1:9000 -key whsec_...
package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

func main() {
	listen := flag.String("listen", "127.0.0.1:9000", "address to listen on")
	key := flag.String("key", "", "the endpoint's key, whsec_...")
	flag.Parse()
	l, err := net.Listen("tcp", *listen)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("listening on", l.Addr())
	srv := &http.Server{Handler: &receiver{key: *key, seen: map[string]bool{}}, ReadTimeout: 10 * time.Second}
	log.Fatal(srv.Serve(l))
}

type receiver struct {
	mu   sync.Mutex
	key  string
	seen map[string]bool // a real one keeps this in its database
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(io.LimitReader(req.Body, 1<<20))
	if err != nil || !genuine(r.key, req.Header, body, time.Now()) {
		http.Error(w, "the signature does not fit", http.StatusUnauthorized)
		return
	}
	var e struct {
		ID      string          `json:"id"`
		Type    string          `json:"type"`
		Subject string          `json:"subject"`
		Data    json.RawMessage `json:"data"`
	}
	if err := json.Unmarshal(body, &e); err != nil {
		http.Error(w, "no event", http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.seen[e.ID] { // an event may come twice, with the same id
		r.seen[e.ID] = true
		fmt.Println(e.Type, e.Subject, string(e.Data))
	}
	w.WriteHeader(http.StatusNoContent)
}

// genuine checks a signature as Standard Webhooks describes it: HMAC-SHA256 over
// "id.timestamp.body", one of several signatures, not older than five minutes.
func genuine(key string, h http.Header, body []byte, now time.Time) bool {
	at, err := strconv.ParseInt(h.Get("webhook-timestamp"), 10, 64)
	if err != nil || now.Sub(time.Unix(at, 0)).Abs() > 5*time.Minute {
		return false
	}
	secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(key, "whsec_"))
	if err != nil {
		return false
	}
	m := hmac.New(sha256.New, secret)
	fmt.Fprintf(m, "%s.%d.%s", h.Get("webhook-id"), at, body)
	for _, s := range strings.Fields(h.Get("webhook-signature")) {
		if sig, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "v1,")); err == nil &&
			hmac.Equal(sig, m.Sum(nil)) {
			return true
		}
	}
	return false
}
