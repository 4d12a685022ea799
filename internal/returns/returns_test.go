package returns

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
)

func crlf(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }

// report is a report on delivery in the shape of RFC 3464, appendix E.
func report2(action, status, code string) string {
	return crlf(`Date: Thu, 7 Jul 1994 17:16:05 -0400
From: Mail Delivery Subsystem <MAILER-DAEMON@cs.example.edu>
Subject: Returned mail: Cannot send message for 5 days
To: <owner@example.org>
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status;
      boundary="RAA14128.773615765/CS"

--RAA14128.773615765/CS

The original message was received at Sat, 2 Jul 1994 17:10:28 -0400
   ----- The following addresses had delivery problems -----

--RAA14128.773615765/CS
Content-Type: message/delivery-status

Reporting-MTA: dns; cs.example.edu

Original-Recipient: rfc822;louisl@larry.example.edu
Final-Recipient: rfc822;louisl@larry.example.edu
Action: ` + action + `
Status: ` + status + `
Diagnostic-Code: smtp; ` + code + `
Last-Attempt-Date: Thu, 7 Jul 1994 17:15:49 -0400

--RAA14128.773615765/CS
Content-Type: message/rfc822

Subject: ours

text
--RAA14128.773615765/CS--
`)
}

// complaint is a feedback report in the shape of RFC 5965, appendix B.1.
const complaint = `From: <abusedesk@example.com>
Date: Thu, 8 Mar 2005 17:40:36 EDT
Subject: FW: Earn money
To: <abuse@example.net>
MIME-Version: 1.0
Content-Type: multipart/report; report-type=feedback-report;
     boundary="part1_13d.2e68ed54_boundary"

--part1_13d.2e68ed54_boundary
Content-Type: text/plain; charset="US-ASCII"
Content-Transfer-Encoding: 7bit

This is an email abuse report for an email message received from IP 192.0.2.1.
--part1_13d.2e68ed54_boundary
Content-Type: message/feedback-report

Feedback-Type: abuse
User-Agent: SomeGenerator/1.0
Version: 1
--part1_13d.2e68ed54_boundary--
`

func TestRead(t *testing.T) {
	for _, c := range []struct {
		name, raw string
		kind      desk.ReturnKind
		holds     string
	}{
		{"given up for the time being (RFC 3464, appendix E)", report2("failed", "4.0.0", "426 connection timed out"),
			desk.Delayed, ""},
		{"listed as a sender of spam", report2("failed", "5.7.1", "554 blocked"), desk.Refused, "5.7.1"},
		{"full for good", report2("failed", "5.2.2", "552 full"), desk.Refused, ""},
		{"no status, but words", report2("failed", "5.0.0", "550 Unrouteable: no such user"), desk.Bounced, ""},
		{"no status, no words", report2("failed", "5.0.0", "550 no"), desk.Refused, ""},
		{"not spam after all", strings.Replace(crlf(complaint), "Feedback-Type: abuse", "Feedback-Type: not-spam", 1),
			desk.Automatic, ""},
		{"a first part in no known letters", strings.Replace(report2("failed", "5.1.1", "550 no"),
			"\r\n--RAA14128.773615765/CS\r\n\r\n",
			"\r\n--RAA14128.773615765/CS\r\nContent-Type: text/plain; charset=unknown-8bit\r\n\r\n", 1), desk.Bounced, ""},
		{"a ticket desk", crlf("From: desk@example.org\nPrecedence: junk\nX-Autoreply: yes\n\nTicket 12\n"), desk.Automatic,
			""},
		{"a byte that no database takes", "From: a@example.org\r\n\r\nhel\x00lo", desk.Replied, "hello"},
		{"unknown user", report2("failed", "5.1.1", "550 user unknown"), desk.Bounced, "5.1.1 550 user unknown"},
		{"delayed", report2("delayed", "4.4.1", "no answer"), desk.Delayed, ""},
		{"delivered after all", report2("delivered", "2.0.0", "250 ok"), desk.Delayed, ""},
		{"complaint (RFC 5965, appendix B.1)", crlf(complaint), desk.Complained, ""},
		{"an answer", crlf("From: Ilse <ilse@example.org>\nSubject: Re: seals\n\nPlease ring me.\n"), desk.Replied,
			"Please ring me."},
		{"an answer in two forms",
			crlf("From: ilse@example.org\nContent-Type: multipart/alternative; boundary=b\n\n--b\nContent-Type: " +
				"text/html\n\n<p>no</p>\n--b\nContent-Type: text/plain; charset=iso-8859-1\nContent-Transfer-Encoding: " +
				"quoted-printable\n\nGr=FC=DFe\n--b--\n"), desk.Replied, "Grüße"},
		{"a holiday", crlf("From: ilse@example.org\nAuto-Submitted: auto-replied\n\nI am away.\n"), desk.Automatic, ""},
		{"a report that is none", crlf("From: a@example.org\nContent-Type: multipart/report; report-type=delivery-status; " +
			"boundary=b\n\n--b\n\nhello\n--b--\n"), desk.Replied, "hello"},
		{"not a mail", "\x00\xff nonsense", desk.Replied, "nonsense"},
		{"nothing", "", desk.Replied, ""},
	} {
		r := Read([]byte(c.raw))
		if r.Kind != c.kind || !strings.Contains(r.Words+r.Text, c.holds) {
			t.Errorf("%s: %+v", c.name, r)
		}
	}
	long := Read([]byte("From: a@example.org\r\n\r\n" + strings.Repeat("ä", 100_000)))
	if len([]rune(long.Text)) > mostText+10 {
		t.Errorf("%d characters", len([]rune(long.Text)))
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(report2("failed", "5.1.1", "x")))
	f.Add([]byte(crlf(complaint)))
	f.Add([]byte("Content-Type: multipart/report; report-type=delivery-status; boundary=b\r\n\r\n--b\r\nContent-Type: " +
		"message/delivery-status\r\n\r\nAction"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if r := Read(raw); r.Kind == "" {
			t.Fatal("no kind")
		}
	})
}

