package desk

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// PageSize is how many coaches a page of the board shows.
const PageSize = 50

// Risky is the chance of need before the opening from which a coach counts as at
// risk (our default: one in four).
const Risky = 0.25

// BoardPage is a page of the board.
type BoardPage struct {
	Account  coach.Account
	Today    string
	Rows     []store.BoardRow
	Total    int // that fit the filter
	Page     int // from 1
	Pages    int
	Counts   map[string]int // by state, of all coaches
	Coaches  int            // all
	Openings []store.Opening
	Places   []string
	Views    []store.SavedView
	Last     *store.PassRow // nil: no pass was made
	Quiet    bool           // paused: no reminder leaves
	Held     []store.Held   // what waits for a decision
}

// Board returns a page of an account's coaches, ordered by risk before opening unless
// the filter says otherwise.
func (d *Desk) Board(
	ctx context.Context, id coach.AccountID, member string, f store.BoardFilter, page int,
) (b BoardPage, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if b.Account, err = tx.Account(ctx, id, false); err != nil {
			return err
		}
		if b.Quiet, err = tx.Quiet(ctx, id); err != nil {
			return err
		}
		if b.Held, err = tx.Held(ctx, id); err != nil {
			return err
		}
		today := d.today(b.Account)
		b.Today = today.String()
		b.Page = max(1, page)
		if b.Rows, b.Total, err = tx.Board(ctx, id, f, (b.Page-1)*PageSize, PageSize); err != nil {
			return err
		}
		b.Pages = max(1, (b.Total+PageSize-1)/PageSize)
		if b.Counts, err = tx.BoardCounts(ctx, id); err != nil {
			return err
		}
		for _, n := range b.Counts {
			b.Coaches += n
		}
		if b.Openings, err = tx.Openings(ctx, id, b.Today, today.Add(183).String(), Risky); err != nil {
			return err
		}
		if b.Places, err = tx.BoardPlaces(ctx, id); err != nil {
			return err
		}
		if b.Views, err = tx.SavedViews(ctx, id, member); err != nil {
			return err
		}
		b.Last, err = tx.LastPass(ctx, id)
		return err
	})
	return b, err
}

// Today returns the account's day.
func (d *Desk) Today(ctx context.Context, id coach.AccountID) (day civil.Date, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		day = d.today(a)
		return err
	})
	return day, err
}

// SaveView keeps a member's view of the board; an empty query forgets it.
func (d *Desk) SaveView(ctx context.Context, id coach.AccountID, member, name, query string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		return tx.SaveView(ctx, id, member, oneLine(name, 60), oneLine(query, 1000))
	})
}

// SeasonPage is what the last pass planned.
type SeasonPage struct {
	cycle.KeptPlan
	Account coach.Account
	Today   string
	Visits  []season.Visit
	Pins    []coach.Pin // agreed days
	Made    bool
}

// SeasonPage returns the plan of the last pass: all weeks, and the visits from one
// day to another.
func (d *Desk) SeasonPage(ctx context.Context, id coach.AccountID, from, until string) (p SeasonPage, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if p.Account, err = tx.Account(ctx, id, false); err != nil {
			return err
		}
		p.Today = d.today(p.Account).String()
		shop, err := tx.Workshop(ctx, id)
		if err != nil {
			return err
		}
		p.Pins = shop.Agreed()
		if p.KeptPlan, p.Made, err = cycle.Kept(ctx, tx, id); err != nil || !p.Made {
			return err
		}
		p.Visits, err = visits(ctx, tx, id, "", from, until)
		return err
	})
	return p, err
}

func visits(
	ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID, from, until string,
) ([]season.Visit, error) {
	return tx.VisitsBetween(ctx, id, c, from, until)
}
