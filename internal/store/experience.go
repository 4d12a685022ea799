package store

import (
	"context"
	"database/sql"
	"errors"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Life is a part's life that ended with its renewal.
type Life struct {
	Coach        coach.ID
	Run          string // address
	Part         coach.PartKind
	Material     coach.Material
	Construction coach.Construction
	Fitted       civil.Date
	Ended        civil.Date
}

type lifeRow struct {
	Coach        string `db:"coach_id"`
	Run          string `db:"run"`
	Part         string `db:"part"`
	Material     string `db:"material"`
	Construction string `db:"construction"`
	Fitted       string `db:"fitted"`
	Ended        string `db:"ended"`
}

// leastLife is how much later a new date must be to count as a renewal: less is
// the correction of a date (180 days, our default).
const leastLife = 180

// endLives records the parts that coaches' new documents show as renewed: the same
// part of the same run with a later date.
func (tx *Tx) endLives(ctx context.Context, id coach.AccountID, old, now []partRow) error {
	fitted := map[partKey]string{}
	for _, p := range now {
		fitted[p.partKey] = p.Fitted
	}
	for _, o := range old {
		if o.Fitted == "" || fitted[o.partKey] <= o.Fitted { // days as text are in order
			continue
		}
		was, err := civil.Parse(o.Fitted)
		if err != nil {
			return err
		}
		ended, err := civil.Parse(fitted[o.partKey])
		if err != nil {
			return err
		}
		if ended < was+leastLife {
			continue
		}
		_, err = tx.exec(ctx, `
			INSERT INTO life (account_id, coach_id, run, part, material, construction, fitted, ended, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (account_id, coach_id, run, part, fitted) DO UPDATE SET ended = excluded.ended, changed_at = excluded.changed_at`,
			id, o.Coach, o.Run, o.Part, o.Material, o.Construction, o.Fitted, ended.String(), micro(tx.now))
		if err != nil {
			return err
		}
	}
	return nil
}

// Lives returns the lives of an account that ended.
func (tx *Tx) Lives(ctx context.Context, id coach.AccountID) (out []Life, err error) {
	defer fail("store.Lives", &err)
	var rows []lifeRow
	err = tx.list(ctx, &rows, `SELECT coach_id, run, part, material, construction, fitted, ended FROM life WHERE account_id = ? ORDER BY coach_id, run, part, fitted`, id)
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		l := Life{Coach: coach.ID(r.Coach), Run: r.Run, Part: coach.PartKind(r.Part), Material: coach.Material(r.Material),
			Construction: coach.Construction(r.Construction)}
		if l.Fitted, err = civil.Parse(r.Fitted); err != nil {
			return nil, err
		}
		if l.Ended, err = civil.Parse(r.Ended); err != nil {
			return nil, err
		}
		out = append(out, l)
	}
	return out, nil
}

// Rules returns the text of the rulebook that an account accepted last, or "" when
// it never did: then the configured one holds.
func (tx *Tx) Rules(ctx context.Context, id coach.AccountID) (text string, err error) {
	defer fail("store.Rules", &err)
	err = tx.get(ctx, &text, `SELECT body FROM rules WHERE account_id = ? ORDER BY created_at DESC, version DESC LIMIT 1`, id)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return text, err
}

// SaveRules keeps a rulebook that an account accepted; from the next pass on it
// holds. A version is never changed.
func (tx *Tx) SaveRules(ctx context.Context, id coach.AccountID, version, text, note string) (err error) {
	defer fail("store.SaveRules", &err)
	_, err = tx.exec(ctx, `INSERT INTO rules (account_id, version, body, note, created_at) VALUES (?, ?, ?, ?, ?)`, id, version, text, note, micro(tx.now))
	return err
}
