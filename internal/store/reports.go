package store

import (
	"context"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
)

// dangerKinds are the kinds of readings that can mean danger, which coach.Reading.Danger
// decides by the value.
const dangerKinds = `('light', 'soft_floor', 'hose_test')`

func canMeanDanger(k coach.ReadingKind) bool {
	return k == coach.Light || k == coach.SoftFloor || k == coach.HoseTest
}

// AddReading records a reading that somebody sent in. Sending it again replaces it, and
// each part of an edge has its own;
// but a danger stays when something harmless of the same day comes after it, as from a
// form that waited for signal: only a later day, or taking it back, ends it.
func (tx *Tx) AddReading(ctx context.Context, id coach.AccountID, c coach.ID, r coach.Reading) (err error) {
	defer fail("store.AddReading", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO reading (account_id, coach_id, day, kind, slide, run, part, value, recorded_by, note, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, day, kind, slide, run, part, recorded_by) DO UPDATE SET value = excluded.value, note = excluded.note, changed_at = excluded.changed_at
			WHERE excluded.value >= reading.value OR reading.kind NOT IN `+dangerKinds,
		id, c, r.Day.String(), r.Kind, r.Slide, r.Run, r.Part, r.Value, r.By, r.Note, micro(tx.now))
	return err
}

// DangersRead returns which coaches have a reading on record, in their document or sent
// in, of a kind that can mean danger.
func (tx *Tx) DangersRead(ctx context.Context, id coach.AccountID, cs []coach.ID) (out map[coach.ID]bool, err error) {
	defer fail("store.DangersRead", &err)
	out = map[coach.ID]bool{}
	for chunk := range slices.Chunk(cs, 500) {
		var hit, more []coach.ID
		where, args := among(id, chunk)
		err := tx.list(ctx, &hit, `SELECT DISTINCT coach_id FROM reading WHERE `+where+` AND kind IN `+dangerKinds, args...)
		if err != nil {
			return nil, err
		}
		q, args := tx.named("coach_id", id, chunk)
		if err := tx.list(ctx, &more, q+` AND danger = 1`, args...); err != nil {
			return nil, err
		}
		for _, c := range append(hit, more...) {
			out[c] = true
		}
	}
	return out, nil
}

// mergeReadings adds the readings that people sent in to their coaches, by date. Of one
// day and edge the highest value comes last: a test that was dry on one part does not end
// the danger that was read on another.
func (tx *Tx) mergeReadings(ctx context.Context, in scope, cs []coach.Coach, at map[coach.ID]int) error {
	var rows []struct {
		Coach string  `db:"coach_id"`
		Day   string  `db:"day"`
		Kind  string  `db:"kind"`
		Slide string  `db:"slide"`
		Run   string  `db:"run"`
		Part  string  `db:"part"`
		Value float64 `db:"value"`
		By    string  `db:"recorded_by"`
		Note  string  `db:"note"`
	}
	where, args := in.where()
	err := tx.list(ctx, &rows, `SELECT coach_id, day, kind, slide, run, part, value, recorded_by, note FROM reading WHERE `+where+` ORDER BY coach_id, day, kind, slide, run, recorded_by, value, part`, args...)
	if err != nil {
		return err
	}
	for _, r := range rows {
		day, err := civil.Parse(r.Day)
		if err != nil {
			return err
		}
		i, ok := at[coach.ID(r.Coach)]
		if !ok {
			continue
		}
		cs[i].Readings = append(cs[i].Readings, coach.Reading{Day: day, Kind: coach.ReadingKind(r.Kind),
			Slide: coach.SlideID(r.Slide), Run: r.Run, Part: coach.PartKind(r.Part), Value: r.Value, By: r.By, Note: r.Note})
		slices.SortStableFunc(cs[i].Readings, func(a, b coach.Reading) int { return int(a.Day - b.Day) })
	}
	return nil
}

// AddReport records what somebody said about the coach itself: sold or moved. It
// reports whether that is news: a person can sell a coach once, and a move is told once
// a day with the same words.
func (tx *Tx) AddReport(
	ctx context.Context, id coach.AccountID, c coach.ID, kind reminder.AnswerKind, person string, day civil.Date,
	note string,
) (_ bool, err error) {
	defer fail("store.AddReport", &err)
	n, err := tx.exec(ctx, `
		INSERT INTO coach_report (account_id, coach_id, kind, person, day, note, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, kind) DO UPDATE SET person = excluded.person, day = excluded.day, note = excluded.note, changed_at = excluded.changed_at
			WHERE coach_report.person <> excluded.person OR coach_report.kind <> 'sold' AND (coach_report.day <> excluded.day OR coach_report.note <> excluded.note)`,
		id, c, kind, person, day.String(), note, micro(tx.now))
	return n > 0, err
}

// Report is what somebody said about a coach itself.
type Report struct {
	Coach  string `db:"coach_id"`
	Kind   string `db:"kind"` // "sold" or "moved"
	Person string `db:"person"`
	Day    string `db:"day"`
	Note   string `db:"note"` // moved: the place
}

// Reports returns what was said about the coaches of an account, or about one, by day.
func (tx *Tx) Reports(ctx context.Context, id coach.AccountID, c coach.ID) (out []Report, err error) {
	defer fail("store.Reports", &err)
	where, args := scope{id, c}.where()
	err = tx.list(
		ctx,
		&out,
		`SELECT coach_id, kind, person, day, note FROM coach_report WHERE `+where+` ORDER BY day, coach_id, kind`,
		args...)
	return out, err
}

// DropReport forgets one thing that was said about a coach; it reports whether it was.
func (tx *Tx) DropReport(
	ctx context.Context,
	id coach.AccountID,
	c coach.ID,
	kind reminder.AnswerKind,
) (_ bool, err error) {
	defer fail("store.DropReport", &err)
	n, err := tx.exec(ctx, `DELETE FROM coach_report WHERE account_id = ? AND coach_id = ? AND kind = ?`, id, c, kind)
	return n > 0, err
}

// DropReports forgets what a person said about coaches; it returns how much that
// was.
func (tx *Tx) DropReports(ctx context.Context, id coach.AccountID, person string) (n int64, err error) {
	defer fail("store.DropReports", &err)
	return tx.exec(ctx, `DELETE FROM coach_report WHERE account_id = ? AND person = ?`, id, person)
}

// dropStale forgets that a coach was sold once its people are others: the shop has
// entered the new owner.
func (tx *Tx) dropStale(ctx context.Context, id coach.AccountID, c *coach.Coach) error {
	var person []string
	if err := tx.list(ctx, &person, `SELECT person FROM coach_report WHERE account_id = ? AND coach_id = ? AND kind = 'sold'`, id, c.ID); err != nil || len(person) == 0 {
		return err
	}
	if slices.ContainsFunc(c.People, func(p coach.Person) bool { return p.Email == person[0] }) {
		return nil
	}
	_, err := tx.exec(ctx, `DELETE FROM coach_report WHERE account_id = ? AND coach_id = ?`, id, c.ID)
	return err
}

// mergeSold marks the coaches that somebody said were sold.
func (tx *Tx) mergeSold(ctx context.Context, in scope, cs []coach.Coach, at map[coach.ID]int) error {
	var rows []struct {
		Coach string `db:"coach_id"`
		Day   string `db:"day"`
	}
	where, args := in.where()
	if err := tx.list(ctx, &rows, `SELECT coach_id, day FROM coach_report WHERE `+where+` AND kind = 'sold'`,
		args...); err != nil {
		return err
	}
	for _, r := range rows {
		day, err := civil.Parse(r.Day)
		if err != nil {
			return err
		}
		if i, ok := at[coach.ID(r.Coach)]; ok && cs[i].Sold == 0 {
			cs[i].Sold = day
		}
	}
	return nil
}
