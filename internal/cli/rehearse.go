package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
)

type rehearseCmd struct {
	reading
	File    string `arg:"" optional:"" help:"Coach file, list, or 'demo'; without it the store is played from today on, with what people were told and said so far."`
	Account string `default:"main" help:"Account of the store, when no file is named."`
	From    day    `help:"First day, YYYY-MM-DD; with a file." placeholder:"DATE"`
	Until   day    `required:"" help:"Last day, YYYY-MM-DD." placeholder:"DATE"`
	Assume  string `default:"done" enum:"done,nothing" help:"What people do after a message: done (by its target) or nothing."`
	JSON    bool   `help:"Print JSON."`
}

type rehearsal struct {
	From       civil.Date     `json:"from"`
	Until      civil.Date     `json:"until"`
	Assume     string         `json:"assume"`
	Notices    []rehearsed    `json:"notices"`
	CallList   []call         `json:"call_list"`
	Suppressed map[string]int `json:"suppressed"`
}

type call struct {
	Day    civil.Date `json:"day"`
	Coach  coach.ID   `json:"coach"`
	Person string     `json:"person"`
	Task   string     `json:"task"`
	Run    string     `json:"run"`
	Reason string     `json:"reason"` // why the shop calls
	Phone  string     `json:"phone,omitempty"`
}

type rehearsed struct {
	Day     civil.Date     `json:"day"`
	Coach   coach.ID       `json:"coach"`
	Person  string         `json:"person"`
	Task    coach.TaskKind `json:"task"`
	Run     string         `json:"run"`
	Rung    string         `json:"rung"`
	Target  civil.Date     `json:"target"`
	Sends   string         `json:"not_before"`
	Covers  int            `json:"covers"`
	Subject string         `json:"subject"`
	Why     string         `json:"why"`
}

// Run plays the days ahead.
func (c *rehearseCmd) Run(e *env) error {
	if c.File == "" {
		return c.stored(e)
	}
	if c.From.Date == 0 {
		return fault.New(fault.Invalid, "--from is missing", "Give the first day to play.")
	}
	if c.Until.Date < c.From.Date {
		return fault.New(fault.Invalid, "--until is before --from", "Give the earlier day as --from.")
	}
	content, tools, err := c.readOn(e, max(c.From.Date, e.on(day{})), c.File)
	if err != nil {
		return err
	}
	snap := cycle.Snapshot{Account: coach.Account{ID: "rehearsal", Name: "Your shop"}, Today: c.From.Date}
	if content.Shop != nil {
		snap.Account = *content.Shop
		snap.Account.ID = "rehearsal"
	}
	for _, k := range content.Coaches {
		snap.Members = append(snap.Members, cycle.Member{Coach: k})
	}
	var found cycle.Rehearsal
	_ = e.watch("Playing the days", func() error { // nothing in it fails
		found = cycle.Rehearse(tools, snap, c.Until.Date, cycle.Assume(c.Assume))
		return nil
	})
	return c.print(e, c.From.Date, found)
}

// stored plays an account of the store; nothing is written.
func (c *rehearseCmd) stored(e *env) error {
	if c.From.Date != 0 {
		return fault.New(fault.Invalid, "--from is for files", "The store is played from today on.")
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		id := coach.AccountID(c.Account)
		var own *rulebook.Rulebook
		if err := db.View(e.ctx, func(tx *store.Tx) (err error) {
			own, err = desk.RulesOf(e.ctx, tx, id, rules)
			return err
		}); err != nil {
			return err
		}
		var from civil.Date
		var found cycle.Rehearsal
		err := e.watch("Playing the days", func() (err error) {
			from, found, err = (&desk.Desk{DB: db, Now: e.now}).Rehearse(e.ctx, id, daemon.Tools(own, tables, cfg.Domain()),
				c.Until.Date, cycle.Assume(c.Assume))
			return err
		})
		if err != nil {
			return err
		}
		return c.print(e, from, found)
	})
}

