// Package access is who may do what: members with roles, passwords, invitations,
// sessions, API tokens and the list of changes. Every page and every call of the API
// asks it who is there; the account comes from its answer and never from a request.
//
// It imports store, coach and fault. Packages web and daemon call it.
package access

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/httpkit"
	"sealmanac/internal/store"
)

// Role is what a member may do.
type Role string

// The roles. Each may do what those after it may.
const (
	Manager    Role = "manager"    // people, rules, notices, everything
	Technician Role = "technician" // records and books
	Viewer     Role = "viewer"     // reads
)

// Roles lists them from the most to the least.
var Roles = []Role{Manager, Technician, Viewer}

// May reports whether a role may do what another one may.
func (r Role) May(needs Role) bool {
	have, need := slices.Index(Roles, r), slices.Index(Roles, needs)
	return have >= 0 && have <= need
}

// OneTime is a link that works once.
type OneTime = store.OneTime

// Who is somebody who was recognised.
type Who struct {
	Account coach.AccountID
	Email   string // or the name of an API token
	Name    string
	Role    Role
	session string   // hash of the session's token
	token   string   // hash of an API token
	scopes  []string // of an API token
}

// Scoped reports whether an API token has a scope; people have all their role
// allows.
func (w Who) Scoped(scope string) bool {
	return w.session != "" || slices.Contains(w.scopes, scope)
}

// How long things last.
const (
	sessionFor = 14 * 24 * time.Hour // since it was used last
	atMost     = 30 * 24 * time.Hour // since it began
	inviteFor  = 7 * 24 * time.Hour
	resetFor   = time.Hour
	touchEvery = 5 * time.Minute
)

// Post sends a mail of the account to somebody, in the transaction.
type Post func(ctx context.Context, tx *store.Tx, account coach.Account, email, name, subject, text string) error

// Access answers who may do what.
type Access struct {
	DB   *store.DB
	Base string // address of the pages, without a slash at the end
	Post Post   // nil: links are shown instead of mailed
	OIDC *OIDC  // nil: passwords only

	noting atomic.Bool // the use of a token is being noted
	notes  sync.WaitGroup
	Key    []byte // seals what known browsers keep; nil: none is known

	tries httpkit.Limits
}

var (
	errEnter = fault.New(fault.Denied, "that address and password do not fit", "Try again, or ask for a new password.")
	errOften = fault.New(fault.Denied, "too many tries", "Wait some minutes, or ask for a new password.")
	errUsed  = fault.New(fault.NotFound, "this link was used or has run out", "Ask for a new one.")
	errGone  = fault.New(fault.Denied, "you are not signed in", "Sign in again.")
)

// token returns a fresh secret and the hash under which it is kept.
func token() (secret, hash string) {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails
	secret = base64.RawURLEncoding.EncodeToString(b)
	return secret, hashOf(secret)
}

