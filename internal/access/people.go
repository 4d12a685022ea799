package access

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// People is what the page of people and keys shows.
type People struct {
	Members     []store.Member
	Invitations []store.OneTime
	Sessions    []store.Session // of who asks
	Tokens      []store.APIToken
	Mine        string // hash of the session that asks
}

// People returns the account's members and keys.
func (a *Access) People(ctx context.Context, w Who) (p People, err error) {
	p.Mine = w.session
	err = a.DB.View(ctx, func(tx *store.Tx) error {
		if p.Members, err = tx.Members(ctx, w.Account); err != nil {
			return err
		}
		if p.Sessions, err = tx.Sessions(ctx, w.Account, w.Email); err != nil {
			return err
		}
		if !w.Role.May(Manager) {
			return nil
		}
		if p.Invitations, err = tx.Invitations(ctx, w.Account); err != nil {
			return err
		}
		p.Tokens, err = tx.Tokens(ctx, w.Account)
		return err
	})
	return p, err
}

// needs refuses who may not.
func needs(w Who, r Role) error {
	if !w.Role.May(r) {
		return fault.New(fault.Denied, fmt.Sprintf("this is for a %s", r), "Ask a manager of the account.")
	}
	return nil
}

// Invite makes a link by which somebody joins the account, and mails it. The link is
// returned when no mail leaves.
func (a *Access) Invite(ctx context.Context, w Who, email string, role Role) (link string, err error) {
	if err := needs(w, Manager); err != nil {
		return "", err
	}
	if email, err = address(email); err != nil {
		return "", err
	}
	if !slices.Contains(Roles, role) {
		return "", fault.New(fault.Invalid, fmt.Sprintf("%q is not a role", role), "Choose manager, technician or viewer.")
	}
	err = a.DB.Update(ctx, func(tx *store.Tx) error {
		m, err := tx.MemberByEmail(ctx, email)
		if err == nil && m.Account == string(w.Account) {
			return fault.New(fault.Conflict, email+" is a member already", "Change the role in the list of members.")
		}
		elsewhere := err == nil
		if err != nil && fault.KindOf(err) != fault.NotFound {
			return err
		}
		secret, hash := token()
		link = a.Base + "/join/" + secret
		if err := tx.AddOneTime(ctx, store.OneTime{Hash: hash, Kind: "invite", Account: string(w.Account), Email: email,
			Role: string(role), MadeBy: w.Email, UntilAt: tx.Now().Add(inviteFor).UnixMicro()}); err != nil {
			return err
		}
		if err := tx.AddAudit(ctx, w.Account, w.Email, "invited", email, string(role)); err != nil {
			return err
		}
		if elsewhere { // told to the person alone: who is a member of another account is not for this one to know
			return a.post(ctx, tx, w.Account, email, "", "You are invited to Sealmanac",
				fmt.Sprintf("%s invites you as a %s.\n\nYou sign in to another account with this address, and one address "+
					"belongs to one account. To join, ask for an invitation at another address.\n", w.Email, role))
		}
		return a.post(ctx, tx, w.Account, email, "", "You are invited to Sealmanac",
			fmt.Sprintf("%s invites you as a %s.\n\nOpen this link within seven days and choose a password:\n\n  %s\n\nIf you "+
				"do not know what this is about, ignore it: nothing will change.\n", w.Email, role, link))
	})
	if a.Post != nil {
		link = ""
	}
	return link, err
}

func (a *Access) post(ctx context.Context, tx *store.Tx, id coach.AccountID, email, name, subject, text string) error {
	if a.Post == nil {
		return nil
	}
	acc, err := tx.Account(ctx, id, false)
	if err != nil {
		return err
	}
	return a.Post(ctx, tx, acc, email, name, subject, text)
}

// Join makes a member by an invitation.
func (a *Access) Join(ctx context.Context, secret, name, password string) (email string, err error) {
	o, err := a.Peek(ctx, secret, "invite")
	if err != nil {
		return "", err
	}
	hash, err := hashPassword(password, o.Email, name)
	if err != nil {
		return "", err
	}
	return email, a.DB.Update(ctx, func(tx *store.Tx) error {
		o, err := a.use(ctx, tx, secret, "invite")
		if err != nil {
			return err
		}
		email = o.Email
		if err := tx.AddMember(ctx, store.Member{Account: o.Account, Email: o.Email, Name: clip(strings.TrimSpace(name), 100),
			Role: o.Role, Password: hash}); err != nil {
			return err
		}
		return tx.AddAudit(ctx, coach.AccountID(o.Account), o.Email, "joined", o.Email, o.Role)
	})
}

