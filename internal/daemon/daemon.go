// Package daemon wires the parts together, runs them and takes them down again
// in reverse order. It converts settings into what each package needs.
//
// It may import everything below row 10; cli and demo call it.
package daemon

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/riverqueue/river"

	"sealmanac/internal/access"
	"sealmanac/internal/api"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/delivery"
	"sealmanac/internal/delivery/mail"
	"sealmanac/internal/desk"
	"sealmanac/internal/exposure"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/metrics"
	"sealmanac/internal/projection"
	"sealmanac/internal/returns"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/web"
	"sealmanac/internal/webhook"
	"sealmanac/internal/wording"
)

// Options are what a daemon is made of. Config, Rules, Tables and Log are
// required; the rest has a default.
type Options struct {
	Config  settings.Config
	Rules   *rulebook.Rulebook
	Tables  *climate.Tables
	Words   *wording.Catalogue // default: what Config names
	Log     *slog.Logger
	Channel delivery.Channel // default: the relay of Config
	Now     func() time.Time // default: the clock
	Poll    time.Duration    // how often the queue is looked at; default 1 s
	Look    time.Duration    // how often accounts and missed passes are looked at; default 10 s
	Wait    time.Duration    // how long a request waits for a pass to let it write; default 5 s
}

// Daemon is the running program.
type Daemon struct {
	opt      Options
	DB       *store.DB
	Desk     *desk.Desk
	Access   *access.Access
	tools    cycle.Tools
	own      ownRules
	river    *river.Client[*sql.Tx]
	feeds    *http.Client
	returns  *returns.Server            // nil: off
	asked    map[coach.AccountID]*asked // passes asked for; for keepSchedules alone
	passing  sync.Map                   // passes that run in this process, as passArgs of account and day
	orphans  map[string]seen            // for keepTakingOver alone
	registry *prometheus.Registry
	meters   *meters
	listener net.Listener
	ops      net.Listener // status and metrics; nil: off
	closers  []closer
}

type closer struct {
	name  string
	close func(context.Context) error
}

// onClose registers a teardown step right after the thing it tears down
// exists, so a failure half-way through New leaks nothing.
func (d *Daemon) onClose(name string, f func(context.Context) error) {
	d.closers = append(d.closers, closer{name, f})
}

