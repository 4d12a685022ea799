package mail

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/delivery"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
)

// certificate makes a throw-away certificate for 127.0.0.1.
func certificate(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour),
		NotAfter:    time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}},
		&tls.Config{RootCAs: pool}
}

func start(t *testing.T, opt mailbox.Options) *mailbox.Mailbox {
	t.Helper()
	m, err := mailbox.Start(opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = m.Close() })
	return m
}

func relay(addr string, s Security) *Relay {
	return &Relay{Addr: addr, Security: s, Hello: "shop.example.org", From: "seals@shop.example.org",
		Timeout: 5 * time.Second, Now: time.Now}
}

func notice() *reminder.Notice {
	return &reminder.Notice{Person: "ilse@example.org", PersonName: "Ilse Grün", From: "Juniper Flat Seal Works",
		ReplyTo: "desk@juniperflat.example.org",
		Subject: "Ilses Wohnwagen – Dichtungen pflegen bis 3. März", Text: "Grüße,\nline two\n.starts with a dot\n" +
			strings.Repeat("long ", 300) + "\n", HTML: "<p>Grüße</p>",
		StopLink: "https://shop.example.org/a/x", MessageID: "<0123abcd@shop.example.org>"}
}

func TestSend(t *testing.T) {
	server, client := certificate(t)
	users := map[string]string{"shop": "secret pass"}
	for _, c := range []struct {
		name     string
		security Security
		opt      mailbox.Options
	}{
		{"plain", None, mailbox.Options{}},
		{"starttls", StartTLS, mailbox.Options{TLS: server}},
		{"starttls with login", StartTLS, mailbox.Options{TLS: server, Users: users}},
		{"implicit with login", Implicit, mailbox.Options{TLS: server, Implicit: true, Users: users}},
	} {
		t.Run(c.name, func(t *testing.T) {
			box := start(t, c.opt)
			r := relay(box.Addr(), c.security)
			r.TLS = client
			if c.opt.Users != nil {
				r.Username, r.Password = "shop", "secret pass"
			}
			n := notice()
			reply, err := r.Send(t.Context(), n)
			if err != nil || !strings.HasPrefix(reply, "250 ") {
				t.Fatalf("%q, %v", reply, err)
			}
			got := box.Messages()
			if len(got) != 1 {
				t.Fatalf("%d messages", len(got))
			}
			m := got[0]
			if m.TLS != (c.security != None) || (c.opt.Users != nil) != (m.User == "shop") {
				t.Errorf("TLS %v, user %q", m.TLS, m.User)
			}
			if strings.ReplaceAll(m.Text, "\r\n", "\n") != n.Text || m.HTML != n.HTML || m.Subject != n.Subject ||
				m.To != n.Person || m.From != r.From {
				t.Errorf("the message changed on the way: %+v", m)
			}
			if id, _ := m.Header.MessageID(); "<"+id+">" != n.MessageID {
				t.Errorf("Message-ID %q", id)
			}
			if m.Header.Get("List-Unsubscribe-Post") != "List-Unsubscribe=One-Click" ||
				m.Header.Get("List-Unsubscribe") != "<"+n.StopLink+">" {
				t.Errorf("unsubscribe headers: %q %q", m.Header.Get("List-Unsubscribe"), m.Header.Get("List-Unsubscribe-Post"))
			}
			if err := r.Check(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestVerdicts(t *testing.T) {
	server, client := certificate(t)
	refuse := func(code int) func(string) error {
		return func(string) error {
			return &smtp.SMTPError{Code: code, EnhancedCode: smtp.EnhancedCode{code / 100, 1, 1}, Message: "no"}
		}
	}
	for _, c := range []struct {
		name string
		opt  mailbox.Options
		mod  func(*Relay)
		want delivery.Verdict
	}{
		{"unknown mailbox", mailbox.Options{Refuse: refuse(550)}, nil, delivery.Never},
		{"greylisted", mailbox.Options{Refuse: refuse(450)}, nil, delivery.Later},
		{"wrong password", mailbox.Options{TLS: server, Users: map[string]string{"shop": "x"}}, func(r *Relay) {
			r.Security, r.TLS, r.Username, r.Password = StartTLS, client, "shop", "y"
		}, delivery.Ours},
		{"login wanted, none given", mailbox.Options{TLS: server, Users: map[string]string{"shop": "x"}}, func(r *Relay) {
			r.Security, r.TLS = StartTLS, client
		}, delivery.Ours},
		{"no STARTTLS offered", mailbox.Options{}, func(r *Relay) { r.Security = StartTLS }, delivery.Ours},
		{"unknown certificate", mailbox.Options{TLS: server}, func(r *Relay) { r.Security = StartTLS }, delivery.Ours},
		{"nobody listens", mailbox.Options{}, func(r *Relay) { r.Addr = "127.0.0.1:1" }, delivery.Later},
		{"slow server", mailbox.Options{Delay: 2 * time.Second}, func(r *Relay) {
			r.Timeout = 300 * time.Millisecond
		}, delivery.Later},
	} {
		t.Run(c.name, func(t *testing.T) {
			box := start(t, c.opt)
			r := relay(box.Addr(), None)
			if c.mod != nil {
				c.mod(r)
			}
			_, err := r.Send(t.Context(), notice())
			if got := delivery.Judge(err); got != c.want {
				t.Errorf("%v: %s, want %s", err, got, c.want)
			}
		})
	}
}

func TestSendStopsWithItsContext(t *testing.T) {
	box := start(t, mailbox.Options{Delay: 3 * time.Second})
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	begun := time.Now()
	if _, err := relay(box.Addr(), None).Send(ctx, notice()); err == nil {
		t.Error("a stopped attempt was accepted")
	}
	if d := time.Since(begun); d > 2*time.Second {
		t.Errorf("took %v to stop", d)
	}
}

func TestHeadersCannotBeInjected(t *testing.T) {
	n := notice()
	n.Subject, n.PersonName, n.From = "x\r\nBcc: all@example.org", "Eve\r\nBcc: all@example.org", "Shop\nX-Evil: 1"
	n.StopLink = "https://a/\r\nBcc: all@example.org"
	b, err := Compose(n, "a@example.org", time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(b), "\r\n\r\n")
	for _, line := range strings.Split(head, "\r\n") {
		if strings.HasPrefix(line, "Bcc:") || strings.HasPrefix(line, "X-Evil") {
			t.Errorf("a header was injected: %s", line)
		}
	}
}
