package mail

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emersion/go-msgauth/dkim"

	"sealmanac/internal/delivery"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/testkit"
)

func pemOf(t *testing.T, key any) []byte {
	t.Helper()
	b, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: b})
}

func keys(t *testing.T) []Key {
	t.Helper()
	r, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	_, e, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	var out []Key
	for selector, key := range map[string]any{"rsa1": r, "ed1": e} {
		k, err := ParseKey("shop.example.org", selector, pemOf(t, key))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, k)
	}
	return out
}

// script verifies every signature of a message with an independent
// implementation, Debian's python3-dkim, over records given to it.
const script = `
import sys, json, dkim
records = json.load(open(sys.argv[1]))
message = sys.stdin.buffer.read()
d = dkim.DKIM(message)
n = sum(1 for h, _ in d.headers if h.lower() == b"dkim-signature")
fields = set()
for i in range(n):
    ok = d.verify(idx=i, dnsfunc=lambda name, timeout=5: records[name.decode().rstrip(".")].encode())
    print("pass" if ok else "fail", d.domain.decode(), ",".join(sorted(h.decode().lower() for h, _ in d.signed_headers)))
`

// What arrives carries two signatures that an independent verifier accepts, over
// the unsubscribe fields too (RFC 8058, section 4), and refuses when one byte of
// what people see is changed.
func TestSignaturesVerify(t *testing.T) {
	python := "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import dkim, nacl").Run(); err != nil {
		testkit.SkipOrFail(t, "needs the Debian packages python3-dkim and python3-nacl: %v", err)
	}
	ks := keys(t)
	records := map[string]string{}
	for _, k := range ks {
		name, text := k.Record()
		records[name] = text
	}
	file := t.TempDir() + "/records.json"
	b, _ := json.Marshal(records)
	writeFile(t, file, b)
	box := start(t, mailbox.Options{})
	r := relay(box.Addr(), None)
	r.Keys = ks
	if _, err := r.Send(t.Context(), notice()); err != nil {
		t.Fatal(err)
	}
	raw := box.Messages()[0].Raw
	verify := func(msg []byte) string {
		c := exec.Command(python, "-c", script, file)
		c.Stdin = bytes.NewReader(msg)
		out, err := c.CombinedOutput()
		if err != nil && !bytes.Contains(out, []byte("fail")) {
			return "error " + string(out)
		}
		return string(out)
	}
	got := verify(raw)
	if strings.Count(got, "pass shop.example.org") != 2 || strings.Count(got, "list-unsubscribe,") != 2 ||
		strings.Count(got, "list-unsubscribe-post") != 2 {
		t.Errorf("the verifier says:\n%s", got)
	}
	for _, change := range [][2]string{{"line two", "line too"},
		{"List-Unsubscribe=One-Click", "List-Unsubscribe=One-Clack"}, {"From: ", "From: x"}} {
		if bad := bytes.Replace(raw, []byte(change[0]), []byte(change[1]), 1); bytes.Equal(bad, raw) ||
			strings.Contains(verify(bad), "pass") {
			t.Errorf("%q for %q was not noticed", change[1], change[0])
		}
	}
	if bad := append([]byte("Subject: another\r\n"), raw...); strings.Contains(verify(bad), "pass") {
		t.Error("a second subject was not noticed")
	}
}

// The example of RFC 8463, appendix A: its keys and its signed message (from
// memory of the RFC; a slip of it would not verify).
func TestRFC8463Example(t *testing.T) {
	seed, _ := base64.StdEncoding.DecodeString("nWGxne/9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A=")
	key := ed25519.NewKeyFromSeed(seed)
	k, err := ParseKey("football.example.com", "brisbane", pemOf(t, key))
	if err != nil {
		t.Fatal(err)
	}
	if name, text := k.Record(); name != "brisbane._domainkey.football.example.com" ||
		text != "v=DKIM1; k=ed25519; p=11qYAYKxCrfVS/7TyWQHOg7hcvPapiMlrwIaaPcHURo=" {
		t.Errorf("%s %s", name, text)
	}
	msg := strings.ReplaceAll(`DKIM-Signature: v=1; a=ed25519-sha256; c=relaxed/relaxed;
 d=football.example.com; i=@football.example.com;
 q=dns/txt; s=brisbane; t=1528637909; h=from : to :
 subject : date : message-id : from : subject : date;
 bh=2jUSOH9NhtVGCQWNr9BrIAPreKQjO6Sn7XIkfJVOzv8=;
 b=/gCrinpcQOoIfuHNQIbq4pgh9kyIK3AQUdt9OdqQehSwhEIug4D11Bus
 Fa3bT3FY5OsU7ZbnKELq+eXdp1Q1Dw==
From: Joe SixPack <joe@football.example.com>
To: Suzie Q <suzie@shopping.example.net>
Subject: Is dinner ready?
Date: Fri, 11 Jul 2003 21:00:37 -0700 (PDT)
Message-ID: <20030712040037.46341.5F8J@football.example.com>

Hi.

We lost the game.  Are you hungry yet?

Joe.
`, "\n", "\r\n")
	vs, err := dkim.VerifyWithOptions(strings.NewReader(msg),
		&dkim.VerifyOptions{LookupTXT: func(name string) ([]string, error) {
			n, text := k.Record()
			if name != n {
				return nil, fmt.Errorf("asked for %s", name)
			}
			return []string{text}, nil
		}})
	if err != nil || len(vs) != 1 || vs[0].Err != nil {
		t.Errorf("%+v %v", vs, err)
	}
}

