package mail

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/delivery"
)

func writeFile(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func refusal(code int) error {
	return &smtp.SMTPError{Code: code, EnhancedCode: smtp.EnhancedCode{code / 100, 7, 1}, Message: "no"}
}

// proxy passes connections on and counts them.
func proxy(t *testing.T, to string, seen func()) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			seen()
			d, err := net.Dial("tcp", to)
			if err != nil {
				_ = c.Close()
				continue
			}
			go func() { _, _ = io.Copy(d, c); _ = d.Close() }()
			go func() { _, _ = io.Copy(c, d); _ = c.Close() }()
		}
	}()
	return l.Addr().String()
}

// scripted is a server that says what it is told to: answers holds its reply to
// each command word ("" closes the connection, "..." says nothing more).
func scripted(t *testing.T, answers map[string]string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	usual := map[string]string{"greeting": "220 here", "EHLO": "250 here", "MAIL": "250 ok", "RCPT": "250 ok",
		"DATA": "354 go on", ".": "250 2.0.0 taken", "RSET": "250 ok", "QUIT": "221 bye"}
	reply := func(c net.Conn, word string) bool {
		text, ok := answers[word]
		if !ok {
			text = usual[word]
		}
		switch text {
		case "":
			return false
		case "...":
			time.Sleep(5 * time.Second)
			return false
		case "drip": // one byte a while, never a whole line
			for range 100 {
				if _, err := c.Write([]byte("2")); err != nil {
					return false
				}
				time.Sleep(100 * time.Millisecond)
			}
			return false
		case "half": // closed for writing, open for reading
			_ = c.(*net.TCPConn).CloseWrite()
			time.Sleep(5 * time.Second)
			return false
		}
		_, err := fmt.Fprint(c, text, "\r\n")
		return err == nil
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				if !reply(c, "greeting") {
					return
				}
				in := bufio.NewScanner(c)
				data := false
				for in.Scan() {
					word, _, _ := strings.Cut(in.Text(), " ")
					if data && in.Text() != "." {
						continue
					}
					data = false
					if !reply(c, strings.ToUpper(word)) {
						return
					}
					data = strings.EqualFold(word, "DATA")
				}
			}()
		}
	}()
	return l.Addr().String()
}

// Servers and networks that misbehave, each with what is expected of us. Every
// attempt ends within its time.
func TestFaults(t *testing.T) {
	const timeout = 700 * time.Millisecond
	for _, c := range []struct {
		name    string
		answers map[string]string
		want    delivery.Verdict
	}{
		{"well", nil, delivery.Taken},
		{"busy at the greeting (421)", map[string]string{"greeting": "421 4.3.2 busy"}, delivery.Later},
		{"not for us at the greeting (554)", map[string]string{"greeting": "554 5.7.1 no"}, delivery.Ours},
		{"hangs up at once", map[string]string{"greeting": ""}, delivery.Later},
		{"says nothing", map[string]string{"greeting": "..."}, delivery.Later},
		{"one byte a while (slow loris)", map[string]string{"greeting": "drip"}, delivery.Later},
		{"half-closed", map[string]string{"EHLO": "half"}, delivery.Later},
		{"speaks nonsense", map[string]string{"greeting": "HTTP/1.1 200 OK"}, delivery.Later},
		{"sender refused for now (451)", map[string]string{"MAIL": "451 4.3.0 later"}, delivery.Later},
		{"sender refused for good (550)", map[string]string{"MAIL": "550 5.7.1 no relaying"}, delivery.Ours},
		{"greylisted (450)", map[string]string{"RCPT": "450 4.7.1 greylisted"}, delivery.Later},
		{"too many (452)", map[string]string{"RCPT": "452 4.5.3 too many"}, delivery.Later},
		{"mailbox full (452 4.2.2)", map[string]string{".": "452 4.2.2 full"}, delivery.Later},
		{"unknown recipient (550 5.1.1)", map[string]string{"RCPT": "550 5.1.1 unknown"}, delivery.Never},
		{"refused before the text (554)", map[string]string{"DATA": "554 5.5.1 no"}, delivery.Never},
		{"refused after the text (554)", map[string]string{".": "554 5.7.1 spam"}, delivery.Never},
		{"later after the text (451)", map[string]string{".": "451 4.3.0 later"}, delivery.Later},
		{"gone at the recipient", map[string]string{"RCPT": ""}, delivery.Later},
		{"gone at the text", map[string]string{"DATA": ""}, delivery.Later},
		{"gone after the text", map[string]string{".": ""}, delivery.Later},
		{"silent after the text", map[string]string{".": "..."}, delivery.Later},
		{"shuts down after the recipient (421)", map[string]string{"RCPT": "421 4.3.2 shutting down"}, delivery.Later},
		{"an answer of its own (299)", map[string]string{"RCPT": "299 hm"}, delivery.Later},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := relay(scripted(t, c.answers), None)
			r.Timeout = timeout
			begun := time.Now()
			_, err := r.Send(t.Context(), notice())
			got, took := delivery.Judge(err), time.Since(begun)
			t.Logf("expected %s, saw %s (%v)", c.want, got, err)
			if got != c.want || took > timeout+3*time.Second {
				t.Errorf("%v: %s after %v, want %s", err, got, took, c.want)
			}
		})
	}
}

// BenchmarkSend is delivery over a kept connection to a local sink. Limit: a bare
// loop of the SMTP library with the same message, measured beside it; budget: at
// least half its rate.
func BenchmarkSend(b *testing.B) {
	addr := sink(b)
	n := notice()
	b.Run("bare", func(b *testing.B) {
		msg, err := Compose(n, "a@example.org", time.Now())
		if err != nil {
			b.Fatal(err)
		}
		c, err := smtp.Dial(addr)
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close()
		for b.Loop() {
			if err := c.SendMail("a@example.org", []string{n.Person}, strings.NewReader(string(msg))); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("ours", func(b *testing.B) {
		r := relay(addr, None)
		defer r.Close()
		for b.Loop() {
			if _, err := r.Send(b.Context(), n); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// sink takes everything and keeps nothing.
func sink(b *testing.B) string {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	s := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return swallow{}, nil }))
	s.Domain = "localhost"
	go func() { _ = s.Serve(l) }()
	b.Cleanup(func() { _ = s.Close(); _ = l.Close() })
	return l.Addr().String()
}

type swallow struct{}

func (swallow) Mail(string, *smtp.MailOptions) error { return nil }
func (swallow) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (swallow) Data(r io.Reader) error               { _, err := io.Copy(io.Discard, r); return err }
func (swallow) Reset()                               {}
func (swallow) Logout() error                        { return nil }
