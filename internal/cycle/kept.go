package cycle

import (
	"context"

	"sealmanac/internal/coach"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// KeptPlan is a season's plan besides its visits, as it is kept for the pages.
type KeptPlan = store.KeptPlan

// mostKept bounds the lists that grow with the fleet: a page shows no more.
const mostKept = 200

// Kept returns the plan of the last pass besides its visits; made is false before the
// first one.
func Kept(ctx context.Context, tx *store.Tx, id coach.AccountID) (k KeptPlan, made bool, err error) {
	return tx.Plan(ctx, id)
}

func keepPlan(ctx context.Context, tx *store.Tx, id coach.AccountID, p *season.Plan) error {
	return tx.SavePlan(ctx, id, KeptPlan{Bays: p.Bays, Parts: p.Parts, Cuts: p.Cuts[:min(len(p.Cuts), mostKept)],
		Late: p.Late[:min(len(p.Late), mostKept)], LateWeeks: p.LateWeeks, Short: p.Short,
		Moves: p.Moves[:min(len(p.Moves), mostKept)], Problems: p.Problems[:min(len(p.Problems), mostKept)]})
}
