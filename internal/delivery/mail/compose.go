// Package mail is the e-mail channel: it composes a notice as MIME and hands it
// to one SMTP relay.
//
// It imports delivery, reminder and row 0; daemon makes it, delivery.Step and
// cli check call it.
package mail

import (
	"bytes"
	"io"
	"strings"
	"time"

	"github.com/emersion/go-message/mail"

	"sealmanac/internal/reminder"
)

// Compose returns the message of a notice as sent from an address: text and HTML
// alternatives, a stable Message-ID, and headers to unsubscribe by one click
// (RFC 8058) when the notice has such a link.
func Compose(n *reminder.Notice, from string, now time.Time) ([]byte, error) {
	var h mail.Header
	h.SetDate(now)
	h.SetAddressList("From", []*mail.Address{{Name: oneLine(n.From), Address: oneLine(from)}})
	h.SetAddressList("To", []*mail.Address{{Name: oneLine(n.PersonName), Address: oneLine(n.Person)}})
	if n.ReplyTo != "" {
		h.SetAddressList("Reply-To", []*mail.Address{{Name: oneLine(n.From), Address: oneLine(n.ReplyTo)}})
	}
	h.SetSubject(oneLine(n.Subject))
	h.SetMessageID(strings.Trim(n.MessageID, "<>"))
	h.Set("Auto-Submitted", "auto-generated") // RFC 3834: no holiday replies, please
	if n.Language != "" {
		h.Set("Content-Language", oneLine(n.Language)) // RFC 3282
	}
	if n.StopLink != "" {
		h.Set("List-Unsubscribe", "<"+oneLine(n.StopLink)+">")
		h.Set("List-Unsubscribe-Post", "List-Unsubscribe=One-Click")
	}
	var out bytes.Buffer
	w, err := mail.CreateInlineWriter(&out, h)
	if err != nil {
		return nil, err
	}
	for _, part := range []struct{ kind, body string }{{"text/plain", n.Text}, {"text/html", n.HTML}} {
		var ph mail.InlineHeader
		ph.SetContentType(part.kind, map[string]string{"charset": "utf-8"})
		ph.Set("Content-Transfer-Encoding", "quoted-printable")
		pw, err := w.CreatePart(ph)
		if err != nil {
			return nil, err
		}
		if _, err := io.WriteString(pw, part.body); err != nil {
			return nil, err
		}
		if err := pw.Close(); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// oneLine keeps a value from becoming a second header.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
}