func TestParseKeyRefuses(t *testing.T) {
	short, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Skip(err)
	}
	if _, err := ParseKey("d", "s", pemOf(t, short)); err != nil {
		t.Error(err)
	}
	for name, text := range map[string]string{"empty": "", "words": "not a key",
		"a public thing": "-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n"} {
		if _, err := ParseKey("d", "s", []byte(text)); err == nil || strings.Contains(err.Error(), "AAAA") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestConnectionsAreReused(t *testing.T) {
	var dials atomic.Int32
	box := start(t, mailbox.Options{Refuse: func(to string) error {
		if to == "no@example.org" {
			return refusal(550)
		}
		return nil
	}})
	front := proxy(t, box.Addr(), func() { dials.Add(1) })
	r := relay(front, None)
	for i := range 12 {
		n := notice()
		if i%4 == 3 {
			n.Person = "no@example.org"
		}
		if _, err := r.Send(t.Context(), n); (err != nil) != (i%4 == 3) {
			t.Fatal(err)
		}
	}
	if dials.Load() != 1 || len(box.Messages()) != 9 {
		t.Errorf("%d connections for %d messages", dials.Load(), len(box.Messages()))
	}
	// The server closed it while it waited: a new one is made, nothing is lost.
	r.mu.Lock()
	for _, l := range r.idle {
		_ = l.conn.Conn.Close()
	}
	r.mu.Unlock()
	if _, err := r.Send(t.Context(), notice()); err != nil || dials.Load() != 2 {
		t.Errorf("%v, %d connections", err, dials.Load())
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}

// The second relay is tried when the first was not reached or would not have us,
// and never when it has seen the recipient.
func TestRelaysInOrder(t *testing.T) {
	for _, c := range []struct {
		name          string
		first         mailbox.Options
		mod           func(*Relay)
		second, fails bool
	}{
		{"taken by the first", mailbox.Options{}, nil, false, false},
		{"nobody listens", mailbox.Options{}, func(r *Relay) { r.Addr = "127.0.0.1:1" }, true, false},
		{"login refused", mailbox.Options{Users: map[string]string{"a": "b"}}, nil, true, false},
		{"recipient refused", mailbox.Options{Refuse: func(string) error { return refusal(550) }}, nil, false, true},
		{"greylisted", mailbox.Options{Refuse: func(string) error { return refusal(451) }}, nil, false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			one, two := start(t, c.first), start(t, mailbox.Options{})
			r := relay(one.Addr(), None)
			if c.mod != nil {
				c.mod(r)
			}
			o := &Outlet{Relays: []*Relay{r, relay(two.Addr(), None)}}
			_, err := o.Send(t.Context(), notice())
			if (err != nil) != c.fails || (len(two.Messages()) == 1) != c.second {
				t.Errorf("%v, second got %d", err, len(two.Messages()))
			}
			_ = o.Close()
		})
	}
}

func TestLimits(t *testing.T) {
	o := &Outlet{Limits: Limits{PerDomain: 2, DomainPerMinute: 60}}
	l1, w1 := o.enter("a@example.org")
	_, w2 := o.enter("b@EXAMPLE.org")
	if _, w3 := o.enter("c@example.org"); w1 != 0 || w2 != 0 || w3 != busyWait {
		t.Errorf("places at a domain: %v %v %v", w1, w2, w3)
	}
	if _, w := o.enter("c@example.net"); w != 0 {
		t.Errorf("another domain waits %v", w)
	}
	l1()
	if _, w := o.enter("c@example.org"); w != 0 {
		t.Errorf("a freed place waits %v", w)
	}
	o = &Outlet{Limits: Limits{PerMinute: 12}}
	sent := 0
	var wait time.Duration
	for range 10 {
		if leave, w := o.enter(fmt.Sprint(sent, "@example.org")); w == 0 {
			leave()
			sent++
		} else {
			wait = w
		}
	}
	if sent != 2 || wait < 3*time.Second || wait > 6*time.Second {
		t.Errorf("%d sent at once, then %v", sent, wait)
	}
}

// A limit of all mail that holds a message back uses up nothing of its domain's.
func TestLimitsDoNotBurn(t *testing.T) {
	o := &Outlet{Limits: Limits{PerMinute: 6, DomainPerMinute: 60}}
	for range 20 {
		if leave, wait := o.enter("a@example.org"); wait == 0 {
			leave()
		}
	}
	if left := o.domains["example.org"].pace.Tokens(); left < 8.5 {
		t.Errorf("%.1f of 10 places are left after one message", left)
	}
}

// A server that is only busy is not one that cannot take addresses beyond ASCII,
// and where it cannot, the next relay is asked.
func TestBeyondASCII(t *testing.T) {
	n := notice()
	n.Person = "jörg@example.org"
	busy := relay(scripted(t, map[string]string{"greeting": "421 4.3.2 busy"}), None)
	busy.Hello, busy.Timeout = "", time.Second
	if _, err := busy.Send(t.Context(), n); delivery.Judge(err) != delivery.Later {
		t.Errorf("busy: %v", err)
	}
	plain := relay(scripted(t, nil), None)
	if _, err := plain.Send(t.Context(), n); delivery.Judge(err) != delivery.Never {
		t.Errorf("not offered: %v", err)
	}
	able := relay(scripted(t, map[string]string{"EHLO": "250-here\r\n250 SMTPUTF8"}), None)
	o := &Outlet{Relays: []*Relay{plain, able}}
	if _, err := o.Send(t.Context(), n); err != nil {
		t.Errorf("the second relay offers it: %v", err)
	}
	_ = o.Close()
}