// New opens the store, brings its schema forward and builds every part. Nothing
// runs yet.
func New(ctx context.Context, opt Options) (_ *Daemon, err error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Poll == 0 {
		opt.Poll = time.Second
	}
	if opt.Wait == 0 {
		opt.Wait = 5 * time.Second
	}
	if opt.Look == 0 {
		opt.Look = 10 * time.Second
	}
	if err := CheckKeys(opt.Config); err != nil {
		return nil, err
	}
	if opt.Words == nil {
		if opt.Words, err = Words(opt.Config.Words); err != nil {
			return nil, err
		}
	}
	if opt.Channel == nil {
		opt.Channel = Relay(opt.Config)
	}
	d := &Daemon{opt: opt, registry: metrics.New(), feeds: httpkit.Guarded(opt.Config.FeedsAllow, 20*time.Second),
		asked: map[coach.AccountID]*asked{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.Close(ctx))
		}
	}()
	if d.listener, err = d.listen("listener", "web.listen", opt.Config.Listen); err != nil {
		return nil, err
	}
	if opt.Config.OpsListen != "" {
		if d.ops, err = d.listen("ops listener", "ops.listen", opt.Config.OpsListen); err != nil {
			return nil, err
		}
	}
	if d.DB, err = OpenStore(opt.Config); err != nil {
		return nil, err
	}
	if c, ok := opt.Channel.(io.Closer); ok {
		d.onClose("mail", func(context.Context) error { return c.Close() })
	}
	d.DB.Now = opt.Now
	d.onClose("store", func(context.Context) error { return d.DB.Close() })
	if err := d.DB.Migrate(ctx); err != nil {
		return nil, err
	}
	signer := &desk.Signer{BaseURL: cmp.Or(opt.Config.PublicURL, "http://"+d.Addr())}
	err = d.DB.Update(ctx, func(tx *store.Tx) (err error) {
		signer.Key, err = tx.LinkKey(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	d.Desk = &desk.Desk{DB: d.DB, Signer: signer, Snooze: opt.Rules.Manners.SnoozeDays, Now: opt.Now, Enqueue: d.enqueue,
		Domain: opt.Config.Domain(), Words: opt.Words, Places: opt.Tables, ToolsFor: d.toolsOf, Replan: d.replan,
		HooksAllow: opt.Config.HooksAllow,
		Titles:     func(k coach.TaskKind) string { return opt.Rules.Tasks[k].Title }}
	d.Access = &access.Access{DB: d.DB, Base: signer.BaseURL, Post: d.Desk.Post, Key: signer.Key}
	d.onClose("access", func(context.Context) error { d.Access.Close(); return nil })
	if c := opt.Config; c.OIDCIssuer != "" {
		d.Access.OIDC = &access.OIDC{Issuer: c.OIDCIssuer, ClientID: c.OIDCClient, ClientSecret: string(c.OIDCSecret),
			Redirect: signer.BaseURL + "/enter/oidc/back"}
	}
	d.tools = Tools(opt.Rules, opt.Tables, opt.Config.Domain())
	d.tools.Links, d.tools.Words = signer, opt.Words
	if o, ok := opt.Channel.(*mail.Outlet); ok && opt.Config.ReturnsDomain != "" {
		for _, r := range o.Relays {
			r.Return = func(linkID string) string { return signer.ReturnPath(linkID) + "@" + opt.Config.ReturnsDomain }
		}
	}
	d.meters = newMeters(d.registry, d.DB)
	return d, d.buildRiver()
}

// OpenStore opens the database that a configuration names.
func OpenStore(c settings.Config) (*store.DB, error) {
	if c.StoreKind == "postgres" {
		return store.OpenPostgres(string(c.StoreDSN))
	}
	return store.OpenSQLite(c.StorePath)
}

// CheckKeys returns what is wrong with the keys that sign messages.
func CheckKeys(c settings.Config) error {
	for _, k := range c.DKIM {
		if _, err := mail.ParseKey(k.Domain, k.Selector, []byte(k.Key)); err != nil {
			return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("the key of dkim selector %s %v", k.Selector, err),
				Hint: "Make one with: openssl genpkey -algorithm ed25519, or -algorithm rsa -pkeyopt rsa_keygen_bits:2048."}
		}
	}
	return nil
}

// Records returns the DNS records that publish the keys that sign messages.
func Records(c settings.Config) (out []string) {
	for _, k := range c.DKIM {
		if key, err := mail.ParseKey(k.Domain, k.Selector, []byte(k.Key)); err == nil {
			name, text := key.Record()
			out = append(out, name+" TXT \""+text+"\"")
		}
	}
	return out
}

// Relay returns the mail channel that a configuration names.
func Relay(c settings.Config) *mail.Outlet {
	first := &mail.Relay{Addr: c.MailAddress, Security: mail.Security(c.MailTLS), Username: c.MailUser,
		Password: string(c.MailPassword)}
	o := &mail.Outlet{Relays: []*mail.Relay{first},
		Limits: mail.Limits{PerMinute: c.MailPerMinute, PerDomain: c.MailPerDomain, DomainPerMinute: c.MailDomainPerMinute}}
	if c.BackupAddress != "" {
		o.Relays = append(o.Relays, &mail.Relay{Addr: c.BackupAddress, Security: mail.Security(c.BackupTLS),
			Username: c.BackupUser, Password: string(c.BackupPassword)})
	}
	for _, r := range o.Relays {
		r.Hello, r.From, r.Timeout, r.Now = c.MailHello, c.MailFrom, c.MailTimeout, time.Now
		for _, k := range c.DKIM {
			if key, err := mail.ParseKey(k.Domain, k.Selector, []byte(k.Key)); err == nil { // checked by settings
				r.Keys = append(r.Keys, key)
			}
		}
	}
	return o
}

// Tools returns the unchanging parts of a pass, without links.
func Tools(r *rulebook.Rulebook, t *climate.Tables, domain string) cycle.Tools {
	return cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(t), Domain: domain}
}

// listen takes the address of a setting before anything is built, so that links know it
// even when the system picked the port.
func (d *Daemon) listen(name, setting, address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, &fault.Error{Op: "daemon", Kind: fault.Unavailable, Msg: "the address of " + setting + " cannot be used",
			Hint: "Choose another " + setting + ", or stop what listens there.", Err: err}
	}
	d.onClose(name, func(context.Context) error {
		if err := l.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})
	return l, nil
}

// serve answers on an address until the daemon closes; ending is told first.
func (d *Daemon) serve(name string, l net.Listener, h http.Handler, ending func()) {
	base, cut := context.WithCancel(context.Background())
	srv := httpkit.Server(h)
	srv.BaseContext = func(net.Listener) context.Context { return base }
	go func() {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			d.opt.Log.Error("a server stopped", "server", name, "err", err)
		}
	}()
	d.onClose(name, func(ctx context.Context) error {
		ending()
		defer cut()
		defer time.AfterFunc(finish, cut).Stop()
		return srv.Shutdown(ctx)
	})
}

// finish is how long requests may go on once the daemon ends. Those that wait for
// changes end at once; what still runs then is cut off and stores nothing.
const finish = 10 * time.Second

