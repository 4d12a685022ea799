// Package returns takes in what comes back at the return path of notices: delivery
// reports (RFC 3464), complaints (RFC 5965) and answers of people. It is never a
// relay: it knows the return addresses of notices and nothing else.
//
// It imports desk, which acts on what was read, and netkit. Package daemon runs it.
package returns

import (
	"cmp"
	"context"
	"crypto/tls"
	"io"
	"log"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/emersion/go-smtp"
	"golang.org/x/time/rate"

	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/netkit"
)

// Desk is what the server needs of the desk.
type Desk interface {
	Returned(ctx context.Context, linkID string, r desk.Return) error
}

// Options of a server.
type Options struct {
	Listen string
	Domain string                                      // right side of the return addresses
	Read   func(local string) (linkID string, ok bool) // of a return address
	Desk   Desk
	TLS    *tls.Config // offered as STARTTLS; nil: not
	Log    *slog.Logger
	Seen   func(desk.ReturnKind) // for the metrics; nil: nobody counts
	// Longest is how long one conversation may last; 0: five minutes.
	Longest time.Duration
}

// What one conversation, and one sender's address, may ask for.
const (
	mostBytes      = 512 << 10
	mostRecipients = 5
	mostAtATime    = 40
	mostPerHost    = 10
	perMinute      = 60
	patience       = 30 * time.Second
	longest        = 5 * time.Minute // of a conversation, however busy it keeps itself
)

// Server is the running listener.
type Server struct {
	opt      Options
	smtp     *smtp.Server
	listener net.Listener
	slots    chan struct{}
	mu       sync.Mutex
	senders  map[string]*rate.Limiter // by address of the other side
	talking  map[string]int           // conversations by address
	done     chan struct{}
}

// Start listens.
func Start(o Options) (*Server, error) {
	s := &Server{opt: o, slots: make(chan struct{}, mostAtATime), senders: map[string]*rate.Limiter{},
		talking: map[string]int{}, done: make(chan struct{})}
	l, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, &fault.Error{Op: "returns", Kind: fault.Unavailable, Msg: "the address for returned mail cannot be used",
			Hint: "Choose another returns.listen, or stop what listens there.", Err: err}
	}
	s.listener = l
	s.smtp = smtp.NewServer(s)
	s.smtp.Domain, s.smtp.TLSConfig = o.Domain, o.TLS
	s.smtp.MaxMessageBytes, s.smtp.MaxRecipients = mostBytes, mostRecipients
	s.smtp.ReadTimeout, s.smtp.WriteTimeout, s.smtp.MaxLineLength = patience, patience, 4000
	s.smtp.ErrorLog = log.New(io.Discard, "", 0) // strangers' broken conversations are no news
	go func() {
		defer close(s.done)
		_ = s.smtp.Serve(bounded{l, cmp.Or(o.Longest, longest)}) // ends with Close
	}()
	return s, nil
}

// bounded gives every conversation an end: whoever sends a byte now and then would
// else hold a place for ever.
type bounded struct {
	net.Listener
	longest time.Duration
}

// Accept returns the next conversation.
func (b bounded) Accept() (net.Conn, error) {
	c, err := b.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &netkit.Ending{Conn: c, End: time.Now().Add(b.longest)}, nil
}

// Addr returns host:port.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Close stops the server and waits for it.
func (s *Server) Close() error {
	err := s.smtp.Close()
	_ = s.listener.Close()
	<-s.done
	return err
}

var (
	errBusy = &smtp.SMTPError{Code: 421, EnhancedCode: smtp.EnhancedCode{4, 3, 2},
		Message: "too many conversations, come back later"}
	errRate = &smtp.SMTPError{Code: 450, EnhancedCode: smtp.EnhancedCode{4, 7, 1},
		Message: "too many messages from you, come back later"}
	errUnknown = &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such address here"}
	errStore   = &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0},
		Message: "cannot be taken down now, come back later"}
)

// NewSession begins a conversation; package smtp calls it.
func (s *Server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	host, _, err := net.SplitHostPort(c.Conn().RemoteAddr().String())
	if err != nil {
		host = c.Conn().RemoteAddr().String()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.slots) == cap(s.slots) || s.talking[host] >= mostPerHost {
		return nil, errBusy
	}
	s.slots <- struct{}{}
	s.talking[host]++
	return &session{server: s, host: host}, nil
}

// allow reports whether an address may send one more message.
func (s *Server) allow(host string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := s.senders[host]
	if l == nil {
		if len(s.senders) > 10_000 {
			clear(s.senders)
		}
		l = rate.NewLimiter(rate.Limit(perMinute)/60, perMinute)
		s.senders[host] = l
	}
	return l.Allow()
}

type session struct {
	server *Server
	host   string
	ids    []string
	null   bool // the sender is <>: a machine's
	ended  bool
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	s.null = from == ""
	if !s.server.allow(s.host) {
		return errRate
	}
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	at := strings.LastIndexByte(to, '@')
	if at < 0 || !strings.EqualFold(to[at+1:], s.server.opt.Domain) {
		return errUnknown
	}
	id, ok := s.server.opt.Read(to[:at])
	if !ok {
		return errUnknown
	}
	s.ids = append(s.ids, id)
	return nil
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	back := Read(raw)
	if s.null && back.Kind == desk.Replied {
		back.Kind = desk.Automatic
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for _, id := range s.ids {
		switch err := s.server.opt.Desk.Returned(ctx, id, back); {
		case fault.KindOf(err) == fault.NotFound: // the notice is gone: nothing to do
		case err != nil:
			s.server.opt.Log.Error("returned mail not recorded; its sender will try again", "err", err)
			return errStore
		}
		s.server.opt.Log.Info("returned mail recorded", "kind", string(back.Kind), "notice", id)
		if s.server.opt.Seen != nil {
			s.server.opt.Seen(back.Kind)
		}
	}
	return nil
}

func (s *session) Reset() { s.ids = nil }

func (s *session) Logout() error {
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	if !s.ended {
		s.ended = true
		<-s.server.slots
		if s.server.talking[s.host]--; s.server.talking[s.host] == 0 {
			delete(s.server.talking, s.host)
		}
	}
	return nil
}
