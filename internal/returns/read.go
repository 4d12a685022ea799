package returns

import (
	"bufio"
	"bytes"
	"io"
	"net/mail"
	"net/textproto"
	"strings"

	"github.com/emersion/go-message"
	_ "github.com/emersion/go-message/charset" // answers come in every encoding

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
			if r, ok := delivery(e); ok {
				return r
			}
			if e, err = message.Read(bytes.NewReader(raw)); e == nil { // from its beginning, as what it says it is not
				return desk.Return{Kind: desk.Replied, Text: clip(string(raw))}
			}
		case "feedback-report":
			return desk.Return{Kind: desk.Complained}
		}
	}
	r := desk.Return{Kind: desk.Replied}
	r.Subject, _ = e.Header.Text("Subject")
	from, _ := e.Header.Text("From")
	if a, err := mail.ParseAddress(from); err == nil {
		r.From = a.Address
	}
	auto := strings.ToLower(e.Header.Get("Auto-Submitted"))
	if auto != "" && auto != "no" || e.Header.Get("X-Auto-Response-Suppress") != "" || strings.EqualFold(e.Header.Get("Precedence"), "bulk") || strings.HasPrefix(strings.ToLower(r.From), "mailer-daemon@") {
		r.Kind = desk.Automatic
		return r
	}
	r.Text = clip(text(e))
	return r
}

// delivery reads a report on delivery (RFC 3464): failed for good when a recipient
// failed with a status of class 5 (RFC 3463).
func delivery(e *message.Entity) (r desk.Return, ok bool) {
	parts := e.MultipartReader()
	if parts == nil {
		return r, false
	}
	for range 20 {
		p, err := parts.NextPart()
		if err != nil {
			return r, false
		}
		kind, _, _ := p.Header.ContentType()
		if kind != "message/delivery-status" && kind != "message/global-delivery-status" {
			continue
		}
		b, err := io.ReadAll(io.LimitReader(p.Body, mostBytes))
		if err != nil {
			return r, false
		}
		return status(b)
	}
	return r, false
}

// status reads the groups of fields of a report.
func status(b []byte) (r desk.Return, ok bool) {
	in := textproto.NewReader(bufio.NewReader(bytes.NewReader(b)))
	r.Kind = desk.Delayed
	for range 50 {
		h, err := in.ReadMIMEHeader()
		if action := strings.ToLower(strings.TrimSpace(h.Get("Action"))); action != "" {
			ok = true
			if action == "failed" && strings.HasPrefix(strings.TrimSpace(h.Get("Status")), "5") {
				r.Kind = desk.Bounced
				words := h.Get("Diagnostic-Code")
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
	s = strings.ToValidUTF8(s, "?")
	if r := []rune(s); len(r) > mostText {
		return string(r[:mostText]) + "\n[cut]"
	}
	return s
}
