package daemon

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

// A notice leaves with a return path of its own; what comes back there marks the
// address, tells the shop, and keeps the next notices back; an answer goes on to
// the shop with the person as the one to answer.
func TestWhatComesBack(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		post := box(t, mailbox.Options{})
		o := options(t, post, conf)
		o.Config.ReturnsListen, o.Config.ReturnsDomain = "127.0.0.1:0", "returns.example.org"
		d := start(t, o)
		importDemo(t, d, "demo")
		if _, _, err := d.RunPass(t.Context(), "demo", demoDay); err != nil {
			t.Fatal(err)
		}
		wait(t, "the mails", func() bool { return len(post.Messages()) == 13 })
		find := func(to string) mailbox.Message {
			for _, m := range post.Messages() {
				if m.To == to {
					return m
				}
			}
			t.Fatalf("no mail to %s", to)
			return mailbox.Message{}
		}
		back := func(to, body string) {
			t.Helper()
			c, err := smtp.Dial(d.returns.Addr())
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			if err := c.SendMail("someone@example.org", []string{to},
				strings.NewReader(strings.ReplaceAll(body, "\n", "\r\n"))); err != nil {
				t.Fatal(err)
			}
		}
		ilse, gus, noor := find("ilse@example.org"), find("gus@example.org"), find("noor@example.org")
		if !strings.HasSuffix(ilse.From, "@returns.example.org") || ilse.From == gus.From {
			t.Fatalf("return paths %q and %q", ilse.From, gus.From)
		}
		back(ilse.From, "From: MAILER-DAEMON@example.org\nContent-Type: multipart/report; report-type=delivery-status; "+
			"boundary=b\n\n--b\nContent-Type: message/delivery-status\n\nReporting-MTA: dns; "+
			"mx.example.org\n\nFinal-Recipient: rfc822; ilse@example.org\nAction: failed\nStatus: 5.1.1\nDiagnostic-Code: "+
			"smtp; 550 no such user\n\n--b--\n")
		back(gus.From, "From: fbl@example.net\nContent-Type: multipart/report; report-type=feedback-report; "+
			"boundary=b\n\n--b\nContent-Type: message/feedback-report\n\nFeedback-Type: abuse\n\n--b--\n")
		back(noor.From, "From: Noor <noor@example.org>\nSubject: Re: seals\n\nCan I come on Friday?\n")
		wait(t, "the shop's mails", func() bool { return len(post.Messages()) == 16 })
		// The shop's own machine answers what it was told: that is no mail to the shop.
		for _, m := range post.Messages()[13:] {
			if strings.HasSuffix(m.From, "@returns.example.org") {
				t.Errorf("a mail to the shop has the return path %s", m.From)
			}
		}
		row := d.Desk.Signer.ReturnPath(linkOf(t, d, "shop|"))
		back(row+"@returns.example.org", "From: desk@juniperflat.example.org\nSubject: Ticket 12\n\nreceived\n")
		said := map[string]mailbox.Message{}
		for _, m := range post.Messages()[13:] {
			if m.To != "desk@juniperflat.example.org" {
				t.Errorf("a mail about what came back went to %s", m.To)
			}
			kind, _, _ := strings.Cut(m.Subject, ":")
			said[kind] = m
		}
		if m := said["Address does not work"]; !strings.Contains(m.Text, "5.1.1 550 no such user") {
			t.Errorf("bounce: %q", m.Text)
		}
		if m := said["Answer from noor@example.org"]; !strings.Contains(m.Text, "Can I come on Friday?") ||
			!strings.Contains(m.Header.Get("Reply-To"), "noor@example.org") {
			t.Errorf("answer: %q %q", m.Text, m.Header.Get("Reply-To"))
		}
		if _, ok := said["Reminders unwanted"]; !ok {
			t.Errorf("subjects %v", said)
		}
		res, _, err := d.RunPass(t.Context(), "demo", demoDay+1)
		if err != nil {
			t.Fatal(err)
		}
		for _, out := range res.Outcomes {
			for _, s := range out.Suppressed {
				want := map[string]reminder.Reason{"ilse@example.org": reminder.BadAddress,
					"gus@example.org": reminder.OptedOut}[s.Person]
				if s.Reason == reminder.NotYet || s.Reason == reminder.Booked { // that needs no call
					continue
				}
				if s.Reason.Calls() != (want != "" || s.Person == "Vi") || want != "" && s.Reason != want {
					t.Errorf("%s: %s", s.Person, s.Reason)
				}
			}
		}
		if n := testutil.ToFloat64(d.meters.returned.WithLabelValues("bounced")); n != 1 {
			t.Errorf("%v bounces counted", n)
		}
		if err := d.Desk.Resume(t.Context(), "demo", "ilse@example.org"); err != nil {
			t.Error(err)
		}
		var bad map[string]string
		_ = d.DB.View(t.Context(), func(tx *store.Tx) (err error) {
			bad, err = tx.BadAddresses(context.Background(), "demo")
			return err
		})
		if len(bad) != 0 {
			t.Errorf("still bad: %v", bad)
		}
	})
}

// linkOf returns the short number of a notice whose task key begins so.
func linkOf(t *testing.T, d *Daemon, prefix string) string {
	t.Helper()
	rows, err := d.Desk.Notices(t.Context(), "demo", 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if strings.HasPrefix(r.TaskKey, prefix) {
			return r.LinkID
		}
	}
	t.Fatalf("no notice about %s", prefix)
	return ""
}

// The clock set forward and back by a day: no storm, nobody told twice, nothing
// skipped.
func TestClockSetByADay(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		post := box(t, mailbox.Options{})
		o := options(t, post, conf)
		d := start(t, o)
		importDemo(t, d, "demo")
		seen := map[string]bool{}
		for _, day := range []int{0, 1, 0, -1, 0, 1, 2} {
			_, added, err := d.RunPass(t.Context(), "demo", demoDay.Add(day))
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range added {
				if seen[n.MessageID] {
					t.Errorf("%s is made twice", n.Key)
				}
				seen[n.MessageID] = true
			}
			if day == 0 && len(seen) != 13 {
				t.Errorf("%d notices after a pass of the day", len(seen))
			}
		}
		wait(t, "the mails", func() bool { return len(post.Messages()) >= 13 })
		time.Sleep(200 * time.Millisecond)
		ids := map[string]int{}
		for _, m := range post.Messages() {
			if ids[m.Header.Get("Message-Id")]++; ids[m.Header.Get("Message-Id")] > 1 {
				t.Errorf("%s arrived twice", m.Subject)
			}
		}
	})
}

// A server whose words no database takes as they are: the notice is accepted once.
func TestServersOddWords(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		o := options(t, nil, conf)
		sent := make(chan string, 100)
		o.Channel = odd(func(n *reminder.Notice) (string, error) {
			sent <- n.MessageID
			return "250 angenommen f\xfcr\x00 Sie", nil
		})
		d := start(t, o)
		importDemo(t, d, "demo")
		if _, _, err := d.RunPass(t.Context(), "demo", demoDay); err != nil {
			t.Fatal(err)
		}
		wait(t, "all to be accepted", func() bool { return stateCounts(t, d)["accepted"] == 13 })
		if len(sent) != 13 {
			t.Errorf("%d sent", len(sent))
		}
	})
}

type odd func(*reminder.Notice) (string, error)

func (odd) Name() string                                                 { return "odd" }
func (o odd) Send(_ context.Context, n *reminder.Notice) (string, error) { return o(n) }