// hashOf is how tokens are kept. They are 256 random bits: a plain hash is enough,
// and finding one by its hash tells nothing by its time.
func hashOf(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// First returns the link that makes the first member of an account, or "" when it has
// members already; id "" is whatever account there is, or the first one, as long as
// nobody can sign in at all. Each call ends the link before.
func (a *Access) First(ctx context.Context, id coach.AccountID) (link string, err error) {
	err = a.DB.Update(ctx, func(tx *store.Tx) error {
		if id != "" {
			if _, err := tx.Account(ctx, id, false); err != nil {
				return err
			}
		}
		n, err := tx.CountMembers(ctx, id)
		if err != nil || n > 0 {
			return err
		}
		secret, hash := token()
		link = a.Base + "/first/" + secret
		return tx.AddOneTime(ctx, store.OneTime{Hash: hash, Kind: "first", Account: string(id), MadeBy: "the log",
			Role: string(Manager), UntilAt: tx.Now().Add(inviteFor).UnixMicro()})
	})
	return link, err
}

// Empty reports whether nobody can sign in yet.
func (a *Access) Empty(ctx context.Context) (empty bool, err error) {
	err = a.DB.View(ctx, func(tx *store.Tx) error {
		n, err := tx.CountMembers(ctx, "")
		empty = n == 0
		return err
	})
	return empty, err
}

// Setup makes the first member of an account by the link of First. The account is
// made when there is none.
func (a *Access) Setup(ctx context.Context, secret string, shop coach.Account, name, email, password string) error {
	email, err := address(email)
	if err != nil {
		return err
	}
	o, err := a.Peek(ctx, secret, "first") // hashing is dear: not for anybody
	if err != nil {
		return err
	}
	hash, err := hashPassword(password, email, name, shop.Name)
	if err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		if n, err := tx.CountMembers(ctx, coach.AccountID(o.Account)); err != nil || n > 0 {
			return cmp.Or(err, error(errUsed))
		}
		if _, err := a.use(ctx, tx, secret, "first"); err != nil {
			return err
		}
		as, err := tx.Accounts(ctx)
		if err != nil {
			return err
		}
		switch {
		case o.Account != "":
			shop.ID = coach.AccountID(o.Account)
		case len(as) > 0: // imported before: its own words stay
			shop.ID = as[0].ID
		default:
			if strings.TrimSpace(shop.Name) == "" || strings.TrimSpace(shop.Postal) == "" {
				return fault.New(fault.Invalid, "the shop's name or its postal address is missing", "Both stand in every reminder.")
			}
			shop.ID = "main"
			if err := tx.SaveAccount(ctx, shop); err != nil {
				return err
			}
		}
		if err := tx.AddMember(ctx, store.Member{Account: string(shop.ID), Email: email, Name: strings.TrimSpace(name),
			Role: string(Manager), Password: hash}); err != nil {
			return err
		}
		return tx.AddAudit(ctx, shop.ID, email, "first member", email, "")
	})
}

// use ends a one-time link of a kind and returns it.
func (a *Access) use(ctx context.Context, tx *store.Tx, secret, kind string) (store.OneTime, error) {
	o, err := tx.OneTimeByHash(ctx, hashOf(secret))
	if fault.KindOf(err) == fault.NotFound || err == nil && o.Kind != kind {
		return o, errUsed
	}
	if err != nil {
		return o, err
	}
	ok, err := tx.UseOneTime(ctx, o.Hash)
	if err == nil && !ok {
		err = errUsed
	}
	return o, err
}

// Peek returns what a one-time link is for, without using it.
func (a *Access) Peek(ctx context.Context, secret, kind string) (o store.OneTime, err error) {
	err = a.DB.View(ctx, func(tx *store.Tx) error {
		if o, err = tx.OneTimeByHash(ctx, hashOf(secret)); fault.KindOf(err) == fault.NotFound || err == nil &&
			o.Kind != kind {
			return errUsed
		}
		return err
	})
	return o, err
}

// Enter signs somebody in and returns the session's secret. Wrong addresses and wrong
// passwords take the same time and say the same. kept is what Remember gave this
// browser, or "".
func (a *Access) Enter(ctx context.Context, email, password, host, agent, kept string) (secret string, err error) {
	email = strings.ToLower(strings.TrimSpace(email))
	if len(email) > 254 {
		return "", errEnter
	}
	if !a.mayTry(email, host, kept) {
		return "", errOften
	}
	var m store.Member
	err = a.DB.View(ctx, func(tx *store.Tx) (err error) {
		m, err = tx.MemberByEmail(ctx, email)
		return err
	})
	if err != nil && fault.KindOf(err) != fault.NotFound {
		return "", err
	}
	if !fits(password, cmp.Or(m.Password, nobody)) || m.Password == "" {
		return "", errEnter
	}
	return secret, a.DB.Update(ctx, func(tx *store.Tx) error {
		var hash string
		secret, hash = token()
		return tx.AddSession(ctx, store.Session{Hash: hash, Account: m.Account, Email: m.Email, Agent: clip(agent, 200),
			UntilAt: tx.Now().Add(sessionFor).UnixMicro()})
	})
}

