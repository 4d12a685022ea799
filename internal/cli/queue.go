package cli

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"sealmanac/config"
	"sealmanac/internal/coach"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

type queueCmd struct {
	List     queueList     `cmd:"" help:"List messages: those that may still be mailed, those in one state, or what was held back and why."`
	Release  queueRelease  `cmd:"" help:"Send a message now. One that failed or was withdrawn is tried again."`
	Withdraw queueWithdraw `cmd:"" help:"Withdraw a message that was not mailed yet."`
}

type queueList struct {
	Account    string `default:"main" help:"Account to look at."`
	State      string `default:"open" enum:"open,queued,sending,retry,accepted,given_up,withdrawn" help:"Which: open, queued, sending, retry, accepted, given_up or withdrawn."`
	Suppressed bool   `help:"Show what the last pass held back instead, by reason."`
	Most       int    `default:"200" help:"At most so many."`
	JSON       bool   `help:"Print JSON."`
}

// queued is the JSON of one notice.
type queued struct {
	Number    string    `json:"number"`
	Coach     string    `json:"coach"`
	Person    string    `json:"person"`
	Subject   string    `json:"subject"`
	State     string    `json:"state"`
	NotBefore time.Time `json:"not_before"`
	Tries     int       `json:"tries"`
	Reply     string    `json:"reply,omitempty"`
}

// Run lists notices.
func (c *queueList) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		if c.Suppressed {
			return c.suppressed(e, d)
		}
		states := desk.Open
		if c.State != "open" {
			states = []reminder.State{reminder.State(c.State)}
		}
		rows, err := d.Queue(e.ctx, coach.AccountID(c.Account), states, c.Most)
		if err != nil {
			return err
		}
		out := []queued{}
		for _, r := range rows {
			out = append(out, queued{r.LinkID[:10], r.Coach, r.Person, r.Subject, r.State, time.UnixMicro(r.NotBefore).UTC(),
				r.Tries, r.Reply})
		}
		if c.JSON {
			return printJSON(e.out, out)
		}
		if len(out) == 0 {
			fmt.Fprintf(e.out, "No notice is %s.\n", strings.ReplaceAll(c.State, "_", " "))
			return nil
		}
		t := newTable(e.out)
		fmt.Fprintln(t, "number\tstate\tnot before (UTC)\ttries\tto\tsubject\tanswer of the mail server")
		for _, q := range out {
			fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\t%s\t%s\n", q.Number, q.State, q.NotBefore.Format("2006-01-02 15:04"), q.Tries,
				q.Person, q.Subject, q.Reply)
		}
		return t.Flush()
	})
}

func (c *queueList) suppressed(e *env, d *desk.Desk) error {
	rows, err := d.Suppressed(e.ctx, coach.AccountID(c.Account))
	if err != nil {
		return err
	}
	if c.JSON {
		if rows == nil {
			rows = []store.SuppressedRow{}
		}
		return printJSON(e.out, rows)
	}
	count := map[string]int{}
	for _, r := range rows {
		count[r.Reason]++
	}
	var reasons []string
	for r := range count {
		reasons = append(reasons, r)
	}
	slices.SortFunc(reasons, func(a, b string) int { return cmp.Or(cmp.Compare(count[b], count[a]), cmp.Compare(a, b)) })
	for _, r := range reasons {
		fmt.Fprintf(e.out, "%-15s %6d  %s\n", r, count[r], reasonWords[reminder.Reason(r)])
	}
	t := newTable(e.out)
	fmt.Fprintln(t, "\nreason\tcoach\tperson\ttask")
	for _, r := range rows[:min(len(rows), c.Most)] {
		f := append(strings.Split(r.TaskKey, "|"), "")
		fmt.Fprintf(t, "%s\t%s\t%s\t%s %s\n", r.Reason, r.Coach, r.Person, strings.ReplaceAll(f[0], "_", " "), f[1])
	}
	return t.Flush()
}

type queueRelease struct {
	Notice  string `arg:"" help:"The number that queue list shows, or the Message-ID."`
	Account string `default:"main" help:"Account to work in."`
}

// Run lets a notice go.
func (c *queueRelease) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		r, err := d.Release(e.ctx, coach.AccountID(c.Account), c.Notice)
		if err == nil {
			fmt.Fprintf(e.out, "%s to %s is released; the running daemon sends it within a minute.\n", r.Subject, r.Person)
		}
		return err
	})
}

type queueWithdraw struct {
	Notice  string `arg:"" help:"The number that queue list shows, or the Message-ID."`
	Account string `default:"main" help:"Account to work in."`
}