// Forgot mails a link for a new password, if the address is a member's. It says the
// same either way.
func (a *Access) Forgot(ctx context.Context, email, host string) error {
	email = strings.ToLower(strings.TrimSpace(email))
	if len(email) > 254 {
		return nil
	}
	if !a.allow("forgot|"+network(host), 20) || !a.allow("mail|"+email, 3) {
		return errOften
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		m, err := tx.MemberByEmail(ctx, email)
		if fault.KindOf(err) == fault.NotFound {
			return nil
		}
		if err != nil {
			return err
		}
		secret, hash := token()
		if err := tx.AddOneTime(ctx, store.OneTime{Hash: hash, Kind: "reset", Account: m.Account, Email: m.Email,
			Role: m.Role, MadeBy: m.Email, UntilAt: tx.Now().Add(resetFor).UnixMicro()}); err != nil {
			return err
		}
		return a.post(ctx, tx, coach.AccountID(m.Account), m.Email, m.Name, "A new password for Sealmanac",
			fmt.Sprintf("Somebody asked for a new password for your account.\n\nOpen this link within an hour and choose "+
				"one:\n\n  %s\n\nIf it was not you, ignore this message: your password stays the same.\n", a.Base+"/reset/"+secret))
	})
}

// Reset gives a member a new password by the link of Forgot and ends all sessions.
func (a *Access) Reset(ctx context.Context, secret, password string) (email string, err error) {
	o, err := a.Peek(ctx, secret, "reset")
	if err != nil {
		return "", err
	}
	hash, err := hashPassword(password, o.Email)
	if err != nil {
		return "", err
	}
	return email, a.DB.Update(ctx, func(tx *store.Tx) error {
		o, err := a.use(ctx, tx, secret, "reset")
		if err != nil {
			return err
		}
		m, err := tx.MemberByEmail(ctx, o.Email)
		if err != nil {
			return err
		}
		email, m.Password = m.Email, hash
		if err := tx.SetMember(ctx, m); err != nil {
			return err
		}
		if _, err := tx.DropSessions(ctx, coach.AccountID(m.Account), m.Email, "", ""); err != nil {
			return err
		}
		return tx.AddAudit(ctx, coach.AccountID(m.Account), m.Email, "new password", m.Email, "")
	})
}

// ChangePassword gives who is there a new password, if the present one is right, and
// ends all their other sessions.
func (a *Access) ChangePassword(ctx context.Context, w Who, present, password string) error {
	if !a.allow("change|"+w.Email, perPair) {
		return errOften
	}
	var m store.Member
	err := a.DB.View(ctx, func(tx *store.Tx) (err error) {
		m, err = tx.MemberByEmail(ctx, w.Email)
		return err
	})
	if err != nil {
		return err
	}
	if m.Password == "" || !fits(present, m.Password) {
		return fault.New(fault.Denied, "the present password is not right",
			"Try again, or ask for a new password on the page for signing in.")
	}
	hash, err := hashPassword(password, m.Email, m.Name)
	if err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		m, err := tx.MemberByEmail(ctx, w.Email)
		if err != nil {
			return err
		}
		m.Password = hash
		if err := tx.SetMember(ctx, m); err != nil {
			return err
		}
		if _, err := tx.DropSessions(ctx, w.Account, w.Email, "", w.session); err != nil {
			return err
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "new password", w.Email, "")
	})
}

// endKeys ends the keys that a member made, who may make none any more.
func (a *Access) endKeys(ctx context.Context, tx *store.Tx, w Who, email string) error {
	n, err := tx.RevokeTokensOf(ctx, w.Account, email)
	if err != nil || n == 0 {
		return err
	}
	return tx.AddAudit(ctx, w.Account, w.Email, "ended keys", email, fmt.Sprint(n))
}

// SetRole changes what a member may do, and ends the keys of who is a manager no more.
// The last manager stays one.
func (a *Access) SetRole(ctx context.Context, w Who, email string, role Role) error {
	if err := needs(w, Manager); err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		m, err := a.other(ctx, tx, w, email, role != Manager)
		if err != nil {
			return err
		}
		if !slices.Contains(Roles, role) {
			return fault.New(fault.Invalid, fmt.Sprintf("%q is not a role", role), "Choose manager, technician or viewer.")
		}
		was := m.Role
		m.Role = string(role)
		if err := tx.SetMember(ctx, m); err != nil {
			return err
		}
		if role != Manager {
			if err := a.endKeys(ctx, tx, w, email); err != nil {
				return err
			}
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "changed role", email, was+" to "+string(role))
	})
}

