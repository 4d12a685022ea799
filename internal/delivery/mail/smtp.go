package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"sealmanac/internal/delivery"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

// Security is how the connection to the relay is protected.
type Security string

// The ways to protect it.
const (
	StartTLS Security = "starttls" // plain, then TLS before anything else; required
	Implicit Security = "implicit" // TLS from the first byte (RFC 8314)
	None     Security = "none"     // for a relay on this machine only
)

// Relay is a mail server that takes our messages.
type Relay struct {
	Addr     string // host:port
	Security Security
	Username string // empty: no AUTH
	Password string
	Hello    string // our name in EHLO
	From     string // envelope and header address
	Timeout  time.Duration
	TLS      *tls.Config // nil: system roots; the server name is set from Addr
	Now      func() time.Time
}

// Name returns "mail".
func (r *Relay) Name() string { return "mail" }

// Send composes and sends one notice over a connection of its own and returns
// the relay's words of acceptance.
func (r *Relay) Send(ctx context.Context, n *reminder.Notice) (reply string, err error) {
	msg, err := Compose(n, r.From, r.Now())
	if err != nil {
		return "", err
	}
	c, err := r.connect(ctx)
	if err != nil {
		return "", err
	}
	defer c.Close() //nolint:errcheck // Quit below is the polite end
	if err := c.Mail(r.From, nil); err != nil {
		return "", ours(err) // no recipient was named yet: it is about us
	}
	if err := c.Rcpt(n.Person, nil); err != nil {
		return "", err
	}
	w, err := c.Data()
	if err != nil {
		return "", err
	}
	if _, err := w.Write(msg); err != nil {
		return "", err
	}
	resp, err := w.CloseWithResponse()
	if err != nil {
		return "", err
	}
	_ = c.Quit() // the message is taken whatever is said now
	return "250 " + resp.StatusText, nil
}

// Check signs in to the relay without sending anything.
func (r *Relay) Check(ctx context.Context) error {
	c, err := r.connect(ctx)
	if err != nil {
		return &fault.Error{Kind: fault.Unavailable, Msg: fmt.Sprintf("the mail server %s cannot be used", r.Addr), Hint: "Check mail.address, mail.tls, mail.username and mail.password_file.", Err: err}
	}
	return c.Quit()
}

// connect dials, secures and signs in. The whole conversation that follows must
// end within the relay's timeout: the connection's deadlines are capped.
func (r *Relay) connect(ctx context.Context) (*smtp.Client, error) {
	end := time.Now().Add(r.Timeout)
	d := net.Dialer{Deadline: end}
	raw, err := d.DialContext(ctx, "tcp", r.Addr)
	if err != nil {
		return nil, err
	}
	conn := &capped{Conn: raw, end: end}
	stop := context.AfterFunc(ctx, func() { _ = raw.Close() })
	c, err := r.secure(conn)
	if err == nil {
		err = r.signIn(c)
	}
	if err != nil {
		stop()
		_ = raw.Close()
		if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
			err = &delivery.LoginError{Err: err}
		}
		return nil, ours(err)
	}
	return c, nil
}

// ours marks a permanent refusal that came before a recipient was named: greeting,
// EHLO, login or sender. It is about our set-up, not about the notice.
func ours(err error) error {
	if _, ok := errors.AsType[*delivery.LoginError](err); ok {
		return err
	}
	if e, ok := errors.AsType[*smtp.SMTPError](err); ok && !e.Temporary() {
		return &delivery.LoginError{Err: err}
	}
	return err
}

func (r *Relay) secure(conn net.Conn) (*smtp.Client, error) {
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if r.TLS != nil {
		cfg = r.TLS.Clone()
	}
	if host, _, err := net.SplitHostPort(r.Addr); err == nil && cfg.ServerName == "" {
		cfg.ServerName = host
	}
	switch r.Security {
	case Implicit:
		return smtp.NewClient(tls.Client(conn, cfg)), nil
	case StartTLS:
		c, err := smtp.NewClientStartTLS(conn, cfg)
		if e, ok := errors.AsType[*smtp.SMTPError](err); ok && !e.Temporary() {
			return nil, &delivery.LoginError{Err: err}
		}
		if err != nil && c == nil {
			if _, network := errors.AsType[net.Error](err); !network {
				return nil, &delivery.LoginError{Err: err} // no STARTTLS offered, or a wrong certificate
			}
		}
		return c, err
	default:
		return smtp.NewClient(conn), nil
	}
}

func (r *Relay) signIn(c *smtp.Client) error {
	c.CommandTimeout, c.SubmissionTimeout = r.Timeout, r.Timeout
	if r.Hello != "" {
		if err := c.Hello(r.Hello); err != nil {
			return err
		}
	}
	if r.Username == "" {
		return nil
	}
	if err := c.Auth(r.auth(c)); err != nil {
		if e, ok := errors.AsType[*smtp.SMTPError](err); ok && e.Temporary() {
			return err
		}
		return &delivery.LoginError{Err: err}
	}
	return nil
}

// auth picks PLAIN, or LOGIN where the relay offers only that.
func (r *Relay) auth(c *smtp.Client) sasl.Client {
	if !c.SupportsAuth(sasl.Plain) && c.SupportsAuth(sasl.Login) {
		return sasl.NewLoginClient(r.Username, r.Password)
	}
	return sasl.NewPlainClient("", r.Username, r.Password)
}

// capped is a connection whose deadlines never pass end, so that a server that
// answers one byte a minute cannot hold a worker.
type capped struct {
	net.Conn
	end time.Time
}

func (c *capped) cap(t time.Time) time.Time {
	if t.IsZero() || t.After(c.end) {
		return c.end
	}
	return t
}

func (c *capped) SetDeadline(t time.Time) error      { return c.Conn.SetDeadline(c.cap(t)) }
func (c *capped) SetReadDeadline(t time.Time) error  { return c.Conn.SetReadDeadline(c.cap(t)) }
func (c *capped) SetWriteDeadline(t time.Time) error { return c.Conn.SetWriteDeadline(c.cap(t)) }
