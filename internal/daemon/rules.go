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

// toolsOf returns the tools of an account's passes: under the rulebook it accepted
// last, else under the configured one.
func (d *Daemon) toolsOf(ctx context.Context, id coach.AccountID) (cycle.Tools, error) {
	t := d.tools
	var rules *rulebook.Rulebook
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		rules, err = desk.RulesOf(ctx, tx, id, t.Engine.Rules)
		return err
	})
	if err != nil || rules == t.Engine.Rules {
		return t, err
	}
	d.own.mu.Lock()
	defer d.own.mu.Unlock()
	if have := d.own.engines[id]; have != nil && have.Rules.Version == rules.Version {
		t.Engine = have
		return t, nil
	}
	if d.own.engines == nil {
		d.own.engines = map[coach.AccountID]*projection.Engine{}
	}
	t.Engine = projection.NewEngine(rules)
	d.own.engines[id] = t.Engine
	return t, nil
}
