package daemon

import (
	"context"
	"sync"

	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/desk"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
)

// ownRules keeps the engine of each account that accepted a rulebook of its own,
// so that its rate tables are computed once.
type ownRules struct {
	mu      sync.Mutex
	engines map[coach.AccountID]*projection.Engine
}

func (o *ownRules) engine(id coach.AccountID) *projection.Engine {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.engines[id]
}

// toolsOf returns the tools of an account's passes: under the rulebook it accepted
// last, else under the configured one.
func (d *Daemon) toolsOf(ctx context.Context, id coach.AccountID) (cycle.Tools, error) {
	t := d.tools
	var rules *rulebook.Rulebook
	var have *projection.Engine
	err := d.DB.View(ctx, func(tx *store.Tx) error {
		vs, err := tx.RuleVersions(ctx, id)
		if err != nil || len(vs) == 0 {
			return err
		}
		if have = d.own.engine(id); have != nil && have.Rules.Version == vs[0].Version {
			return nil // read and prepared before
		}
		have = nil
		rules, err = desk.RulesOf(ctx, tx, id, t.Engine.Rules)
		return err
	})
	switch {
	case err != nil:
		return t, err
	case have != nil:
		t.Engine = have
		return t, nil
	case rules == nil || rules == t.Engine.Rules:
		return t, nil
	}
	d.own.mu.Lock()
	defer d.own.mu.Unlock()
	if d.own.engines == nil {
		d.own.engines = map[coach.AccountID]*projection.Engine{}
	}
	t.Engine = projection.NewEngine(rules)
	d.own.engines[id] = t.Engine
	return t, nil
}
