package cli

import (
	"cmp"
	"context"
	"fmt"
	"os"

	"sealmanac/internal/coach"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

type campaignCmd struct {
	Start campaignStart `cmd:"" help:"Write to everybody whose coach has parts of a lot, also to people who stopped reminders."`
	List  campaignList  `cmd:"" help:"List the campaigns with their progress and who is still to be called."`
}

type campaignStart struct {
	Name    string `arg:"" help:"A short name for the campaign."`
	Lot     string `help:"The lot as written on the parts."`
	From    day    `help:"Parts fitted on this day or later; with a lot, parts of unknown lot count too." placeholder:"DATE"`
	Until   day    `help:"Parts fitted on this day or earlier." placeholder:"DATE"`
	Subject string `required:"" help:"What it is about, one line."`
	Words   string `required:"" type:"existingfile" help:"Text file with the notice; blank lines part paragraphs."`
	By      string `required:"" help:"Who answers for it."`
	Account string `default:"main" help:"Account to work in."`
}

// Run starts a campaign.
func (c *campaignStart) Run(e *env) error {
	words, err := os.ReadFile(c.Words)
	if err != nil {
		return &fault.Error{Kind: fault.Invalid, Msg: "the words cannot be read", Hint: "Name a text file with --words.",
			Err: err}
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	if err := cfg.ForServing(); err != nil {
		return err // links and sender must be known before anything is written
	}
	rules, err := e.rulebook(cfg.Rulebook)
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		d, err := deskWithLinks(e.ctx, e, cfg, db)
		if err != nil {
			return err
		}
		p, err := d.StartCampaign(e.ctx, coach.AccountID(c.Account),
			desk.Campaign{Name: c.Name, Lot: c.Lot, From: c.From.Date, Until: c.Until.Date, Subject: c.Subject,
				Words: string(words), By: c.By}, rules)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%s found, %s made. The running daemon sends them in the people's sending hours.\n",
			count(p.Coaches, "coach", "coaches"), count(p.Told, "mail is", "mails are"))
		for _, id := range p.Unreachable {
			fmt.Fprintf(e.out, "nobody to write to: %s\n", id)
		}
		return nil
	})
}

// deskWithLinks is a desk that signs links as the daemon does.
func deskWithLinks(ctx context.Context, e *env, cfg settings.Config, db *store.DB) (*desk.Desk, error) {
	words, err := daemon.Words(cfg.Words)
	if err != nil {
		return nil, err
	}
	d := &desk.Desk{DB: db, Now: e.now, Domain: cfg.Domain(), Words: words}
	err = db.Update(ctx, func(tx *store.Tx) error {
		key, err := tx.LinkKey(ctx)
		d.Signer = &desk.Signer{Key: key, BaseURL: cmp.Or(cfg.PublicURL, "http://"+cfg.Listen)}
		return err
	})
	return d, err
}

type campaignList struct {
	Account string `default:"main" help:"Account to look at."`
	JSON    bool   `help:"Print JSON."`
}

// Run lists campaigns.
func (c *campaignList) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		ps, err := (&desk.Desk{DB: db, Now: e.now}).Campaigns(e.ctx, coach.AccountID(c.Account))
		if err != nil {
			return err
		}
		if c.JSON {
			if ps == nil {
				ps = []desk.Progress{}
			}
			return printJSON(e.out, ps)
		}
		if len(ps) == 0 {
			fmt.Fprintln(e.out, "No campaign was started yet. 'sealmanac campaign start' does.")
			return nil
		}
		t := newTable(e.out)
		fmt.Fprintln(t, "campaign\tlot\tcoaches\twritten to\ttaken\twaiting\tfailed\tanswered\tnobody to write to")
		for _, p := range ps {
			fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\n", p.ID, p.Lot, p.Coaches, p.Told, p.Accepted, p.Waiting,
				p.Failed, p.Answered, len(p.Unreachable))
		}
		if err := t.Flush(); err != nil {
			return err
		}
		for _, p := range ps {
			for _, s := range p.Silent {
				fmt.Fprintf(e.out, "%s, no answer yet: %s\n", p.ID, s)
			}
			for _, s := range p.Unreachable {
				fmt.Fprintf(e.out, "%s, nobody to write to: %s\n", p.ID, s)
			}
		}
		return nil
	})
}
