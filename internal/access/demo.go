package access

import (
	"context"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// Demo makes the manager of an account whose password is printed: for scenarios of
// invented people alone.
func (a *Access) Demo(ctx context.Context, id coach.AccountID, email, password string) error {
	hash, err := hashPassword(password)
	if err != nil {
		return err
	}
	return a.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.MemberByEmail(ctx, email); fault.KindOf(err) != fault.NotFound {
			return err
		}
		return tx.AddMember(ctx, store.Member{Account: string(id), Email: email, Name: "Demo manager", Role: string(Manager),
			Password: hash})
	})
}
