package store

import (
	"context"
	"fmt"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/season"
)

// SaveWorkshop replaces what an account's shop can do and has.
func (tx *Tx) SaveWorkshop(ctx context.Context, id coach.AccountID, w *coach.Workshop) (err error) {
	defer fail("store.SaveWorkshop", &err)
	doc, err := writeDoc(shopDoc(w))
	if err != nil {
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO workshop (account_id, doc, changed_at) VALUES (?, ?, ?)
		ON CONFLICT (account_id) DO UPDATE SET doc = excluded.doc, changed_at = excluded.changed_at`, id, doc, micro(tx.now))
	return err
}

// Workshop returns what an account's shop can do and has; nil when it never said.
func (tx *Tx) Workshop(ctx context.Context, id coach.AccountID) (_ *coach.Workshop, err error) {
	defer fail("store.Workshop", &err)
	var doc string
	if err := tx.get(ctx, &doc, `SELECT doc FROM workshop WHERE account_id = ?`, id); err != nil {
		if kindOf(err) == fault.NotFound {
			return nil, nil
		}
		return nil, err
	}
	var d docShop
	if err := readDoc(doc, &d); err != nil {
		return nil, err
	}
	return d.shop(), nil
}

// DropBookings forgets the booked periods of all coaches that came from a source.
func (tx *Tx) DropBookings(ctx context.Context, id coach.AccountID, source string) (err error) {
	defer fail("store.DropBookings", &err)
	_, err = tx.exec(ctx, `DELETE FROM booking WHERE account_id = ? AND source = ?`, id, source)
	return err
}

// SaveBookings replaces the booked periods of a coach that came from one source.
func (tx *Tx) SaveBookings(
	ctx context.Context, id coach.AccountID, c coach.ID, source string, bs []coach.Booking,
) (err error) {
	defer fail("store.SaveBookings", &err)
	// The table's reference to its coach would refuse the rows, but not say what to do.
	var n int
	if err := tx.get(ctx, &n, `SELECT COUNT(*) FROM coach WHERE account_id = ? AND coach_id = ?`, id,
		c); err != nil {
		return err
	}
	if n == 0 {
		return fault.New(fault.NotFound, fmt.Sprintf("there is no coach %q in account %q", c, id),
			"Import the coach first; a feed's file is named after its coach.")
	}
	if _, err := tx.exec(ctx, `DELETE FROM booking WHERE account_id = ? AND coach_id = ? AND source = ?`, id, c, source); err != nil {
		return err
	}
	for _, b := range bs {
		_, err := tx.exec(ctx, `INSERT INTO booking (account_id, coach_id, source, from_day, until_day) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`, id, c, source, b.From.String(), b.Until.String())
		if err != nil {
			return err
		}
	}
	return nil
}

// mergeBookings adds the booked periods to their coaches, by date.
func (tx *Tx) mergeBookings(ctx context.Context, in scope, cs []coach.Coach, at map[coach.ID]int) error {
	var rows []struct {
		Coach  string `db:"coach_id"`
		Source string `db:"source"`
		From   string `db:"from_day"`
		Until  string `db:"until_day"`
	}
	where, args := in.where()
	err := tx.list(ctx, &rows,
		`SELECT coach_id, source, from_day, until_day FROM booking WHERE `+where+` ORDER BY coach_id, from_day, until_day, source`, args...)
	if err != nil {
		return err
	}
	for _, r := range rows {
		b := coach.Booking{Source: r.Source}
		if b.From, err = civil.Parse(r.From); err != nil {
			return err
		}
		if b.Until, err = civil.Parse(r.Until); err != nil {
			return err
		}
		if i, ok := at[coach.ID(r.Coach)]; ok {
			cs[i].Bookings = append(cs[i].Bookings, b)
		}
	}
	return nil
}

// SaveVisits replaces the visits of an account's plan. The ordinal keeps its order.
func (tx *Tx) SaveVisits(ctx context.Context, id coach.AccountID, vs []season.Visit) (err error) {
	defer fail("store.SaveVisits", &err)
	if _, err := tx.exec(ctx, `DELETE FROM visit WHERE account_id = ?`, id); err != nil {
		return err
	}
	for i := range vs {
		doc, err := writeDoc(visitDoc(&vs[i]))
		if err != nil {
			return err
		}
		if _, err := tx.exec(ctx, `INSERT INTO visit (account_id, ordinal, coach_id, day, doc) VALUES (?, ?, ?, ?, ?)`, id, i, vs[i].Coach, vs[i].Day.String(), doc); err != nil {
			return err
		}
	}
	return nil
}

// Visits returns the visits of an account's last plan, in its order.
func (tx *Tx) Visits(ctx context.Context, id coach.AccountID) (out []season.Visit, err error) {
	defer fail("store.Visits", &err)
	var docs []string
	if err := tx.list(ctx, &docs, `SELECT doc FROM visit WHERE account_id = ? ORDER BY ordinal`, id); err != nil {
		return nil, err
	}
	return visitsOf(docs)
}

func visitsOf(docs []string) ([]season.Visit, error) {
	out := make([]season.Visit, len(docs))
	for i, doc := range docs {
		var d docVisit
		err := readDoc(doc, &d)
		if err == nil {
			out[i], err = d.visit()
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// VisitsBetween returns the planned visits of an account from one day to another, both
// included, or of one coach.
func (tx *Tx) VisitsBetween(
	ctx context.Context, id coach.AccountID, c coach.ID, from, until string,
) (out []season.Visit, err error) {
	defer fail("store.VisitsBetween", &err)
	where, args := scope{id, c}.where()
	var docs []string
	err = tx.list(ctx, &docs, `SELECT doc FROM visit WHERE `+where+` AND day >= ? AND day <= ? ORDER BY day, ordinal`,
		append(args, from, until)...)
	if err != nil {
		return nil, err
	}
	return visitsOf(docs)
}

// SavePlan replaces what is kept of an account's plan besides its visits.
func (tx *Tx) SavePlan(ctx context.Context, id coach.AccountID, k KeptPlan) (err error) {
	defer fail("store.SavePlan", &err)
	doc, err := writeDoc(planDoc(&k))
	if err != nil {
		return err
	}
	return tx.SavePlanPart(ctx, id, "plan", doc)
}

// Plan returns the plan of the last pass besides its visits; made is false before the
// first one.
func (tx *Tx) Plan(ctx context.Context, id coach.AccountID) (k KeptPlan, made bool, err error) {
	defer fail("store.Plan", &err)
	doc, err := tx.PlanPart(ctx, id, "plan")
	if err != nil || doc == "" {
		return k, false, err
	}
	var d docPlan
	if err := readDoc(doc, &d); err != nil {
		return k, false, err
	}
	k, err = d.plan()
	return k, true, err
}

// Campaign is a notice to everybody whose coach carries a lot, as started.
type Campaign struct {
	ID          string `db:"campaign_id" json:"id"`
	Lot         string `db:"lot" json:"lot"`
	From        string `db:"from_day" json:"from,omitempty"`
	Until       string `db:"until_day" json:"until,omitempty"`
	Subject     string `db:"subject" json:"subject"`
	Words       string `db:"body" json:"words"`
	By          string `db:"created_by" json:"by"`
	Coaches     int    `db:"coaches" json:"coaches"`
	Unreachable string `db:"unreachable" json:"-"` // a JSON list of coaches with nobody to write to
	MadeAt      int64  `db:"created_at" json:"-"`
}

// AddCampaign records a campaign; its name must be new.
func (tx *Tx) AddCampaign(ctx context.Context, id coach.AccountID, c Campaign) (err error) {
	defer fail("store.AddCampaign", &err)
	n, err := tx.exec(ctx, `
		INSERT INTO campaign (account_id, campaign_id, lot, from_day, until_day, subject, body, created_by, coaches, unreachable, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`, id, c.ID, c.Lot, c.From, c.Until, c.Subject, c.Words, c.By, c.Coaches, c.Unreachable, micro(tx.now))
	if err == nil && n == 0 {
		return fault.New(fault.Conflict, fmt.Sprintf("there is a campaign %q already", c.ID),
			"Look at it with 'sealmanac campaign list', or give the new one another name.")
	}
	return err
}

// Campaigns returns an account's campaigns, newest first.
func (tx *Tx) Campaigns(ctx context.Context, id coach.AccountID) (out []Campaign, err error) {
	defer fail("store.Campaigns", &err)
	err = tx.list(ctx, &out, `
		SELECT campaign_id, lot, from_day, until_day, subject, body, created_by, coaches, unreachable, created_at
		FROM campaign WHERE account_id = ? ORDER BY created_at DESC, campaign_id`, id)
	return out, err
}

// CampaignNotices returns the mails of a campaign, by coach and person. They are notices
// whose task key names the campaign.
func (tx *Tx) CampaignNotices(ctx context.Context, id coach.AccountID, campaign string) (out []NoticeRow, err error) {
	defer fail("store.CampaignNotices", &err)
	err = tx.list(ctx, &out, `SELECT `+noticeColumns+` FROM notice WHERE account_id = ? AND task_key = ? ORDER BY coach_id, person`, id, "lot|"+campaign)
	return out, err
}
