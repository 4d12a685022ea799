package store

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Attachment is a picture or a paper of a coach.
type Attachment struct {
	Coach  string `db:"coach_id"`
	ID     string `db:"attachment_id"`
	Slide  string `db:"slide"`
	Run    string `db:"run"`
	Day    string `db:"day"`
	Name   string `db:"name"`
	Media  string `db:"media"`
	Body   []byte `db:"body"`
	Thumb  []byte `db:"thumb"`
	MadeBy string `db:"created_by"`
	MadeAt int64  `db:"created_at"`
}

// AddAttachment keeps a picture or paper.
func (tx *Tx) AddAttachment(ctx context.Context, id coach.AccountID, a Attachment) (err error) {
	defer fail("store.AddAttachment", &err)
	if a.Thumb == nil {
		a.Thumb = []byte{}
	}
	_, err = tx.exec(ctx, `INSERT INTO attachment (account_id, coach_id, attachment_id, slide, run, day, name, media, body, thumb, created_by, created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, attachment_id) DO NOTHING`, id, a.Coach, a.ID, a.Slide, a.Run, a.Day, a.Name, a.Media, a.Body, a.Thumb, a.MadeBy, micro(tx.now))
	return err
}

// Attachments returns what is attached to a coach, newest first, without the bytes.
func (tx *Tx) Attachments(ctx context.Context, id coach.AccountID, c coach.ID) (out []Attachment, err error) {
	defer fail("store.Attachments", &err)
	err = tx.list(ctx, &out, `SELECT coach_id, attachment_id, slide, run, day, name, media, created_by, created_at FROM attachment WHERE account_id = ? AND coach_id = ? ORDER BY day DESC, created_at DESC, attachment_id LIMIT 500`, id, c)
	return out, err
}

// AttachmentByID returns one picture or paper with its bytes.
func (tx *Tx) AttachmentByID(
	ctx context.Context, id coach.AccountID, c coach.ID, attachment string,
) (a Attachment, err error) {
	defer fail("store.AttachmentByID", &err)
	err = tx.get(ctx, &a, `SELECT coach_id, attachment_id, slide, run, day, name, media, body, thumb, created_by, created_at FROM attachment WHERE account_id = ? AND coach_id = ? AND attachment_id = ?`, id, c, attachment)
	return a, err
}

// DropAttachment removes a picture or paper.
func (tx *Tx) DropAttachment(
	ctx context.Context, id coach.AccountID, c coach.ID, attachment string,
) (_ bool, err error) {
	defer fail("store.DropAttachment", &err)
	n, err := tx.exec(ctx, `DELETE FROM attachment WHERE account_id = ? AND coach_id = ? AND attachment_id = ?`, id, c, attachment)
	return n > 0, err
}

// DropService takes back a service that somebody sent in; it reports whether there
// was one. Those in the coach's document stay.
func (tx *Tx) DropService(ctx context.Context, id coach.AccountID, c coach.ID, s coach.Service) (_ bool, err error) {
	defer fail("store.DropService", &err)
	n, err := tx.exec(ctx, `DELETE FROM service WHERE account_id = ? AND coach_id = ? AND day = ? AND kind = ? AND slide = ? AND run = ?`, id, c, s.Day.String(), s.Kind, s.Slide, s.Run)
	return n > 0, err
}

// DropDone forgets that a task was said to be done on or after a day; prefix is the
// beginning of its key.
func (tx *Tx) DropDone(ctx context.Context, id coach.AccountID, c coach.ID, prefix string, day civil.Date) (err error) {
	defer fail("store.DropDone", &err)
	_, err = tx.exec(ctx, `DELETE FROM answer WHERE account_id = ? AND coach_id = ? AND kind = 'done' AND substr(task_key, 1, ?) = ? AND day >= ?`, id, c, len(prefix), prefix, day.String())
	return err
}

// DropReading takes back a reading that somebody sent in.
func (tx *Tx) DropReading(ctx context.Context, id coach.AccountID, c coach.ID, r coach.Reading) (_ bool, err error) {
	defer fail("store.DropReading", &err)
	n, err := tx.exec(ctx, `DELETE FROM reading WHERE account_id = ? AND coach_id = ? AND day = ? AND kind = ? AND slide = ? AND run = ? AND part = ? AND recorded_by = ?`, id, c, r.Day.String(), r.Kind, r.Slide, r.Run, r.Part, r.By)
	return n > 0, err
}

// ReadingParts returns the parts of which somebody sent in a reading like r on its day.
func (tx *Tx) ReadingParts(
	ctx context.Context, id coach.AccountID, c coach.ID, r coach.Reading,
) (out []coach.PartKind, err error) {
	defer fail("store.ReadingParts", &err)
	err = tx.list(ctx, &out, `SELECT part FROM reading WHERE account_id = ? AND coach_id = ? AND day = ? AND kind = ? AND slide = ? AND run = ? AND recorded_by = ? ORDER BY part`, id, c, r.Day.String(), r.Kind, r.Slide, r.Run, r.By)
	return out, err
}

// NoticesOf returns a coach's notices, newest first.
func (tx *Tx) NoticesOf(ctx context.Context, id coach.AccountID, c coach.ID, most int) (out []NoticeRow, err error) {
	defer fail("store.NoticesOf", &err)
	err = tx.list(ctx, &out, `SELECT `+noticeColumns+` FROM notice WHERE account_id = ? AND coach_id = ? AND task_kind <> 'access' ORDER BY created_on DESC, notice_key LIMIT ?`, id, c, most)
	return out, err
}

// SavePlanPart keeps one part of the season's plan besides its visits.
func (tx *Tx) SavePlanPart(ctx context.Context, id coach.AccountID, part, doc string) (err error) {
	defer fail("store.SavePlanPart", &err)
	_, err = tx.exec(ctx, `INSERT INTO plan_part (account_id, part, doc) VALUES (?, ?, ?) ON CONFLICT (account_id, part) DO UPDATE SET doc = excluded.doc`, id, part, doc)
	return err
}

// PlanPart returns one part of the season's plan; "" when no plan was made yet.
func (tx *Tx) PlanPart(ctx context.Context, id coach.AccountID, part string) (doc string, err error) {
	defer fail("store.PlanPart", &err)
	var docs []string
	err = tx.list(ctx, &docs, `SELECT doc FROM plan_part WHERE account_id = ? AND part = ?`, id, part)
	if len(docs) > 0 {
		doc = docs[0]
	}
	return doc, err
}

// RulesRow is a version of an account's rulebook.
type RulesRow struct {
	Version string `db:"version"`
	Note    string `db:"note"`
	MadeAt  int64  `db:"created_at"`
}

// RuleVersions returns the versions of an account's rulebook, newest first.
func (tx *Tx) RuleVersions(ctx context.Context, id coach.AccountID) (out []RulesRow, err error) {
	defer fail("store.RuleVersions", &err)
	err = tx.list(ctx, &out, `SELECT version, note, created_at FROM rules WHERE account_id = ? ORDER BY created_at DESC, version DESC`, id)
	return out, err
}
