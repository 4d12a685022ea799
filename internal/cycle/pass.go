package cycle

import (
	"context"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Enqueue makes the jobs that deliver notices, inside the transaction that made
// them.
type Enqueue func(ctx context.Context, tx *store.Tx, ns []reminder.Notice) error

// Load reads an account's snapshot. With lock, no other pass over the account
// runs until the transaction ends. The account is locked before anything is read:
// what others commit while this call waits for them belongs into the snapshot.
func Load(ctx context.Context, tx *store.Tx, id coach.AccountID, on civil.Date, lock bool) (s Snapshot, err error) {
	if s.Account, err = tx.Account(ctx, id, lock); err != nil {
		return s, err
	}
	cs, err := tx.Coaches(ctx, id)
	if err != nil {
		return s, err
	}
	err = s.load(ctx, tx, "", cs, on)
	return s, err
}

// LoadSome reads the snapshot of some coaches of an account. The account is not locked.
func LoadSome(
	ctx context.Context, tx *store.Tx, id coach.AccountID, ids []coach.ID, on civil.Date,
) (s Snapshot, err error) {
	if s, err = Load(ctx, tx, id, on, false); err != nil {
		return s, err
	}
	wanted := map[coach.ID]bool{}
	for _, c := range ids {
		wanted[c] = true
	}
	s.Members = slices.DeleteFunc(s.Members, func(m Member) bool { return !wanted[m.Coach.ID] })
	return s, nil
}

// LoadOne reads the snapshot of one coach of an account, and its document's version.
func LoadOne(
	ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID, on civil.Date, lock bool,
) (s Snapshot, version int64, err error) {
	if s.Account, err = tx.Account(ctx, id, lock); err != nil {
		return s, 0, err
	}
	one, version, err := tx.Coach(ctx, id, c)
	if err != nil {
		return s, 0, err
	}
	err = s.load(ctx, tx, c, []coach.Coach{one}, on)
	return s, version, err
}

// load adds to a snapshot what belongs to its account and coaches.
func (s *Snapshot) load(ctx context.Context, tx *store.Tx, only coach.ID, cs []coach.Coach, on civil.Date) (err error) {
	id := s.Account.ID
	s.Today, s.Now = on, tx.Now()
	if s.Workshop, err = tx.Workshop(ctx, id); err != nil {
		return err
	}
	past, err := tx.Past(ctx, id, only)
	if err != nil {
		return err
	}
	answers, err := tx.Answers(ctx, id, only)
	if err != nil {
		return err
	}
	calls, err := tx.Calls(ctx, id, only)
	if err != nil {
		return err
	}
	for _, c := range cs {
		s.Members = append(s.Members, Member{Coach: c, Past: past[c.ID], Answers: answers[c.ID], Calls: calls[c.ID]})
	}
	bad, err := tx.BadAddresses(ctx, id)
	if err != nil {
		return err
	}
	s.Bad = map[string]bool{}
	for email := range bad {
		s.Bad[email] = true
	}
	s.OptedOut, err = tx.OptOuts(ctx, id)
	return err
}

// Pass evaluates an account as of a day and saves forecasts, tasks, notices and
// their jobs in one transaction: a notice exists if and only if its pass was
// committed. Running it again on the same day adds only what is new. It returns the
// notices that may leave: those of a paused account and of an unusual day are held.
func Pass(
	ctx context.Context, db *store.DB, t Tools, id coach.AccountID, on civil.Date, enqueue Enqueue,
) (res Result, added []reminder.Notice, err error) {
	err = db.Update(ctx, func(tx *store.Tx) error {
		snap, err := Load(ctx, tx, id, on, true)
		if err != nil {
			return err
		}
		res = Evaluate(t, snap)
		var news []store.Happened
		for i := range res.Outcomes {
			hs, err := Save(ctx, tx, t, snap, i, &res.Outcomes[i])
			if err != nil {
				return err
			}
			news = append(news, hs...)
		}
		if added, err = saveAll(ctx, tx, id, on, res.Notices()); err != nil {
			return err
		}
		planned, err := saveSeason(ctx, tx, t, snap, res)
		if err != nil {
			return err
		}
		news = append(append(news, NoticesMade(added)...), planned...)
		if err := tx.SavePass(ctx, id, on, t.Engine.Rules.Version, len(res.Outcomes), len(added)); err != nil {
			return err
		}
		if err := enqueue(ctx, tx, added); err != nil {
			return err
		}
		return tx.AddEvents(ctx, id, news...)
	})
	return res, added, err
}

// Save keeps what was found for the i-th coach of a snapshot: its forecasts, tasks,
// silences and its row on the board. It returns what is new about it, for
// store.AddEvents at the end of the transaction.
func Save(ctx context.Context, tx *store.Tx, t Tools, snap Snapshot, i int, o *Outcome) ([]store.Happened, error) {
	id := snap.Account.ID
	old, err := was(ctx, tx, id, o.Coach)
	if err != nil {
		return nil, err
	}
	if err := tx.SaveOutcome(ctx, id, o.Coach, snap.Today, t.Engine.Rules.Version, o.Forecasts, o.Tasks,
		o.Suppressed); err != nil {
		return nil, err
	}
	row := boardRow(snap, &snap.Members[i].Coach, o)
	return old.changed(o), tx.SaveBoard(ctx, id, row)
}

// SeasonWeeks is how far ahead a pass plans.
const SeasonWeeks = 26

// saveSeason plans the shop's weeks and keeps the visits: the next pass moves as
// few of them as it can.
func saveSeason(ctx context.Context, tx *store.Tx, t Tools, snap Snapshot, res Result) ([]store.Happened, error) {
	last, err := tx.Visits(ctx, snap.Account.ID)
	if err != nil {
		return nil, err
	}
	kept, _, err := Kept(ctx, tx, snap.Account.ID)
	if err != nil {
		return nil, err
	}
	p := t.PlanSeason(snap, snap.Workshop, res.Outcomes, SeasonWeeks, last)
	if err := keepPlan(ctx, tx, snap.Account.ID, &p); err != nil {
		return nil, err
	}
	return planChanged(last, kept, &p), tx.SaveVisits(ctx, snap.Account.ID, append(p.Visits, p.Elsewhere...))
}
