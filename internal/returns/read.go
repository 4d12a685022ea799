package returns

import (
	"bufio"
	"bytes"
	"io"
	"net/mail"
	"net/textproto"
	"regexp"
	"slices"
	"strings"

	"github.com/emersion/go-message"
	_ "github.com/emersion/go-message/charset" // answers come in every encoding

	"sealmanac/internal/delivery"
	"sealmanac/internal/desk"
)

// mostText is how much of an answer goes on to the shop.
const mostText = 20_000

// Read tells what a returned mail is. What cannot be read is an answer with its
// text as it stands: losing somebody's words would be worse than passing on noise.
func Read(raw []byte) desk.Return {
	e, err := message.Read(bytes.NewReader(raw))
	if e == nil || err != nil && !message.IsUnknownCharset(err) && !message.IsUnknownEncoding(err) {
		return desk.Return{Kind: desk.Replied, Text: clip(string(raw))}
	}
	kind, params, _ := e.Header.ContentType()
	if kind == "multipart/report" {
		switch strings.ToLower(params["report-type"]) {
		case "delivery-status":
			if r, ok := report(e); ok {
				return r
			}
			if e, _ = message.Read(bytes.NewReader(raw)); e == nil { // from its beginning, as what it says it is not
				return desk.Return{Kind: desk.Replied, Text: clip(string(raw))}
			}
		case "feedback-report":
			return feedback(e)
		}
	}
	r := desk.Return{Kind: desk.Replied}
	r.Subject, _ = e.Header.Text("Subject")
	from, _ := e.Header.Text("From")
	if a, err := mail.ParseAddress(from); err == nil {
		r.From = a.Address
	}
	r.Subject, r.From = delivery.Clean(r.Subject, 300), delivery.Clean(r.From, 254)
	if automatic(e) || strings.HasPrefix(strings.ToLower(r.From), "mailer-daemon@") {
		r.Kind = desk.Automatic
		return r
	}
	r.Text = clip(text(e))
	return r
}

// automatic reports whether a machine wrote a mail (RFC 3834, and what ticket desks
// and lists put in instead).
func automatic(e *message.Entity) bool {
	if auto := strings.ToLower(e.Header.Get("Auto-Submitted")); auto != "" && auto != "no" {
		return true
	}
	for _, h := range []string{"X-Auto-Response-Suppress", "X-Autoreply", "X-Autorespond", "X-Autoresponder", "List-Id"} {
		if e.Header.Get(h) != "" {
			return true
		}
	}
	switch strings.ToLower(strings.TrimSpace(e.Header.Get("Precedence"))) {
	case "bulk", "junk", "list", "auto_reply":
		return true
	}
	return false
}

// feedback reads what a person is said to think of a mail (RFC 5965): only what
// says that it was unwanted is a complaint.
func feedback(e *message.Entity) desk.Return {
	if b := part(e, "message/feedback-report"); b != nil {
		// what was read before a fault counts
		h, _ := textproto.NewReader(bufio.NewReader(bytes.NewReader(b))).ReadMIMEHeader()
		switch strings.ToLower(strings.TrimSpace(h.Get("Feedback-Type"))) {
		case "abuse", "fraud", "opt-out", "opt-out-list":
			return desk.Return{Kind: desk.Complained}
		}
	}
	return desk.Return{Kind: desk.Automatic}
}

// part returns the body of the first part of one of some kinds; nil when there is
// none.
func part(e *message.Entity, kinds ...string) []byte {
	parts := e.MultipartReader()
	if parts == nil {
		return nil
	}
	for range 20 {
		p, err := parts.NextPart()
		if p == nil || err != nil && !message.IsUnknownCharset(err) && !message.IsUnknownEncoding(err) {
			return nil
		}
		kind, _, _ := p.Header.ContentType()
		if !slices.Contains(kinds, kind) {
			continue
		}
		b, err := io.ReadAll(io.LimitReader(p.Body, mostBytes))
		if err != nil {
			return nil
		}
		return b
	}
	return nil
}

// report reads a report on delivery (RFC 3464): failed for good when a recipient
// failed with a status of class 5 (RFC 3463).
func report(e *message.Entity) (r desk.Return, ok bool) {
	b := part(e, "message/delivery-status", "message/global-delivery-status")
	if b == nil {
		return r, false
	}
	return status(b)
}

// gone are statuses that say that the address itself does not exist (RFC 3463), and
// the words of servers that give no better status than 5.0.0.
var (
	gone      = []string{"5.1.1", "5.1.2", "5.1.3", "5.1.6", "5.1.10", "5.2.1"}
	goneWords = regexp.MustCompile(`(?i)user unknown|unknown user|no such (user|recipient|mailbox|address)|does not exist|mailbox (not found|unavailable)|invalid recipient|address rejected`)
)

// status reads the groups of fields of a report.
func status(b []byte) (r desk.Return, ok bool) {
	in := textproto.NewReader(bufio.NewReader(bytes.NewReader(b)))
	r.Kind = desk.Delayed
	for range 50 {
		h, err := in.ReadMIMEHeader()
		if action := strings.ToLower(strings.TrimSpace(h.Get("Action"))); action != "" {
			ok = true
			if action == "failed" && strings.HasPrefix(strings.TrimSpace(h.Get("Status")), "5") {
				st := strings.TrimSpace(h.Get("Status"))
				words := h.Get("Diagnostic-Code")
				r.Kind = desk.Refused
				if slices.Contains(gone, st) || st == "5.0.0" && goneWords.MatchString(words) {
					r.Kind = desk.Bounced
				}
				if _, after, found := strings.Cut(words, ";"); found {
					words = after
				}
				r.Words = clip(strings.Join(strings.Fields(h.Get("Status")+" "+words), " "))
				return r, true
			}
		}
		if err != nil {
			break
		}
	}
	return r, ok
}

// text returns the plain text of a mail: its first such part, at most five deep.
func text(e *message.Entity) string { return textAt(e, 0) }

func textAt(e *message.Entity, depth int) string {
	kind, _, _ := e.Header.ContentType()
	parts := e.MultipartReader()
	if parts == nil {
		if kind != "text/plain" && kind != "" {
			return ""
		}
		b, _ := io.ReadAll(io.LimitReader(e.Body, mostText+1)) // what was read before a fault counts
		return string(b)
	}
	for n := 0; n < 20 && depth < 5; n++ {
		p, err := parts.NextPart()
		if p == nil || err != nil && !message.IsUnknownCharset(err) {
			break
		}
		if s := textAt(p, depth+1); strings.TrimSpace(s) != "" {
			return s
		}
	}
	return ""
}

func clip(s string) string {
	if out := delivery.Clean(s, mostText+1); len([]rune(out)) > mostText {
		return string([]rune(out)[:mostText]) + "\n[cut]"
	} else {
		return out
	}
}
