package cycle

import (
	"context"
	"encoding/json"

	"sealmanac/internal/coach"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// KeptPlan is a season's plan besides its visits, as it is kept for the pages.
type KeptPlan struct {
	Bays      []season.Bay
	Parts     []season.Need
	Cuts      []season.Cut
	Late      []season.Late
	LateWeeks int
	Short     []season.Short
	Moves     []season.Move
	Problems  []string
}

// mostKept bounds the lists that grow with the fleet: a page shows no more.
const mostKept = 200

// Kept returns the plan of the last pass besides its visits; made is false before the
// first one.
func Kept(ctx context.Context, tx *store.Tx, id coach.AccountID) (k KeptPlan, made bool, err error) {
	doc, err := tx.PlanPart(ctx, id, "plan")
	if err == nil && doc != "" {
		made, err = true, json.Unmarshal([]byte(doc), &k)
	}
	return k, made, err
}

func keepPlan(ctx context.Context, tx *store.Tx, id coach.AccountID, p *season.Plan) error {
	doc, err := json.Marshal(KeptPlan{Bays: p.Bays, Parts: p.Parts, Cuts: p.Cuts[:min(len(p.Cuts), mostKept)],
		Late: p.Late[:min(len(p.Late), mostKept)], LateWeeks: p.LateWeeks, Short: p.Short,
		Moves: p.Moves[:min(len(p.Moves), mostKept)], Problems: p.Problems[:min(len(p.Problems), mostKept)]})
	if err != nil {
		return err
	}
	return tx.SavePlanPart(ctx, id, "plan", string(doc))
}