// Remove takes a member out of the account, with all sessions, and ends the keys and
// the calendars that the member made: both are secrets that the member knows.
func (a *Access) Remove(ctx context.Context, w Who, email string) error {
	if err := needs(w, Manager); err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := a.other(ctx, tx, w, email, true); err != nil {
			return err
		}
		if _, err := tx.DropMember(ctx, w.Account, email); err != nil {
			return err
		}
		if _, err := tx.DropInvitations(ctx, w.Account, "", email); err != nil { // made by who is not trusted any more
			return err
		}
		if err := a.endKeys(ctx, tx, w, email); err != nil {
			return err
		}
		if n, err := tx.RevokeCalendarsOf(ctx, w.Account, email); err != nil {
			return err
		} else if n > 0 {
			if err := tx.AddAudit(ctx, w.Account, w.Email, "ended calendars", email, fmt.Sprint(n)); err != nil {
				return err
			}
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "removed", email, "")
	})
}

// Uninvite ends an open invitation.
func (a *Access) Uninvite(ctx context.Context, w Who, email string) error {
	if err := needs(w, Manager); err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		n, err := tx.DropInvitations(ctx, w.Account, email, "")
		if err == nil && n == 0 {
			err = fault.New(fault.NotFound, "there is no open invitation for "+email, "Go back to the list of people.")
		}
		if err != nil {
			return err
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "ended invitation", email, "")
	})
}

// other returns a member of the account; with leaves, it must not be the last
// manager.
func (a *Access) other(ctx context.Context, tx *store.Tx, w Who, email string, leaves bool) (store.Member, error) {
	if _, err := tx.Account(ctx, w.Account, true); err != nil { // two managers must not remove each other at once
		return store.Member{}, err
	}
	ms, err := tx.Members(ctx, w.Account)
	if err != nil {
		return store.Member{}, err
	}
	managers, k := 0, -1
	for i, m := range ms {
		if m.Role == string(Manager) {
			managers++
		}
		if m.Email == email {
			k = i
		}
	}
	switch {
	case k < 0:
		return store.Member{}, fault.New(fault.NotFound, fmt.Sprintf("%q is not a member here", email),
			"Go back to the list of people.")
	case leaves && managers == 1 && ms[k].Role == string(Manager):
		return store.Member{}, fault.New(fault.Conflict, email+" is the last manager", "Make somebody else a manager first.")
	}
	return ms[k], nil
}

// EndSession ends one of the caller's sessions by the beginning of its hash, or all
// others when prefix is empty.
func (a *Access) EndSession(ctx context.Context, w Who, prefix string) error {
	except := ""
	if prefix == "" {
		except = w.session
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.DropSessions(ctx, w.Account, w.Email, prefix, except); err != nil {
			return err
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "ended sessions", w.Email, "")
	})
}

// Scopes are what an API token may be allowed.
var Scopes = []string{"read", "write"}

// MakeToken makes an API token; its secret is shown once.
func (a *Access) MakeToken(
	ctx context.Context, w Who, name string, scopes []string, days int,
) (secret string, err error) {
	if err := needs(w, Manager); err != nil {
		return "", err
	}
	name = clip(strings.TrimSpace(name), 60)
	if name == "" || len(scopes) == 0 || days < 1 || days > 3650 || slices.ContainsFunc(scopes, func(s string) bool {
		return !slices.Contains(Scopes, s)
	}) {
		return "", fault.New(fault.Invalid, "the key needs a name, what it may do, and its days",
			"Name it after the program that uses it; read, write; 1 to 3650 days.")
	}
	secret, hash := token()
	secret = "slm_" + secret
	hash = hashOf(secret)
	return secret, a.DB.Update(ctx, func(tx *store.Tx) error {
		if err := tx.AddToken(ctx, store.APIToken{Account: string(w.Account), ID: hash[:8], Hash: hash, Name: name,
			Scopes: strings.Join(scopes, " "), MadeBy: w.Email,
			UntilAt: tx.Now().Add(time.Duration(days) * 24 * time.Hour).UnixMicro()}); err != nil {
			return err
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "made key", name, strings.Join(scopes, " "))
	})
}

// RevokeToken ends an API token.
func (a *Access) RevokeToken(ctx context.Context, w Who, tokenID string) error {
	if err := needs(w, Manager); err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		ok, err := tx.RevokeToken(ctx, w.Account, tokenID)
		if err == nil && !ok {
			return fault.New(fault.NotFound, "there is no such key", "Go back to the list of keys.")
		}
		if err != nil {
			return err
		}
		return tx.AddAudit(ctx, w.Account, w.Email, "ended key", tokenID, "")
	})
}

// Changes returns what people changed before an instant, newest first.
func (a *Access) Changes(ctx context.Context, w Who, before int64, most int) (out []store.AuditRow, err error) {
	err = a.DB.View(ctx, func(tx *store.Tx) error {
		out, err = tx.Audits(ctx, w.Account, before, most)
		return err
	})
	return out, err
}