// Start serves the pages and lets the jobs run.
func (d *Daemon) Start(ctx context.Context) error {
	site := &web.Site{Desk: d.Desk, Access: d.Access, Log: d.opt.Log, Proxies: d.opt.Config.Proxies,
		Secure: strings.HasPrefix(d.opt.Config.PublicURL, "https://")}
	ending := make(chan struct{})
	d.serve("pages", d.listener, d.handler(site, ending), func() { close(ending) })
	if d.ops != nil {
		d.serve("ops", d.ops, d.opsHandler(site), func() {})
	}
	if c := d.opt.Config; c.ReturnsListen != "" {
		s, err := returns.Start(returns.Options{Listen: c.ReturnsListen, Domain: c.ReturnsDomain,
			Read: d.Desk.Signer.ReadReturnPath, Desk: d.Desk, Log: d.opt.Log,
			Seen: func(k desk.ReturnKind) { d.meters.returned.WithLabelValues(string(k)).Inc() }})
		if err != nil {
			return err
		}
		d.returns = s
		d.onClose("returned mail", func(context.Context) error { return s.Close() })
	}
	if err := d.river.Start(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("starting the jobs: %w", err)
	}
	d.onClose("jobs", d.river.Stop)
	loops, stop := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() {
		defer close(done)
		d.keepSchedules(loops)
	}()
	d.onClose("schedules", func(context.Context) error { stop(); <-done; return nil })
	over := make(chan struct{})
	go func() {
		defer close(over)
		d.keepTakingOver(loops)
	}()
	hooks := make(chan struct{})
	sender := &webhook.Sender{DB: d.DB, Client: httpkit.Guarded(d.opt.Config.HooksAllow, 20*time.Second),
		Source: d.Desk.Signer.BaseURL, Log: d.opt.Log, Look: d.opt.Poll, Tell: d.Desk.EndpointPaused,
		Seen: func(outcome string) { d.meters.hooks.WithLabelValues(outcome).Inc() }}
	go func() {
		defer close(hooks)
		sender.Run(loops)
	}()
	d.onClose("events", func(context.Context) error { stop(); <-hooks; return nil })
	d.onClose("takeover", func(context.Context) error { stop(); <-over; return nil })
	if link, err := d.Access.First(ctx, ""); err != nil {
		return err
	} else if link != "" {
		d.opt.Log.Info("nobody can sign in yet: open this link within seven days to make the first member", "link", link)
	}
	d.opt.Log.Info("daemon started", "pages", d.Addr(), "ops", d.OpsAddr(), "store", d.DB.Name())
	return nil
}

// Addr returns the address of the pages.
func (d *Daemon) Addr() string { return d.listener.Addr().String() }

// OpsAddr returns the address of status and metrics, or "" when they are off.
func (d *Daemon) OpsAddr() string {
	if d.ops == nil {
		return ""
	}
	return d.ops.Addr().String()
}

// Close undoes New and Start in reverse order: no new jobs, running ones end,
// pages close, then the store. Every step runs even if one fails.
func (d *Daemon) Close(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	var errs []error
	for _, c := range slices.Backward(d.closers) {
		if err := c.close(ctx); err != nil {
			errs = append(errs, fmt.Errorf("closing %s: %w", c.name, err))
		}
	}
	d.closers = nil
	return errors.Join(errs...)
}

// probes answers who asks whether the program lives and can work. It tells no more: the
// reason is in the log.
func (d *Daemon) probes(mux *http.ServeMux) {
	mux.HandleFunc("GET /livez", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
		defer cancel()
		if err := d.DB.Ready(ctx); err != nil {
			d.opt.Log.Warn("not ready", "err", err)
			http.Error(w, "not ready", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ok")
	})
}

// opsHandler serves the operator: status and metrics name accounts and count their work,
// so they have an address of their own.
func (d *Daemon) opsHandler(site *web.Site) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics.Handler(d.registry))
	d.probes(mux)
	mux.Handle("/", site.Ops())
	return httpkit.Wrap(mux, d.opt.Log)
}

// handler serves everybody.
func (d *Daemon) handler(site *web.Site, ending <-chan struct{}) http.Handler {
	mux := http.NewServeMux()
	d.probes(mux)
	programs := (&api.API{Desk: d.Desk, Access: d.Access, Log: d.opt.Log, Source: d.Desk.Signer.BaseURL,
		Origins: d.opt.Config.APIOrigins, Ending: ending}).Handler()
	mux.Handle(api.Root, programs)
	mux.Handle(api.Root+"/", programs)
	mux.Handle("/", site.Handler())
	h := httpkit.Wrap(mux, d.opt.Log)
	// A request must not wait for a pass until nobody reads its answer.
	bounded := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(store.Impatient(r.Context(), d.opt.Wait)))
	})
	if site.Secure {
		return httpkit.OverTLS(bounded)
	}
	return bounded
}
