// Package mailbox is a mail server for the demo and for tests: it takes every
// message on the loopback interface, keeps it in memory and never passes it on.
//
// It imports nothing of ours. Package demo shows its messages on a page; tests
// of delivery and daemon read them back and make it misbehave.
package mailbox

import (
	"bytes"
	"crypto/tls"
	"errors"
	"io"
	"log"
	"net"
	"sync"
	"time"

	"github.com/emersion/go-message/mail"
	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// Message is one message as it arrived.
type Message struct {
	From, To string // envelope
	Header   mail.Header
	Subject  string
	Text     string
	HTML     string
	Raw      []byte
	TLS      bool
	User     string // who signed in; "" for nobody
}

// Options make the server behave like others do. The zero value takes everything
// without TLS or login.
type Options struct {
	TLS      *tls.Config // offers STARTTLS
	Implicit bool        // TLS from the first byte
	Users    map[string]string
	Refuse   func(to string) error // asked at RCPT; an *smtp.SMTPError is the reply
	Delay    time.Duration         // before the answer to DATA
}

// Mailbox is the running server.
type Mailbox struct {
	opt      Options
	server   *smtp.Server
	listener net.Listener
	addr     string
	mu       sync.Mutex
	messages []Message
	done     chan struct{}
}

// Start listens on a free loopback port.
func Start(opt Options) (*Mailbox, error) {
	m := &Mailbox{opt: opt, done: make(chan struct{})}
	m.server = smtp.NewServer(m)
	m.server.Domain = "localhost"
	m.server.ErrorLog = log.New(io.Discard, "", 0) // clients that hang up are no news here
	m.server.MaxMessageBytes, m.server.MaxRecipients = 10<<20, 50
	m.server.ReadTimeout, m.server.WriteTimeout = 30*time.Second, 30*time.Second
	m.server.AllowInsecureAuth = opt.TLS == nil
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	m.listener, m.addr = l, l.Addr().String()
	if opt.Implicit {
		l = tls.NewListener(l, opt.TLS)
	} else {
		m.server.TLSConfig = opt.TLS
	}
	go func() {
		defer close(m.done)
		_ = m.server.Serve(l) // ends with Close
	}()
	return m, nil
}

// Addr returns host:port.
func (m *Mailbox) Addr() string { return m.addr }

// Close stops the server and waits for it.
func (m *Mailbox) Close() error {
	err := m.server.Close()
	_ = m.listener.Close() // the server does not know it yet when it was just started
	<-m.done
	return err
}

// Messages returns what has arrived, in order.
func (m *Mailbox) Messages() []Message {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]Message(nil), m.messages...)
}

// NewSession begins a conversation; package smtp calls it.
func (m *Mailbox) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, secure := c.TLSConnectionState()
	return &session{box: m, tls: secure}, nil
}

type session struct {
	box      *Mailbox
	tls      bool
	user     string
	from, to string
}

func (s *session) AuthMechanisms() []string {
	if s.box.opt.Users == nil {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if want, ok := s.box.opt.Users[user]; !ok || want != password {
			return smtp.ErrAuthFailed
		}
		s.user = user
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if s.box.opt.Users != nil && s.user == "" {
		return smtp.ErrAuthRequired
	}
	s.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if s.box.opt.Refuse != nil {
		if err := s.box.opt.Refuse(to); err != nil {
			return err
		}
	}
	s.to = to
	return nil
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	time.Sleep(s.box.opt.Delay)
	msg := Message{From: s.from, To: s.to, Raw: raw, TLS: s.tls, User: s.user}
	if err := msg.parse(); err != nil {
		return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "not a message: " + err.Error()}
	}
	s.box.mu.Lock()
	s.box.messages = append(s.box.messages, msg)
	s.box.mu.Unlock()
	return nil
}

func (s *session) Reset()        { s.from, s.to = "", "" }
func (s *session) Logout() error { return nil }

func (m *Message) parse() error {
	r, err := mail.CreateReader(bytes.NewReader(m.Raw))
	if err != nil {
		return err
	}
	m.Header = r.Header
	m.Subject, _ = r.Header.Subject()
	for {
		p, err := r.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		body, err := io.ReadAll(p.Body)
		if err != nil {
			return err
		}
		if h, ok := p.Header.(*mail.InlineHeader); ok {
			switch kind, _, _ := h.ContentType(); kind {
			case "text/plain":
				m.Text = string(body)
			case "text/html":
				m.HTML = string(body)
			}
		}
	}
}