func (c *rehearseCmd) print(e *env, from civil.Date, found cycle.Rehearsal) error {
	r := rehearsal{From: from, Until: c.Until.Date, Assume: c.Assume, Notices: []rehearsed{}, CallList: []call{},
		Suppressed: map[string]int{}}
	for _, x := range found.Notices {
		n := x.Notice
		r.Notices = append(r.Notices, rehearsed{x.Day, n.Coach, n.Person, n.Task, n.Run,
			fmt.Sprintf("%d of %d", n.Rung+1, n.Rungs), n.Target, n.NotBefore.Format("2006-01-02 15:04 MST"), len(n.Covers),
			n.Subject, n.Why})
	}
	for _, x := range found.Calls {
		f := append(strings.Split(x.TaskKey, "|"), "", "")
		r.CallList = append(r.CallList, call{x.Day, x.Coach, x.Person, f[0], f[1], x.Reason, x.Phone})
	}
	for k, v := range found.Reasons {
		r.Suppressed[string(k)] = v
	}
	if c.JSON {
		return printJSON(e.out, r)
	}
	return printRehearsal(e, r)
}

func printRehearsal(e *env, r rehearsal) error {
	fmt.Fprintf(e.out, "%d notices from %s to %s, if people do: %s. Nothing was sent.\n\n", len(r.Notices), r.From,
		r.Until, r.Assume)
	t := newTable(e.out)
	fmt.Fprintln(t, "sent from\tto\tcoach\tsubject\tstep\ttarget")
	for _, n := range r.Notices {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", n.Sends, n.Person, n.Coach, n.Subject, n.Rung, n.Target)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if len(r.CallList) > 0 {
		fmt.Fprintf(e.out, "\nThe shop would have to call:\n")
		t = newTable(e.out)
		fmt.Fprintln(t, "  from\tperson\tphone\tcoach\twhy\tabout")
		for _, c := range r.CallList {
			about := strings.TrimSpace(strings.ReplaceAll(c.Task, "_", " ") + " " + c.Run)
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\n", c.Day, cmp.Or(c.Person, "nobody on record"), cmp.Or(c.Phone, "-"),
				c.Coach, callWords(c.Reason), about)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	fmt.Fprintln(e.out, "\nHeld back, by reason (counted for each day, task and person):")
	keys := make([]string, 0, len(r.Suppressed))
	for k := range r.Suppressed {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b string) int {
		return cmp.Or(cmp.Compare(r.Suppressed[b], r.Suppressed[a]), cmp.Compare(a, b))
	})
	for _, k := range keys {
		fmt.Fprintf(e.out, "  %-14s %7d  %s\n", k, r.Suppressed[k], reasonWords[reminder.Reason(k)])
	}
	return nil
}

var reasonWords = map[reminder.Reason]string{
	reminder.NotYet: "no reminder step applies yet", reminder.AlreadyTold: "already told on this reminder step",
	reminder.Merged:  "inside another message of the day",
	reminder.TooSoon: "too soon after the last message", reminder.YearFull: "this year's messages are used up",
	reminder.Snoozed:     "the person asked for later",
	reminder.BookedAsked: "the shop has the request", reminder.CallList: "unanswered: on the call list",
	reminder.OptedOut:  "the person said stop",
	reminder.NoAddress: "no e-mail address", reminder.BadAddress: "the address does not work",
	reminder.CoachSold: "the coach was sold", reminder.DoneReported: "reported as done",
	reminder.Booked: "a day is agreed", reminder.NoConsent: "no consent on record", reminder.Reached: "reached by phone",
	reminder.ByPhone: "the shop calls instead",
	reminder.TakenIn: "other work that is asked for does it", reminder.TooLate: "too late when the message would leave",
}

// callWords say why the shop calls somebody.
func callWords(reason string) string {
	return cmp.Or(map[string]string{
		desk.StopCall: "safety stop", string(reminder.CallList): "messages went unanswered",
		string(reminder.OptedOut): "stopped the mails",
		string(reminder.ByPhone):  "the shop chose to call",
	}[reason], reasonWords[reminder.Reason(reason)], reason)
}
