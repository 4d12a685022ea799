package cli

import (
	"cmp"
	"fmt"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

type setupLinkCmd struct {
	Account string `default:"main" help:"Account that nobody can sign in to yet."`
}

// Run prints the link that makes an account's first member.
func (c *setupLinkCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		link, err := (&access.Access{DB: db, Base: cmp.Or(cfg.PublicURL, "http://"+cfg.Listen)}).First(e.ctx,
			coach.AccountID(c.Account))
		if err == nil && link == "" {
			err = fault.New(fault.Conflict, fmt.Sprintf("account %q has members already", c.Account),
				"One of its managers invites others on the page of people and keys.")
		}
		if err == nil {
			fmt.Fprintf(e.out, "Open this within a week to become the first member of account %q. Who has it can sign in: "+
				"pass it on with care.\n%s\n", c.Account, link)
		}
		return err
	})
}
