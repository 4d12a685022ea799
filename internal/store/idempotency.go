package store

import (
	"context"
	"time"

	"sealmanac/internal/coach"
)

// KeptAnswer is what a post with an Idempotency-Key was answered.
type KeptAnswer struct {
	Asked     string `db:"request_hash"` // hash of the request
	Status    int    `db:"status"`       // 0: the request is still at work
	Body      string `db:"body"`
	MediaType string `db:"media_type"` // "": kept before media types were
	ETag      string `db:"etag"`
	Location  string `db:"location"`
}

const answersKept = 24 * time.Hour

// ClaimKey gives a key to the caller, who extends the lease while at work and ends with
// FinishAnswer or DropAnswer. The claim is 0 when another has the key, or had it for an
// answer of the last day. A lease that ran out frees the key for the same request alone:
// nobody knows how far the one that died came.
func (tx *Tx) ClaimKey(
	ctx context.Context, id coach.AccountID, key, asked string, lease time.Duration,
) (claim int64, err error) {
	defer fail("store.ClaimKey", &err)
	now := micro(tx.now)
	// Answers of more than a day ago are removed here, as nothing else looks for them.
	if _, err := tx.exec(ctx, `DELETE FROM idempotency_record WHERE account_id = ? AND claimed_at <= ?`, id,
		micro(tx.now.Add(-answersKept))); err != nil {
		return 0, err
	}
	n, err := tx.exec(ctx, `
		INSERT INTO idempotency_record (account_id, idempotency_key, request_hash, status, body, claimed_at, lease_end) VALUES (?, ?, ?, 0, '', ?, ?)
		ON CONFLICT (account_id, idempotency_key) DO UPDATE SET claimed_at = excluded.claimed_at, lease_end = excluded.lease_end
			WHERE idempotency_record.status = 0 AND idempotency_record.lease_end <= ? AND idempotency_record.request_hash = excluded.request_hash`,
		id, key, asked, now, micro(tx.now.Add(lease)), now)
	if err != nil || n == 0 {
		return 0, err
	}
	return now, nil
}

// ExtendKey moves the end of a claim's lease.
func (tx *Tx) ExtendKey(
	ctx context.Context, id coach.AccountID, key string, claim int64, lease time.Duration,
) (err error) {
	defer fail("store.ExtendKey", &err)
	_, err = tx.exec(ctx, `UPDATE idempotency_record SET lease_end = ? WHERE account_id = ? AND idempotency_key = ? AND status = 0 AND claimed_at = ?`, micro(tx.now.Add(lease)), id, key, claim)
	return err
}

// FinishAnswer keeps the answer to a claimed key for a day; it reports whether the claim
// still held.
func (tx *Tx) FinishAnswer(
	ctx context.Context, id coach.AccountID, key string, claim int64, a KeptAnswer,
) (_ bool, err error) {
	defer fail("store.FinishAnswer", &err)
	n, err := tx.exec(ctx, `
		UPDATE idempotency_record SET status = ?, body = ?, media_type = ?, etag = ?, location = ?
		WHERE account_id = ? AND idempotency_key = ? AND status = 0 AND claimed_at = ?`, a.Status, a.Body, a.MediaType, a.ETag, a.Location, id, key, claim)
	return n == 1, err
}

// DropAnswer frees a claimed key whose request came to nothing.
func (tx *Tx) DropAnswer(ctx context.Context, id coach.AccountID, key string, claim int64) (err error) {
	defer fail("store.DropAnswer", &err)
	_, err = tx.exec(ctx, `DELETE FROM idempotency_record WHERE account_id = ? AND idempotency_key = ? AND status = 0 AND claimed_at = ?`, id, key, claim)
	return err
}

// KeptAnswerOf returns the answer to a key of the last day; ok is false when there is
// none.
func (tx *Tx) KeptAnswerOf(ctx context.Context, id coach.AccountID, key string) (a KeptAnswer, ok bool, err error) {
	defer fail("store.KeptAnswerOf", &err)
	var rows []KeptAnswer
	err = tx.list(ctx, &rows, `SELECT request_hash, status, body, media_type, etag, location FROM idempotency_record WHERE account_id = ? AND idempotency_key = ? AND claimed_at > ?`,
		id, key, micro(tx.now.Add(-answersKept)))
	if len(rows) > 0 {
		a, ok = rows[0], true
	}
	return a, ok, err
}
