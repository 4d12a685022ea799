package store

import (
	"context"
	"fmt"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

type accountRow struct {
	ID       string `db:"account_id"`
	Name     string `db:"name"`
	Postal   string `db:"postal"`
	Email    string `db:"email"`
	Phone    string `db:"phone"`
	Zone     string `db:"zone"`
	Language string `db:"language"`
}

func (r accountRow) account() coach.Account {
	return coach.Account{ID: coach.AccountID(r.ID), Name: r.Name, Postal: r.Postal, Email: r.Email, Phone: r.Phone,
		Zone: r.Zone, Language: r.Language}
}

// SaveAccount adds an account or changes what it says of itself.
func (tx *Tx) SaveAccount(ctx context.Context, a coach.Account) (err error) {
	defer fail("store.SaveAccount", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO account (account_id, name, postal, email, phone, zone, language, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id) DO UPDATE SET name = excluded.name, postal = excluded.postal,
			email = excluded.email, phone = excluded.phone, zone = excluded.zone, language = excluded.language`,
		a.ID, a.Name, a.Postal, a.Email, a.Phone, a.Zone, a.Language, micro(tx.now))
	return err
}

// Accounts returns all accounts by name.
func (tx *Tx) Accounts(ctx context.Context) (out []coach.Account, err error) {
	defer fail("store.Accounts", &err)
	var rows []accountRow
	err = tx.list(ctx, &rows, `SELECT account_id, name, postal, email, phone, zone, language FROM account ORDER BY account_id`)
	for _, r := range rows {
		out = append(out, r.account())
	}
	return out, err
}

// Account returns one account. With lock, other transactions that lock it wait until this
// one ends, as a pass does; rows that only refer to the account do not wait. Lock before
// anything else is read or locked: DB.Update says why.
func (tx *Tx) Account(ctx context.Context, id coach.AccountID, lock bool) (_ coach.Account, err error) {
	defer fail("store.Account", &err)
	q := `SELECT account_id, name, postal, email, phone, zone, language FROM account WHERE account_id = ?`
	if lock {
		q += tx.d.lock
	}
	var r accountRow
	if err := tx.get(ctx, &r, q, id); err != nil {
		if kindOf(err) == fault.NotFound {
			return coach.Account{}, fault.New(fault.NotFound, fmt.Sprintf("there is no account %q", id),
				"Import a coach file with a shop: block first.")
		}
		return coach.Account{}, err
	}
	return r.account(), nil
}

// Locked reports whether another transaction holds an account's lock, as a pass does from
// its beginning to its end. SQLite has one writer, and whoever asks this is it.
func (tx *Tx) Locked(ctx context.Context, id coach.AccountID) (_ bool, err error) {
	defer fail("store.Locked", &err)
	if tx.d.lock == "" {
		return false, nil
	}
	var free []string
	err = tx.list(ctx, &free, `SELECT account_id FROM account WHERE account_id = ?`+tx.d.lock+` SKIP LOCKED`, id)
	return len(free) == 0, err
}

// Coaches returns an account's coaches by short name, with what people sent in besides
// their documents: bookings, readings, that they were sold, and services.
func (tx *Tx) Coaches(ctx context.Context, id coach.AccountID) (out []coach.Coach, err error) {
	defer fail("store.Coaches", &err)
	var docs []string
	if err := tx.list(ctx, &docs, `SELECT doc FROM coach WHERE account_id = ? ORDER BY coach_id`, id); err != nil {
		return nil, err
	}
	at := map[coach.ID]int{}
	out = make([]coach.Coach, len(docs))
	for i, d := range docs {
		if err := decode(d, &out[i]); err != nil {
			return nil, err
		}
		at[out[i].ID] = i
	}
	return out, tx.merge(ctx, scope{id, ""}, out, at)
}

// merge adds what people sent in, besides the documents. It stands in tables of its own, so
// that a coach that is imported again loses none of it.
func (tx *Tx) merge(ctx context.Context, in scope, cs []coach.Coach, at map[coach.ID]int) error {
	type add func(context.Context, scope, []coach.Coach, map[coach.ID]int) error
	for _, add := range []add{tx.mergeBookings, tx.mergeReadings, tx.mergeSold, tx.mergeServices} {
		if err := add(ctx, in, cs, at); err != nil {
			return err
		}
	}
	return nil
}

// scope is an account, or one coach of it.
type scope struct {
	account coach.AccountID
	coach   coach.ID // "": all
}

// where returns the condition and its values.
func (s scope) where() (string, []any) {
	if s.coach == "" {
		return "account_id = ?", []any{s.account}
	}
	return "account_id = ? AND coach_id = ?", []any{s.account, s.coach}
}

// CoachDoc returns one coach as its document stands, without what people sent in
// since, and the document's version: the instant of its last change.
func (tx *Tx) CoachDoc(
	ctx context.Context, id coach.AccountID, c coach.ID,
) (out coach.Coach, version int64, err error) {
	defer fail("store.CoachDoc", &err)
	var row struct {
		Doc     string `db:"doc"`
		Changed int64  `db:"changed_at"`
	}
	if err := tx.get(ctx, &row, `SELECT doc, changed_at FROM coach WHERE account_id = ? AND coach_id = ?`, id, c); err != nil {
		if kindOf(err) == fault.NotFound {
			return out, 0, fault.New(fault.NotFound, fmt.Sprintf("there is no coach %q here", c),
				"Go back to the list of coaches.")
		}
		return out, 0, err
	}
	return out, row.Changed, decode(row.Doc, &out)
}

// FeedCoaches returns the coaches of an account that name a booking feed, as their
// documents stand; a pass asks for them each night and most accounts have none.
func (tx *Tx) FeedCoaches(ctx context.Context, id coach.AccountID) (out []coach.Coach, err error) {
	defer fail("store.FeedCoaches", &err)
	var docs []string
	if err := tx.list(ctx, &docs, `SELECT doc FROM coach WHERE account_id = ? AND feed <> '' ORDER BY coach_id`, id); err != nil {
		return nil, err
	}
	out = make([]coach.Coach, len(docs))
	for i, d := range docs {
		if err := decode(d, &out[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

type serviceRow struct {
	Coach string `db:"coach_id"`
	Day   string `db:"day"`
	Kind  string `db:"kind"`
	Slide string `db:"slide"`
	Run   string `db:"run"`
	By    string `db:"recorded_by"`
	Note  string `db:"note"`
}

func (tx *Tx) mergeServices(ctx context.Context, in scope, cs []coach.Coach, at map[coach.ID]int) error {
	var rows []serviceRow
	where, args := in.where()
	err := tx.list(ctx, &rows, `SELECT coach_id, day, kind, slide, run, recorded_by, note FROM service WHERE `+where+` ORDER BY coach_id, day, kind, slide, run`, args...)
	if err != nil {
		return err
	}
	for _, r := range rows {
		day, err := civil.Parse(r.Day)
		if err != nil {
			return err
		}
		if i, ok := at[coach.ID(r.Coach)]; ok {
			cs[i].Services = append(cs[i].Services, coach.Service{Day: day, Kind: coach.TaskKind(r.Kind),
				Slide: coach.SlideID(r.Slide), Run: r.Run, By: r.By, Note: r.Note})
		}
	}
	return nil
}

// AddService records that something was done. Saying it twice changes
// nothing; another note of the same day is added to the first. A note is on record when
// it stands there whole, between semicolons.
func (tx *Tx) AddService(ctx context.Context, id coach.AccountID, c coach.ID, s coach.Service) (err error) {
	defer fail("store.AddService", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO service (account_id, coach_id, day, kind, slide, run, recorded_by, note, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, day, kind, slide, run) DO UPDATE
			SET note = CASE WHEN service.note = '' THEN excluded.note ELSE service.note || '; ' || excluded.note END
			WHERE excluded.note <> '' AND `+tx.d.position+`('; ' || service.note || ';', '; ' || excluded.note || ';') = 0`,
		id, c, s.Day.String(), s.Kind, s.Slide, s.Run, s.By, s.Note, micro(tx.now))
	return err
}

// LotPart is a part found by its lot.
type LotPart struct {
	Coach  string `db:"coach_id"`
	Run    string `db:"run"`
	Part   string `db:"part"`
	Fitted string `db:"fitted"`
}

// lotIs is the condition for a lot. The index holds the known lots only.
func lotIs(lot string) string {
	if lot == coach.UnknownLot {
		return "lot = ?"
	}
	return "lot = ? AND lot <> '" + coach.UnknownLot + "'"
}

// PartsOfLot returns the parts of an account that carry a lot.
func (tx *Tx) PartsOfLot(ctx context.Context, id coach.AccountID, lot string) (out []LotPart, err error) {
	defer fail("store.PartsOfLot", &err)
	err = tx.list(ctx, &out, `SELECT coach_id, run, part, fitted FROM part WHERE account_id = ? AND `+lotIs(lot)+` ORDER BY coach_id, run, part`, id, lot)
	return out, err
}
