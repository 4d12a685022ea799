package cli

import (
	"fmt"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

type heldCmd struct {
	List     heldList     `cmd:"" default:"withargs" help:"Show how many messages wait for a decision, and why."`
	Release  heldRelease  `cmd:"" help:"Send the messages of an unusual day."`
	Withdraw heldWithdraw `cmd:"" help:"Withdraw held messages. Their tasks are put off until a day."`
}

type heldList struct {
	Account string `default:"main" help:"Account to look at."`
	JSON    bool   `help:"Print JSON."`
}

// heldWords say why messages wait.
var heldWords = map[string]string{
	reminder.HoldPaused:  "the account is paused",
	reminder.HoldUnusual: "far more than usual for one day",
}

// Run shows what waits for a decision.
func (c *heldList) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		s, err := d.Sending(e.ctx, coach.AccountID(c.Account))
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(e.out, map[string]any{"paused": s.Paused, "held": append([]store.Held{}, s.Held...)})
		}
		if s.Paused {
			fmt.Fprintf(e.out, "Account %q is paused: no reminders are sent until 'sealmanac unpause --account %s'.\n",
				c.Account,
				c.Account)
		}
		if len(s.Held) == 0 {
			fmt.Fprintln(e.out, "No message waits for a decision.")
			return nil
		}
		t := newTable(e.out)
		fmt.Fprintln(t, "why\tmessages\tpeople\tmost to one person\tsince")
		for _, h := range s.Held {
			fmt.Fprintf(t, "%s\t%d\t%d\t%d, to %s\t%s\n", heldWords[h.Hold], h.Messages, h.People, h.Most, h.ToOne, h.Since)
			for _, b := range h.Batches {
				fmt.Fprintf(t, "  import of %s\t%d\t%s\t\t\n", b.Batch, b.Messages, count(b.Coaches, "coach", "coaches"))
			}
		}
		return t.Flush()
	})
}

type heldRelease struct {
	Account string `default:"main" help:"Account to work in."`
}

// Run lets an unusual day's messages leave.
func (c *heldRelease) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		if err := d.ReleaseHeld(e.ctx, coach.AccountID(c.Account), "operator"); err != nil {
			return err
		}
		fmt.Fprintln(e.out, "Released. The running daemon writes them again for today within a minute; they leave at each "+
			"person's next sending hours.")
		return nil
	})
}

type heldWithdraw struct {
	Account string `default:"main" help:"Account to work in."`
	Import  string `help:"Only those of one import, as 'sealmanac held' names it." placeholder:"TIME"`
	Paused  bool   `help:"Those of a paused account, instead of those of an unusual day."`
	Until   day    `required:"" help:"Put their tasks off until this day, YYYY-MM-DD." placeholder:"DATE"`
}

// Run withdraws held messages.
func (c *heldWithdraw) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		hold := reminder.HoldUnusual
		if c.Paused {
			hold = reminder.HoldPaused
		}
		n, err := d.WithdrawHeld(e.ctx, coach.AccountID(c.Account), "operator", hold, c.Import, c.Until.Date)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%s withdrawn. Their tasks are put off until %s.\n", count(n, "message is", "messages are"),
			c.Until.Date)
		return nil
	})
}