// Run takes a notice back.
func (c *queueWithdraw) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		r, err := d.TakeBack(e.ctx, coach.AccountID(c.Account), c.Notice)
		if err == nil {
			fmt.Fprintf(e.out, "%s to %s is withdrawn.\n", r.Subject, r.Person)
		}
		return err
	})
}

type previewCmd struct {
	Notice   string `arg:"" help:"The number that queue list shows, or the Message-ID."`
	To       string `help:"Send it to this address instead of its own, marked as a preview; without it, it is printed." placeholder:"ADDRESS"`
	HTML     bool   `help:"Print the HTML part."`
	Language string `help:"Write it in another language, such as es or fr, without links." placeholder:"TAG"`
	Account  string `default:"main" help:"Account to look at."`
}

// Run shows a notice as it would look. Its links are cut off, so that a preview
// answers for nobody.
func (c *previewCmd) Run(e *env) error {
	return withDesk(e, func(d *desk.Desk) error {
		row, err := d.Find(e.ctx, coach.AccountID(c.Account), c.Notice)
		if err != nil {
			return err
		}
		n, err := row.Notice()
		if err != nil {
			return err
		}
		if c.Language != "" {
			if n, err = c.again(e, d, n); err != nil {
				return err
			}
		}
		if c.To == "" {
			if c.HTML {
				fmt.Fprint(raw(e.out), n.HTML)
				return nil
			}
			fmt.Fprintf(raw(e.out), "To: %s <%s>\nFrom: %s\nSubject: %s\n\n%s", n.PersonName, n.Person, n.From, n.Subject,
				n.Text)
			return nil
		}
		return c.send(e, &n)
	})
}

// again writes the notice in another language.
func (c *previewCmd) again(e *env, d *desk.Desk, n reminder.Notice) (reminder.Notice, error) {
	cfg, err := e.settings()
	if err != nil {
		return n, err
	}
	if d.Words, err = daemon.Words(cfg.Words); err != nil {
		return n, err
	}
	if known := d.Words.Languages(); !slices.Contains(known, strings.ToLower(c.Language)) {
		return n, fault.New(fault.NotFound, fmt.Sprintf("there are no words in %q", c.Language),
			"Languages: "+strings.Join(known, ", ")+". A folder named as words: in the configuration adds more.")
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return n, err
	}
	return d.InLanguage(e.ctx, coach.AccountID(c.Account), daemon.Tools(rules, tables, cfg.Domain()), &n, c.Language)
}

type translationsCmd struct {
	Language string `arg:"" optional:"" help:"Language tag, such as es; without it, the languages are listed."`
}

// Run prints a language's catalogue, to be edited and put into the folder that the
// configuration names as words:.
func (c *translationsCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	words, err := daemon.Words(cfg.Words)
	if err != nil {
		return err
	}
	phrases := wording.Phrases(config.Phrases)
	if c.Language == "" {
		for _, l := range words.Languages() {
			n := 0
			for _, p := range phrases {
				if l == wording.English || words.In(l).Has(p) {
					n++
				}
			}
			fmt.Fprintf(e.out, "%-6s %d of %d phrases\n", l, n, len(phrases))
		}
		return nil
	}
	fmt.Fprint(raw(e.out), wording.Template(words.In(c.Language), c.Language, phrases))
	return nil
}

func (c *previewCmd) send(e *env, n *reminder.Notice) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	if cfg.MailAddress == "" {
		return fault.New(fault.Invalid, "no mail server is configured",
			"Set mail.address and mail.from, or leave --to out to print it.")
	}
	n.Text, n.HTML = desk.AnswerLink.ReplaceAllString(n.Text, "/a/preview"),
		desk.AnswerLink.ReplaceAllString(n.HTML, "/a/preview")
	n.Person, n.PersonName, n.StopLink, n.Subject = c.To, "", "", "[preview] "+n.Subject
	n.MessageID = fmt.Sprintf("<preview.%d.%s@%s>", e.now().UnixNano(), n.LinkID[:10], cfg.Domain())
	n.LinkID = ""
	ctx, cancel := context.WithTimeout(e.ctx, cfg.MailTimeout)
	defer cancel()
	out := daemon.Relay(cfg)
	defer out.Close() //nolint:errcheck // idle connections only
	reply, err := out.Send(ctx, n)
	if err != nil {
		return &fault.Error{Kind: fault.Unavailable, Msg: "the mail server did not take the preview: " + err.Error(),
			Hint: "Run 'sealmanac check'.", Err: err}
	}
	fmt.Fprintf(e.out, "sent to %s: %s\n", c.To, reply)
	return nil
}

// withDesk opens the configured store for one command.
func withDesk(e *env, f func(*desk.Desk) error) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	tables, err := e.tables()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error { return f(&desk.Desk{DB: db, Now: e.now, Places: tables}) })
}