// Session returns who has a session's secret.
func (a *Access) Session(ctx context.Context, secret string) (w Who, err error) {
	if secret == "" {
		return w, errGone
	}
	var s store.Session
	var m store.Member
	now := int64(0)
	err = a.DB.View(ctx, func(tx *store.Tx) (err error) {
		now = tx.Now().UnixMicro()
		s, m, err = tx.SessionByHash(ctx, hashOf(secret))
		return err
	})
	end := s.MadeAt + atMost.Microseconds()
	if fault.KindOf(err) == fault.NotFound || err == nil && now >= end {
		return w, errGone
	}
	if err != nil {
		return w, err
	}
	if now-s.SeenAt > touchEvery.Microseconds() {
		err = a.DB.Update(ctx, func(tx *store.Tx) error {
			return tx.TouchSession(ctx, s.Hash, min(end, tx.Now().Add(sessionFor).UnixMicro()))
		})
	}
	return Who{Account: coach.AccountID(m.Account), Email: m.Email, Name: m.Name, Role: Role(m.Role), session: s.Hash}, err
}

// Leave ends the session of who is there.
func (a *Access) Leave(ctx context.Context, w Who) error {
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		_, err := tx.DropSessions(ctx, w.Account, w.Email, w.session, "")
		return err
	})
}

// Bearer returns who an API token stands for.
func (a *Access) Bearer(ctx context.Context, secret string) (w Who, err error) {
	hash := hashOf(secret)
	w, noted, err := a.bearer(ctx, hash)
	if err != nil {
		return Who{}, err
	}
	if !noted {
		a.noteUse(ctx, hash)
	}
	return w, nil
}

// Still fails as Bearer does when the API token by which somebody came has ended since.
func (a *Access) Still(ctx context.Context, w Who) error {
	_, _, err := a.bearer(ctx, w.token)
	return err
}

// bearer returns who an API token stands for, and whether its use was noted lately.
func (a *Access) bearer(ctx context.Context, hash string) (w Who, noted bool, err error) {
	err = a.DB.View(ctx, func(tx *store.Tx) error {
		t, err := tx.TokenByHash(ctx, hash)
		if fault.KindOf(err) == fault.NotFound {
			return fault.New(fault.Denied, "this token does not work", "Make a new one on the page of people and keys.")
		}
		w = Who{Account: coach.AccountID(t.Account), Email: "token " + t.ID, Name: t.Name, Role: Technician,
			token: hash, scopes: strings.Fields(t.Scopes)}
		noted = t.UsedAt != nil && tx.Now().UnixMicro()-*t.UsedAt < touchEvery.Microseconds()
		return err
	})
	return w, noted, err
}

// noteUse notes that a token was used, without making its request wait: on SQLite the
// note stands in line behind whoever writes. One is noted at a time; the next request
// notes what was left out.
func (a *Access) noteUse(ctx context.Context, hash string) {
	if !a.noting.CompareAndSwap(false, true) {
		return
	}
	ctx = context.WithoutCancel(ctx)
	a.notes.Go(func() {
		defer a.noting.Store(false)
		// When this fails, the next request tries again.
		_ = a.DB.Update(ctx, func(tx *store.Tx) error { return tx.TouchToken(ctx, hash) })
	})
}

// Close waits until what is being noted is written.
func (a *Access) Close() { a.notes.Wait() }

func address(s string) (string, error) {
	s = strings.ToLower(strings.TrimSpace(s))
	p, err := mail.ParseAddress(s)
	if err != nil || p.Address != s || len(s) > 254 {
		return "", fault.New(fault.Invalid, fmt.Sprintf("%q is not an e-mail address", s),
			"Write one address such as name@example.org.")
	}
	return s, nil
}

func clip(s string, n int) string {
	s = strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s), "")
	if r := []rune(s); len(r) > n {
		return string(r[:n])
	}
	return s
}
