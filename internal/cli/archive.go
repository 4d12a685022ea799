package cli

import (
	"fmt"
	"os"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

type archiveCmd struct {
	File    string `arg:"" help:"File to write, such as main.zip; it must not exist yet." type:"path"`
	Account string `default:"main" help:"Account to write."`
}

// Run writes an account as an archive.
func (c *archiveCmd) Run(e *env) (err error) {
	f, err := os.OpenFile(c.File, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return &fault.Error{Kind: fault.Invalid, Msg: "the archive cannot be written",
			Hint: "Name a file that does not exist yet, in a folder that does.", Err: err}
	}
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
		if err != nil {
			_ = os.Remove(c.File) // half an archive is none
		}
	}()
	err = withDesk(e, func(d *desk.Desk) error {
		return e.watch("Writing the archive", func() error { return d.Archive(e.ctx, coach.AccountID(c.Account), f) })
	})
	if err == nil {
		fmt.Fprintf(e.out, "Account %q is in %s. Members, keys, passwords and the links in its mails are not.\n", c.Account,
			c.File)
	}
	return err
}

type restoreCmd struct {
	File    string `arg:"" help:"Archive to read." type:"existingfile"`
	Account string `default:"main" help:"Account to make; it must not exist yet."`
	Quiet   bool   `help:"Send no reminders from it until 'sealmanac unpause': for a copy to look at."`
}

// Run makes an account from an archive.
func (c *restoreCmd) Run(e *env) error {
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // was only read
	st, err := f.Stat()
	if err != nil {
		return err
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	err = withStore(e, cfg, func(db *store.DB) error {
		d, err := deskWithLinks(e.ctx, e, cfg, db)
		if err != nil {
			return err
		}
		return e.watch("Restoring the account", func() error {
			return d.Restore(e.ctx, coach.AccountID(c.Account), f, st.Size(), c.Quiet)
		})
	})
	if err == nil {
		waiting := "Reminders that waited in it are now sent from here too: pause the old account first.\n"
		if c.Quiet {
			waiting = "It is paused: no reminders are sent until 'sealmanac unpause --account " + c.Account + "'.\n"
		}
		fmt.Fprintf(e.out, "Account %q is restored. The next pass computes its dates.\n%s"+
			"The links in mails sent before the archive lead to the old account, not to this one.\n"+
			"Nobody can sign in to it yet: 'sealmanac setup-link --account %s' prints the link for its first member.\n",
			c.Account,
			waiting, c.Account)
	}
	return err
}

type pauseCmd struct {
	Account string `default:"main" help:"Account to pause."`
}

// Run keeps an account's reminders back.
func (c *pauseCmd) Run(e *env) error {
	err := withDesk(e, func(d *desk.Desk) error { return d.Pause(e.ctx, coach.AccountID(c.Account), "operator") })
	if err == nil {
		fmt.Fprintf(e.out, "Account %q is paused: no reminders are sent until 'sealmanac unpause --account %s'. Mails to "+
			"members "+
			"are still sent.\n", c.Account, c.Account)
	}
	return err
}

type unpauseCmd struct {
	Account string `default:"main" help:"Account to start."`
}

// Run lets an account's reminders go again.
func (c *unpauseCmd) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		was, err := d.Sending(e.ctx, coach.AccountID(c.Account))
		if err != nil {
			return err
		}
		if err := d.Start(e.ctx, coach.AccountID(c.Account), "operator"); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Account %q sends reminders. The running daemon makes a new pass within a minute.\n", c.Account)
		for _, h := range was.Held {
			if h.Hold == reminder.HoldPaused {
				fmt.Fprintf(e.out, "%s to %s were ready.\n", count(h.Messages, "message", "messages"),
					count(h.People, "person", "people"))
			}
		}
		return nil
	})
}
