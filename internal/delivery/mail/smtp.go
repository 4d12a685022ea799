package mail

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"sealmanac/internal/delivery"
	"sealmanac/internal/fault"
	"sealmanac/internal/netkit"
	"sealmanac/internal/reminder"
)

// Security is how the connection to the relay is protected.
type Security string

// The ways to protect it.
const (
	StartTLS Security = "starttls" // plain, then TLS before anything else; required
	Prefer   Security = "prefer"   // TLS where the server offers it, plain where not; never with a login
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
	Keys     []Key                      // sign with each of them; empty: unsigned
	Return   func(linkID string) string // envelope address of a notice; nil: From
	TLS      *tls.Config                // nil: system roots; the server name is set from Addr
	Now      func() time.Time

	mu   sync.Mutex
	idle []*line // connections that wait for another message, the newest last
}

// line is a connection to the relay, signed in.
type line struct {
	*smtp.Client
	conn  *netkit.Ending
	sent  int
	until time.Time // not used again after this
}

// A connection serves so many messages and rests so long: servers close idle and
// busy ones at will, and a new one costs little.
const (
	mostPerLine = 100
	idleFor     = 20 * time.Second
)

// Name returns "mail".
func (r *Relay) Name() string { return "mail" }

// Send composes, signs and sends one notice, over a connection that waits or a new
// one, and returns the relay's words of acceptance.
func (r *Relay) Send(ctx context.Context, n *reminder.Notice) (reply string, err error) {
	msg, err := Compose(n, r.From, r.Now())
	if err != nil {
		return "", err
	}
	for _, k := range r.Keys {
		if msg, err = k.sign(msg); err != nil {
			return "", &delivery.LoginError{Err: err}
		}
	}
	from := r.From
	// what the shop's machines answer must not come back in
	if r.Return != nil && n.LinkID != "" && !strings.HasPrefix(n.TaskKey, "shop|") {
		from = r.Return(n.LinkID)
	}
	l, err := r.begin(ctx, from, !ascii(from) || !ascii(n.Person))
	if err != nil {
		return "", err
	}
	stop := context.AfterFunc(ctx, func() { _ = l.conn.Close() })
	defer stop()
	if reply, err = l.deliver(n.Person, msg); err != nil && !answered(err) {
		_ = l.Close() // the conversation is in an unknown state
		return "", err
	}
	if !stop() { // the attempt was told to stop and the connection is closed
		return reply, err
	}
	r.keep(l, err != nil)
	return reply, err
}

// begin opens a conversation and names the sender. A connection that waited may
// have been closed by the server: then, as nothing was said yet, a new one is made.
func (r *Relay) begin(ctx context.Context, from string, utf8 bool) (*line, error) {
	for {
		l, waited, err := r.line(ctx)
		if err != nil {
			return nil, &delivery.UnreachedError{Err: err}
		}
		if offered, _ := l.Extension("SMTPUTF8"); utf8 && !offered {
			r.keep(l, false)
			return nil, &delivery.UnreachedError{Err: &smtp.SMTPError{Code: 553, EnhancedCode: smtp.EnhancedCode{5, 6, 7},
				Message: "our mail server does not take addresses beyond ASCII (RFC 6531)"}}
		}
		if err = l.Mail(from, &smtp.MailOptions{UTF8: utf8}); err == nil {
			return l, nil
		}
		_ = l.Close()
		if !waited {
			return nil, &delivery.UnreachedError{Err: ours(err)} // no recipient was named yet: it is about us
		}
	}
}

// line returns a connection; waited tells that it served before.
func (r *Relay) line(ctx context.Context) (l *line, waited bool, err error) {
	now := time.Now()
	r.mu.Lock()
	for len(r.idle) > 0 && l == nil {
		l = r.idle[len(r.idle)-1]
		r.idle = r.idle[:len(r.idle)-1]
		if now.After(l.until) {
			_ = l.Close()
			l = nil
		}
	}
	r.mu.Unlock()
	if l != nil {
		l.conn.Renew(now.Add(r.Timeout))
		return l, true, nil
	}
	l, err = r.connect(ctx)
	return l, false, err
}

// keep puts a connection aside for the next message; after a refusal it is reset
// first.
func (r *Relay) keep(l *line, refused bool) {
	if l.sent++; l.sent >= mostPerLine || refused && l.Reset() != nil {
		_ = l.Quit()
		_ = l.Close()
		return
	}
	l.until = time.Now().Add(idleFor)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.idle = append(r.idle, l)
}

// Close ends the connections that wait.
func (r *Relay) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range r.idle {
		l.conn.Renew(time.Now().Add(time.Second))
		_ = l.Quit()
		_ = l.Close()
	}
	r.idle = nil
	return nil
}

// deliver names the recipient and hands the message over.
func (l *line) deliver(to string, msg []byte) (string, error) {
	if err := l.Rcpt(to, nil); err != nil {
		return "", err
	}
	w, err := l.Data()
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
	return "250 " + resp.StatusText, nil
}

// answered reports whether an error is the server's reply, after which the
// conversation goes on; 421 says that it does not.
func answered(err error) bool {
	e, ok := errors.AsType[*smtp.SMTPError](err)
	return ok && e.Code != 421
}

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

// Check signs in to the relay without sending anything.
func (r *Relay) Check(ctx context.Context) error {
	c, err := r.connect(ctx)
	if err != nil {
		return &fault.Error{Kind: fault.Unavailable, Msg: fmt.Sprintf("the mail server %s cannot be used", r.Addr),
			Hint: "Check mail.address, mail.tls, mail.username and mail.password_file.", Err: err}
	}
	return c.Quit()
}

// connect dials, secures and signs in. The whole conversation that follows must
// end within the relay's timeout: the connection's deadlines are capped.
func (r *Relay) connect(ctx context.Context) (*line, error) {
	end := time.Now().Add(r.Timeout)
	d := net.Dialer{Deadline: end}
	raw, err := d.DialContext(ctx, "tcp", r.Addr)
	if err != nil {
		return nil, err
	}
	conn := &netkit.Ending{Conn: raw, End: end}
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
	stop()
	return &line{Client: c, conn: conn}, nil
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

func (r *Relay) secure(conn *netkit.Ending) (*smtp.Client, error) {
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
	case Prefer:
		return r.prefer(conn, cfg)
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

// prefer starts TLS where the server offers it. The offer can be taken away by
// whoever sits in between: for relays that cannot do better only.
func (r *Relay) prefer(conn *netkit.Ending, cfg *tls.Config) (*smtp.Client, error) {
	c := smtp.NewClient(conn)
	c.CommandTimeout = r.Timeout
	if err := c.Hello(cmp.Or(r.Hello, "localhost")); err != nil {
		return nil, err
	}
	if ok, _ := c.Extension("STARTTLS"); !ok {
		return c, nil
	}
	_ = c.Quit()
	_ = c.Close()
	d := net.Dialer{Deadline: conn.End}
	raw, err := d.Dial("tcp", r.Addr)
	if err != nil {
		return nil, err
	}
	conn.Conn = raw
	return smtp.NewClientStartTLS(conn, cfg)
}

func (r *Relay) signIn(c *smtp.Client) error {
	c.CommandTimeout, c.SubmissionTimeout = r.Timeout, r.Timeout
	// Always greeted here: a greeting that goes wrong later would look as if the server
	// offered nothing. Under "prefer" a plain conversation was greeted before.
	if _, secure := c.TLSConnectionState(); secure || r.Security != Prefer {
		if err := c.Hello(cmp.Or(r.Hello, "localhost")); err != nil {
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
