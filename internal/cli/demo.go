package cli

import (
	"cmp"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/demo"
	"sealmanac/internal/projection"
	"sealmanac/internal/settings"
)

type demoCmd struct {
	Once   bool   `help:"Do one pass, deliver, print, and exit."`
	Dir    string `help:"Folder for the demo's store (default: a temporary one, removed at the end)." type:"path"`
	Listen string `default:"127.0.0.1:0" help:"Address of the status page."`
}

// Run plays the demo.
func (c *demoCmd) Run(e *env) (err error) {
	tables, rules, err := e.parts(settings.Config{})
	if err != nil {
		return err
	}
	if c.Dir == "" {
		if c.Dir, err = os.MkdirTemp("", "sealmanac-demo-"); err != nil {
			return err
		}
		defer os.RemoveAll(c.Dir) //nolint:errcheck // a temporary folder
	}
	d, err := demo.Start(e.ctx, demo.Options{Dir: c.Dir, Rules: rules, Tables: tables, Log: e.log(slog.LevelWarn),
		Listen: c.Listen})
	if err != nil {
		return err
	}
	defer func() {
		if e := d.Close(e.ctx); err == nil {
			err = e
		}
	}()
	res, rows, err := d.Pass(e.ctx)
	if err != nil {
		return err
	}
	printDemoForecast(e, d.Coaches, res)
	printDemoNotices(e, rows)
	accepted, failed := demo.Count(rows)
	if !c.Once {
		fmt.Fprintf(e.out, "\nPages:    http://%s/\n          sign in as %s with the password: %s\n"+
			"Mailbox:  %s\n          read the mails, press their links\nStop with Ctrl-C.\n\n",
			d.Daemon.Addr(), demo.Email, demo.Password, d.MailboxURL())
	}
	fmt.Fprintf(e.out, "notices: %d accepted, %d failed\n", accepted, failed)
	if !c.Once {
		<-e.ctx.Done()
		return nil
	}
	if failed > 0 {
		return errSaid
	}
	return nil
}

// printDemoForecast prints, for each slide, the part that needs replacement
// first.
func printDemoForecast(e *env, coaches []coach.Coach, res cycle.Result) {
	fmt.Fprintf(e.out, "The first need on each slide, as of %s:\n\n", demo.Day.Long())
	t := newTable(e.out)
	fmt.Fprintln(t, "coach\tfirst part to replace\tmaterial\tfitted\tused\tearly\tlikely\tlate\tby")
	slides := map[coach.ID][]coach.Slide{}
	for i := range coaches {
		slides[coaches[i].ID] = coaches[i].Slides
	}
	for _, o := range res.Outcomes {
		for _, s := range slides[o.Coach] {
			var first *projection.Forecast
			for j := range o.Forecasts {
				f := &o.Forecasts[j]
				if f.Slide == s.ID && (first == nil || cmp.Or(strings.Compare(first.Hold.String(), f.Hold.String()),
					int(f.Likely-first.Likely)) < 0) {
					first = f
				}
			}
			switch {
			case first == nil:
			case !first.Hold.IsZero():
				fmt.Fprintf(t, "%s\t%s/%s\t%s\t%s\t\twrong size\n", o.Coach, first.Run, first.Part, first.Material,
					first.Fitted)
			default:
				fmt.Fprintf(t, "%s\t%s/%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", o.Coach, first.Run, first.Part, first.Material,
					first.Fitted, percent(first.LifeUsed), first.Early, first.Likely, first.Late,
					strings.ReplaceAll(governing(first), "_", " "))
			}
		}
	}
	_ = t.Flush() // standard output
}

func printDemoNotices(e *env, rows []demo.Row) {
	slices.SortFunc(rows, func(a, b demo.Row) int {
		return cmp.Or(strings.Compare(a.Coach, b.Coach), strings.Compare(a.Person, b.Person))
	})
	fmt.Fprintf(e.out, "\nMails of the day:\n\n")
	t := newTable(e.out)
	fmt.Fprintln(t, "coach\tto\tsubject\tstate\tanswer of the mail server")
	for _, r := range rows {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", r.Coach, r.Person, r.Subject, r.State, r.Reply)
	}
	_ = t.Flush() // standard output
}
