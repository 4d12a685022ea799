package store

import (
	"context"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

// Member is somebody who may sign in.
type Member struct {
	Account  string `db:"account_id"`
	Email    string `db:"email"`
	Name     string `db:"name"`
	Role     string `db:"role"`
	Password string `db:"password"` // encoded argon2id hash
	MadeAt   int64  `db:"created_at"`
}

const memberColumns = `account_id, email, name, role, password, created_at`

// MemberByEmail returns the member with an address, of whatever account.
func (tx *Tx) MemberByEmail(ctx context.Context, email string) (m Member, err error) {
	defer fail("store.MemberByEmail", &err)
	err = tx.get(ctx, &m, `SELECT `+memberColumns+` FROM member WHERE email = ?`, email)
	return m, err
}

// Members returns an account's members by address.
func (tx *Tx) Members(ctx context.Context, id coach.AccountID) (out []Member, err error) {
	defer fail("store.Members", &err)
	err = tx.list(ctx, &out, `SELECT `+memberColumns+` FROM member WHERE account_id = ? ORDER BY email`, id)
	return out, err
}

// CountMembers returns how many members an account has; "": all accounts.
func (tx *Tx) CountMembers(ctx context.Context, id coach.AccountID) (n int, err error) {
	defer fail("store.CountMembers", &err)
	err = tx.get(ctx, &n, `SELECT COUNT(*) FROM member WHERE account_id = ? OR ? = ''`, id, id)
	return n, err
}

// AddMember adds a member.
func (tx *Tx) AddMember(ctx context.Context, m Member) (err error) {
	defer fail("store.AddMember", &err)
	_, err = tx.exec(ctx, `INSERT INTO member (account_id, email, name, role, password, created_at) VALUES (?, ?, ?, ?, ?, ?)`, m.Account, m.Email, m.Name, m.Role, m.Password, micro(tx.now))
	if taken(err) {
		return fault.New(fault.Conflict, "this address belongs to a member of an account already",
			"Sign in with it, or give another address.")
	}
	return err
}

// SetMember changes a member's name, role and password.
func (tx *Tx) SetMember(ctx context.Context, m Member) (err error) {
	defer fail("store.SetMember", &err)
	_, err = tx.exec(ctx, `UPDATE member SET name = ?, role = ?, password = ? WHERE account_id = ? AND email = ?`, m.Name, m.Role, m.Password, m.Account, m.Email)
	return err
}

// DropMember removes a member with all sessions.
func (tx *Tx) DropMember(ctx context.Context, id coach.AccountID, email string) (_ bool, err error) {
	defer fail("store.DropMember", &err)
	n, err := tx.exec(ctx, `DELETE FROM member WHERE account_id = ? AND email = ?`, id, email)
	return n > 0, err
}

// OneTime is a link that works once.
type OneTime struct {
	Hash    string `db:"token_hash"`
	Kind    string `db:"kind"` // first, invite, reset
	Account string `db:"account_id"`
	Email   string `db:"email"`
	Role    string `db:"role"`
	MadeBy  string `db:"created_by"`
	UntilAt int64  `db:"expires_at"`
	UsedAt  *int64 `db:"used_at"`
}

const oneTimeColumns = `token_hash, kind, account_id, email, role, created_by, expires_at, used_at`

// AddOneTime keeps a link; an earlier unused one of the same kind and address ends.
func (tx *Tx) AddOneTime(ctx context.Context, o OneTime) (err error) {
	defer fail("store.AddOneTime", &err)
	// Links that ran out a month ago are removed in passing, those of all accounts, so that
	// the table does not grow.
	if _, err := tx.exec(ctx, `DELETE FROM one_time WHERE account_id = ? AND kind = ? AND email = ? AND used_at IS NULL OR expires_at < ?`, o.Account, o.Kind, o.Email, micro(tx.now)-30*24*3600*1e6); err != nil {
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO one_time (token_hash, kind, account_id, email, role, created_by, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?)`, o.Hash, o.Kind, o.Account, o.Email, o.Role, o.MadeBy, o.UntilAt)
	return err
}

// DropInvitations ends an account's open invitations of an address, or those that a
// member made.
func (tx *Tx) DropInvitations(ctx context.Context, id coach.AccountID, email, madeBy string) (n int64, err error) {
	defer fail("store.DropInvitations", &err)
	return tx.exec(ctx, `DELETE FROM one_time WHERE account_id = ? AND kind = 'invite' AND used_at IS NULL AND (email = ? OR created_by = ?)`, id, email, madeBy)
}

// OneTimeByHash returns an unused link that has not run out.
func (tx *Tx) OneTimeByHash(ctx context.Context, hash string) (o OneTime, err error) {
	defer fail("store.OneTimeByHash", &err)
	err = tx.get(ctx, &o, `SELECT `+oneTimeColumns+` FROM one_time WHERE token_hash = ? AND used_at IS NULL AND expires_at > ?`, hash, micro(tx.now))
	return o, err
}

// UseOneTime ends a link; it reports whether this call did it.
func (tx *Tx) UseOneTime(ctx context.Context, hash string) (_ bool, err error) {
	defer fail("store.UseOneTime", &err)
	n, err := tx.exec(ctx, `UPDATE one_time SET used_at = ? WHERE token_hash = ? AND used_at IS NULL`, micro(tx.now), hash)
	return n == 1, err
}

// Invitations returns an account's open invitations.
func (tx *Tx) Invitations(ctx context.Context, id coach.AccountID) (out []OneTime, err error) {
	defer fail("store.Invitations", &err)
	err = tx.list(ctx, &out, `SELECT `+oneTimeColumns+` FROM one_time WHERE account_id = ? AND kind = 'invite' AND used_at IS NULL AND expires_at > ? ORDER BY email`, id, micro(tx.now))
	return out, err
}

// Session is a browser that is signed in.
type Session struct {
	Hash    string `db:"token_hash"`
	Account string `db:"account_id"`
	Email   string `db:"email"`
	Agent   string `db:"agent"`
	MadeAt  int64  `db:"created_at"`
	SeenAt  int64  `db:"seen_at"`
	UntilAt int64  `db:"expires_at"`
}

const sessionColumns = `token_hash, account_id, email, agent, created_at, seen_at, expires_at`

// AddSession keeps a session and forgets those that ran out.
func (tx *Tx) AddSession(ctx context.Context, s Session) (err error) {
	defer fail("store.AddSession", &err)
	if _, err := tx.exec(ctx, `DELETE FROM session WHERE expires_at < ?`, micro(tx.now)); err != nil {
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO session (`+sessionColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?)`, s.Hash, s.Account,
		s.Email, s.Agent, micro(tx.now), micro(tx.now), s.UntilAt)
	return err
}

// SessionByHash returns a session that has not run out, with its member.
func (tx *Tx) SessionByHash(ctx context.Context, hash string) (s Session, m Member, err error) {
	defer fail("store.SessionByHash", &err)
	if err = tx.get(ctx, &s,
		`SELECT `+sessionColumns+` FROM session WHERE token_hash = ? AND expires_at > ?`, hash,
		micro(tx.now)); err != nil {
		return s, m, err
	}
	err = tx.get(ctx, &m, `SELECT `+memberColumns+` FROM member WHERE account_id = ? AND email = ?`,
		s.Account, s.Email)
	return s, m, err
}

// TouchSession notes that a session was used.
func (tx *Tx) TouchSession(ctx context.Context, hash string, until int64) (err error) {
	defer fail("store.TouchSession", &err)
	_, err = tx.exec(ctx, `UPDATE session SET seen_at = ?, expires_at = ? WHERE token_hash = ?`, micro(tx.now), until, hash)
	return err
}

// Sessions returns a member's sessions, the last used first.
func (tx *Tx) Sessions(ctx context.Context, id coach.AccountID, email string) (out []Session, err error) {
	defer fail("store.Sessions", &err)
	err = tx.list(ctx, &out, `SELECT `+sessionColumns+` FROM session WHERE account_id = ? AND email = ? AND expires_at > ? ORDER BY seen_at DESC, token_hash`, id, email, micro(tx.now))
	return out, err
}

// DropSessions ends a member's session that begins with a hash, or all of them but
// one when prefix is empty.
func (tx *Tx) DropSessions(ctx context.Context, id coach.AccountID, email, prefix, except string) (n int64, err error) {
	defer fail("store.DropSessions", &err)
	return tx.exec(ctx, `DELETE FROM session WHERE account_id = ? AND email = ? AND substr(token_hash, 1, ?) = ? AND token_hash <> ?`, id, email, len(prefix), prefix, except)
}

// APIToken is a key that a program of the account uses.
type APIToken struct {
	Account   string `db:"account_id"`
	ID        string `db:"token_id"`
	Hash      string `db:"token_hash"`
	Name      string `db:"name"`
	Scopes    string `db:"scopes"` // words parted by blanks
	MadeBy    string `db:"created_by"`
	MadeAt    int64  `db:"created_at"`
	UntilAt   int64  `db:"expires_at"`
	UsedAt    *int64 `db:"used_at"`
	RevokedAt *int64 `db:"revoked_at"`
}

const tokenColumns = `account_id, token_id, token_hash, name, scopes, created_by, created_at, expires_at, used_at, revoked_at`

// AddToken keeps an API token.
func (tx *Tx) AddToken(ctx context.Context, t APIToken) (err error) {
	defer fail("store.AddToken", &err)
	_, err = tx.exec(ctx, `INSERT INTO api_token (account_id, token_id, token_hash, name, scopes, created_by, created_at, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, t.Account, t.ID, t.Hash, t.Name, t.Scopes, t.MadeBy, micro(tx.now), t.UntilAt)
	return err
}

// Tokens returns an account's API tokens, newest first.
func (tx *Tx) Tokens(ctx context.Context, id coach.AccountID) (out []APIToken, err error) {
	defer fail("store.Tokens", &err)
	err = tx.list(ctx, &out, `SELECT `+tokenColumns+` FROM api_token WHERE account_id = ? ORDER BY created_at DESC, token_id`,
		id)
	return out, err
}

// TokenByHash returns an API token that works now.
func (tx *Tx) TokenByHash(ctx context.Context, hash string) (t APIToken, err error) {
	defer fail("store.TokenByHash", &err)
	err = tx.get(ctx, &t, `SELECT `+tokenColumns+` FROM api_token WHERE token_hash = ? AND revoked_at IS NULL AND expires_at > ?`, hash, micro(tx.now))
	return t, err
}

// TouchToken notes that an API token was used.
func (tx *Tx) TouchToken(ctx context.Context, hash string) (err error) {
	defer fail("store.TouchToken", &err)
	_, err = tx.exec(ctx, `UPDATE api_token SET used_at = ? WHERE token_hash = ?`, micro(tx.now), hash)
	return err
}

// RevokeToken ends an API token.
func (tx *Tx) RevokeToken(ctx context.Context, id coach.AccountID, tokenID string) (_ bool, err error) {
	defer fail("store.RevokeToken", &err)
	n, err := tx.exec(ctx, `UPDATE api_token SET revoked_at = ? WHERE account_id = ? AND token_id = ? AND revoked_at IS NULL`, micro(tx.now), id, tokenID)
	return n > 0, err
}

// RevokeTokensOf ends the API tokens that a member made; it returns how many.
func (tx *Tx) RevokeTokensOf(ctx context.Context, id coach.AccountID, email string) (n int64, err error) {
	defer fail("store.RevokeTokensOf", &err)
	return tx.exec(ctx, `UPDATE api_token SET revoked_at = ? WHERE account_id = ? AND created_by = ? AND revoked_at IS NULL`, micro(tx.now), id, email)
}

// AuditRow is one change that a person made.
type AuditRow struct {
	At      int64  `db:"at"`
	Ordinal int    `db:"ordinal"`
	Who     string `db:"who"`
	What    string `db:"what"`
	About   string `db:"about"`
	Detail  string `db:"detail"`
}

// AddAudit notes a change in the transaction that makes it.
func (tx *Tx) AddAudit(ctx context.Context, id coach.AccountID, who, what, about, detail string) (err error) {
	defer fail("store.AddAudit", &err)
	var n int
	if err := tx.get(ctx, &n, `SELECT COUNT(*) FROM audit WHERE account_id = ? AND at = ?`, id,
		micro(tx.now)); err != nil {
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO audit (account_id, at, ordinal, who, what, about, detail) VALUES (?, ?, ?, ?, ?, ?, ?)`, id, micro(tx.now), n, who, what, about, detail)
	return err
}

// Audits returns an account's changes before an instant, newest first.
func (tx *Tx) Audits(ctx context.Context, id coach.AccountID, before int64, most int) (out []AuditRow, err error) {
	defer fail("store.Audits", &err)
	err = tx.list(ctx, &out, `SELECT at, ordinal, who, what, about, detail FROM audit WHERE account_id = ? AND at < ? ORDER BY at DESC, ordinal DESC LIMIT ?`, id, before, most)
	return out, err
}

// SaveView keeps a member's view of the board under a name; an empty query forgets
// it.
func (tx *Tx) SaveView(ctx context.Context, id coach.AccountID, email, name, query string) (err error) {
	defer fail("store.SaveView", &err)
	if query == "" {
		_, err = tx.exec(ctx, `DELETE FROM saved_view WHERE account_id = ? AND email = ? AND name = ?`, id, email, name)
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO saved_view (account_id, email, name, query) VALUES (?, ?, ?, ?) ON CONFLICT (account_id, email, name) DO UPDATE SET query = excluded.query`, id, email, name, query)
	return err
}

// SavedView is a member's view of the board.
type SavedView struct {
	Name  string `db:"name"`
	Query string `db:"query"`
}

// SavedViews returns a member's views by name.
func (tx *Tx) SavedViews(ctx context.Context, id coach.AccountID, email string) (out []SavedView, err error) {
	defer fail("store.SavedViews", &err)
	err = tx.list(ctx, &out, `SELECT name, query FROM saved_view WHERE account_id = ? AND email = ? ORDER BY name`, id, email)
	return out, err
}