// taker is a desk that notes what it is told.
type taker struct {
	mu   sync.Mutex
	got  map[string]desk.Return
	fail error
}

func (k *taker) Returned(_ context.Context, id string, r desk.Return) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.fail == nil {
		k.got[id] = r
	}
	return k.fail
}

// deliver hands a mail to a server as another mail server does.
func deliver(addr string, to []string, body string) error {
	c, err := smtp.Dial(addr)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.SendMail("someone@example.org", to, strings.NewReader(body))
}

func TestServer(t *testing.T) {
	k := &taker{got: map[string]desk.Return{}}
	s, err := Start(Options{Listen: "127.0.0.1:0", Domain: "returns.example.org", Desk: k,
		Log:  slog.New(slog.DiscardHandler),
		Read: func(local string) (string, bool) { return strings.CutPrefix(local, "ok-") }})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	send := func(to string, body string) error {
		return deliver(s.Addr(), []string{to}, body)
	}
	code := func(err error) int {
		if e, ok := errors.AsType[*smtp.SMTPError](err); ok {
			return e.Code
		}
		if err != nil {
			return -1
		}
		return 250
	}
	for to, want := range map[string]int{"ok-1@returns.example.org": 250, "OK-2@returns.example.org": 550,
		"forged@returns.example.org": 550, "ok-3@elsewhere.example.org": 550, "ilse@example.org": 550} {
		if got := code(send(to, report2("failed", "5.1.1", "550 no"))); got != want {
			t.Errorf("%s: %d, want %d", to, got, want)
		}
	}
	if k.got["1"].Kind != desk.Bounced || len(k.got) != 1 {
		t.Errorf("%+v", k.got)
	}
	if got := code(send("ok-4@returns.example.org",
		"From: a@example.org\r\n\r\n"+strings.Repeat(strings.Repeat("x", 70)+"\r\n", 10_000))); got != 552 {
		t.Errorf("too large: %d", got)
	}
	k.fail = fault.New(fault.Unavailable, "down", "")
	if got := code(send("ok-5@returns.example.org", complaint)); got != 451 {
		t.Errorf("the store is away: %d", got)
	}
	k.fail = fault.New(fault.NotFound, "gone", "")
	if got := code(send("ok-6@returns.example.org", complaint)); got != 250 {
		t.Errorf("the notice is gone: %d", got)
	}
	last := 250
	for i := 0; i < 2*perMinute && last == 250; i++ {
		last = code(send("ok-7@returns.example.org", complaint))
	}
	if last != 450 {
		t.Errorf("a flood ends with %d", last)
	}
	var many []string
	for i := range mostRecipients + 3 {
		many = append(many, fmt.Sprintf("ok-%d@returns.example.org", i))
	}
	if err := deliver(s.Addr(), many, complaint); err == nil {
		t.Error("a crowd of recipients was taken")
	}
}
