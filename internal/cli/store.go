package cli

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

type importCmd struct {
	reading
	Files   []string `arg:"" name:"file" help:"Coach files (.yaml, .json), part lists or bookings (.csv, .xlsx, .ics), or folders of them."`
	Account string   `default:"main" help:"Account to store them in."`
	DryRun  bool     `help:"Only report; store nothing."`
}

// Run reads files into the store, all or nothing.
func (c *importCmd) Run(e *env) error {
	var files []string
	for _, f := range c.Files {
		fs, err := filesOf(f)
		if err != nil {
			return err
		}
		files = append(files, fs...)
	}
	var content intake.Content
	err := e.watch("Reading "+count(len(files), "file", "files"), func() (err error) {
		content, _, err = c.read(e, e.on(day{}), files...)
		return err
	})
	if err != nil {
		return err
	}
	if err := c.accountName(); err != nil {
		return err
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return err
	}
	on := func(db *store.DB) *desk.Desk {
		return &desk.Desk{DB: db, Now: e.now, Places: tables, ToolsFor: toolsOf(db, tables, rules, cfg)}
	}
	what := fmt.Sprintf("%s with %s", count(len(content.Coaches), "coach", "coaches"),
		count(countParts(content.Coaches), "part", "parts"))
	id := coach.AccountID(c.Account)
	if c.DryRun {
		var o desk.Outlook
		known := false
		err := forTrial(e, cfg, func(db *store.DB) (err error) {
			return e.watch("Trying "+what, func() (err error) {
				o, known, err = on(db).TryImport(e.ctx, id, content)
				return err
			})
		})
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%s read without a problem. Nothing was stored (--dry-run).\n", what)
		if !known {
			fmt.Fprintf(e.out, "The shop %q is not stored yet. Import a coach file with its shop: block first (it may hold "+
				"nothing else), then this.\n", c.Account)
		}
		c.outlook(e, o)
		return nil
	}
	return withStore(e, cfg, func(db *store.DB) error {
		var o desk.Outlook
		err := e.watch("Storing "+what, func() (err error) {
			o, err = on(db).Import(e.ctx, id, content)
			return err
		})
		if err != nil {
			return err
		}
		booked := 0
		for _, bs := range content.Booked {
			booked += len(bs)
		}
		also := ""
		if len(content.BookingFiles) > 0 {
			also = " and " + count(booked, "booked period", "booked periods")
		}
		fmt.Fprintf(e.out, "%s%s stored in account %q (%s). The daemon dates them at its next pass.\n", what, also, c.Account,
			db.Name())
		c.outlook(e, o)
		return nil
	})
}

// outlook says who would be written to because of an import, and what holds that back.
func (c *importCmd) outlook(e *env, o desk.Outlook) {
	if !o.Known || o.Coaches == 0 {
		return
	}
	would := "The next pass makes"
	if c.DryRun {
		would = "Stored, the next pass would make"
	}
	fmt.Fprintf(e.out, "%s %s to %s about them.\n", would, count(o.Messages, "message", "messages"),
		count(o.People, "person", "people"))
	if o.Most > 1 {
		fmt.Fprintf(e.out, "The most to one person: %d, to %s.\n", o.Most, o.ToOne)
	}
	if o.Paused {
		fmt.Fprintf(e.out, "The account is paused: it sends nothing until 'sealmanac unpause --account %s', or until a "+
			"manager "+
			"starts it on the board.\n", c.Account)
	} else if reminder.Unusual(o.Messages, o.Most, nil) {
		fmt.Fprintln(e.out, "That is far more than usual for one day: unless such days are common here, the messages wait "+
			"for a decision. See 'sealmanac held'.")
	}
}

// toolsOf returns what accounts of a store are dated with: their own rules, if they
// accepted some.
func toolsOf(
	db *store.DB, tables *climate.Tables, rules *rulebook.Rulebook, cfg settings.Config,
) func(context.Context, coach.AccountID) (cycle.Tools, error) {
	return func(ctx context.Context, id coach.AccountID) (cycle.Tools, error) {
		own := rules
		err := db.View(ctx, func(tx *store.Tx) (err error) {
			own, err = desk.RulesOf(ctx, tx, id, rules)
			return err
		})
		if err != nil {
			return cycle.Tools{}, err
		}
		return daemon.Tools(own, tables, cfg.Domain()), nil
	}
}

func countParts(cs []coach.Coach) (n int) {
	for _, c := range cs {
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				n += len(r.Parts)
			}
		}
	}
	return n
}

// accountName refuses names that would make an account by a slip.
func (c *importCmd) accountName() error {
	if c.Account == "" || len(c.Account) > 40 || strings.Trim(c.Account,
		"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_") != "" {
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not an account's name", c.Account),
			"Use letters, digits, - and _, at most 40.")
	}
	return nil
}

// forTrial opens the configured store without making or migrating it. Where there is none
// yet, an empty one stands for it while f runs.
func forTrial(e *env, cfg settings.Config, f func(*store.DB) error) error {
	fresh := false
	if cfg.StoreKind == "sqlite" {
		_, err := os.Stat(cfg.StorePath)
		fresh = os.IsNotExist(err)
	}
	if !fresh {
		db, err := daemon.OpenStore(cfg)
		if err != nil {
			return err
		}
		defer db.Close() //nolint:errcheck // nothing was written
		if err := db.Ping(e.ctx); err != nil {
			return err
		}
		have, _, err := db.Schema(e.ctx)
		if err != nil {
			return err
		}
		if have > 0 {
			if err := db.Ready(e.ctx); err != nil {
				return err
			}
			return f(db)
		}
	}
	dir, err := os.MkdirTemp("", "sealmanac-trial-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // the system's temporary folder
	return withStore(e, settings.Config{StoreKind: "sqlite", StorePath: filepath.Join(dir, "trial.db")}, f)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// withStore opens the configured store, migrated, for one command.
func withStore(e *env, cfg settings.Config, f func(*store.DB) error) (err error) {
	db, err := daemon.OpenStore(cfg)
	if err != nil {
		return err
	}
	defer func() {
		if e := db.Close(); err == nil {
			err = e
		}
	}()
	if err := e.watch("Bringing the schema up to date", func() error { return db.Migrate(e.ctx) }); err != nil {
		return err
	}
	return f(db)
}

type migrateCmd struct{}

// Run brings the schema forward.
func (migrateCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		have, _, err := db.Schema(e.ctx)
		if err == nil {
			fmt.Fprintf(e.out, "The %s schema is at version %d.\n", db.Name(), have)
		}
		return err
	})
}

type serveCmd struct{}

// Run is the daemon until it is told to stop.
func (serveCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	if err := cfg.ForServing(); err != nil {
		return err
	}
	tables, rules, err := e.parts(cfg)
	if err != nil {
		return err
	}
	log := e.log(slog.LevelInfo)
	d, err := daemon.New(e.ctx, daemon.Options{Config: cfg, Rules: rules, Tables: tables, Log: log})
	if err != nil {
		return err
	}
	if err := d.Start(e.ctx); err != nil {
		return joinClose(e.ctx, d, err)
	}
	<-e.ctx.Done()
	log.Info("stopping: running jobs finish first")
	return d.Close(e.ctx)
}

func joinClose(ctx context.Context, d *daemon.Daemon, err error) error {
	if e := d.Close(ctx); e != nil {
		return fmt.Errorf("%w; and while stopping: %w", err, e)
	}
	return err
}

type checkCmd struct{}

// Run looks at everything the daemon needs and gives each a verdict.
func (checkCmd) Run(e *env) error {
	failed := false
	say := func(what string, err error, fine string) {
		if err == nil {
			fmt.Fprintf(e.out, "ok    %-14s %s\n", what, fine)
			return
		}
		failed = true
		fmt.Fprintf(e.out, "FAIL  %-14s %s\n", what, fault.Plain(err))
		if hint := fault.HintOf(err); hint != "" {
			fmt.Fprintf(e.out, "      %-14s what to do: %s\n", "", hint)
		}
	}
	cfg, cfgErr := e.settings()
	if cfgErr == nil {
		cfgErr = cfg.ForServing()
	}
	say("configuration", cfgErr, "every key is known and in range")
	if len(cfg.DKIM) > 0 {
		say("signing keys", daemon.CheckKeys(cfg), "publish these records:")
		for _, r := range daemon.Records(cfg) {
			fmt.Fprintf(e.out, "      %-14s %s\n", "", r)
		}
	} else {
		fmt.Fprintf(e.out, "--    %-14s none: messages leave unsigned; see dkim: in the example configuration\n",
			"signing keys")
	}
	rules, err := e.rulebook(cfg.Rulebook)
	fine := ""
	if err == nil {
		fine = "version " + rules.Version
	}
	say("rulebook", err, fine)
	words, err := daemon.Words(cfg.Words)
	say("words", err, "languages: "+strings.Join(words.Languages(), ", "))
	ctx, cancel := context.WithTimeout(e.ctx, 30*time.Second)
	defer cancel()
	fine, err = checkStore(ctx, cfg)
	say("database", err, fine)
	if err == nil {
		sayDoubled(ctx, e.out, cfg)
	}
	switch {
	case cfg.MailAddress != "":
		fine = cfg.MailAddress + " answers"
		if cfg.MailUser != "" {
			fine += " and takes our login"
		}
		say("mail server", daemon.Relay(cfg).Check(ctx), fine)
	case cfgErr != nil:
		fmt.Fprintf(e.out, "--    %-14s not tried: correct the configuration first\n", "mail server")
	default:
		say("mail server", fault.New(fault.Invalid, "no mail server is configured", "Set mail.address and mail.from."), "")
	}
	if failed {
		return errSaid
	}
	return nil
}

// checkStore looks at the database without making or changing it.
func checkStore(ctx context.Context, cfg settings.Config) (fine string, err error) {
	if cfg.StoreKind == "sqlite" {
		if _, err := os.Stat(cfg.StorePath); os.IsNotExist(err) {
			if err := store.CheckFolder(cfg.StorePath); err != nil {
				return "", err
			}
			return "sqlite, " + cfg.StorePath + " does not exist yet; import or serve makes it", nil
		}
	}
	db, err := daemon.OpenStore(cfg)
	if err != nil {
		return "", err
	}
	defer db.Close() //nolint:errcheck // nothing was written
	if err := db.Ping(ctx); err != nil {
		return "", err
	}
	have, want, err := db.Schema(ctx)
	if err != nil {
		return "", err
	}
	if have < want {
		return fmt.Sprintf("%s, schema %d will be brought to %d by migrate, import or serve", cfg.StoreKind, have, want), nil
	}
	return cfg.StoreKind + ", schema is current", db.Ready(ctx)
}

// sayDoubled lists the external_ids that several coaches have. New ones are refused; those
// on record stay until somebody decides, and a customer system finds several coaches by
// such a key.
func sayDoubled(ctx context.Context, out io.Writer, cfg settings.Config) {
	if cfg.StoreKind == "sqlite" {
		if _, err := os.Stat(cfg.StorePath); err != nil {
			return
		}
	}
	db, err := daemon.OpenStore(cfg)
	if err != nil {
		return
	}
	defer db.Close() //nolint:errcheck // nothing was written
	if db.Ready(ctx) != nil {
		return // it has yet to be migrated
	}
	var doubled []store.Doubled
	err = db.View(ctx, func(tx *store.Tx) (err error) {
		doubled, err = tx.DoubledExternals(ctx)
		return err
	})
	if err != nil {
		fmt.Fprintf(out, "--    %-14s could not be looked at: %s\n", "external_id", fault.Plain(err))
		return
	}
	for i, d := range doubled {
		if i == mostDoubled {
			fmt.Fprintf(out, "--    %-14s and %d more\n", "external_id", len(doubled)-i)
			break
		}
		of := strings.Join(d.Coaches, ", ")
		fmt.Fprintf(out, "--    %-14s account %s: %q belongs to coaches %s\n", "external_id", d.Account, d.External, of)
	}
	if len(doubled) > 0 {
		fmt.Fprintf(out, "      %-14s what to do: give each of these coaches an external_id of its own\n", "")
	}
}

// mostDoubled is how many of them are listed.
const mostDoubled = 20

type callsCmd struct {
	Account string `default:"main" help:"Account to look at."`
	JSON    bool   `help:"Print JSON."`
}

// Run lists what people wait for.
func (c *callsCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		rs, err := (&desk.Desk{DB: db, Now: e.now}).Requests(e.ctx, coach.AccountID(c.Account))
		if err != nil {
			return err
		}
		if c.JSON {
			if rs == nil {
				rs = []store.Request{}
			}
			return printJSON(e.out, rs)
		}
		if len(rs) == 0 {
			fmt.Fprintln(e.out, "Nobody waits: no appointments were requested in 90 days, and nobody is on the call list.")
			return nil
		}
		t := newTable(e.out)
		fmt.Fprintln(t, "what\tperson\tphone\tcoach\tabout\tasked on")
		for _, r := range rs {
			what := map[string]string{"book": "book them in", "confirm": "confirm: they say it is done",
				"moved": "accept the new place"}[r.Kind]
			if r.Kind == "call" {
				what = "call: " + callWords(r.Reason)
			}
			task := strings.Split(r.TaskKey, "|")
			about := strings.ReplaceAll(strings.Join(task[:min(2, len(task))], " "), "_", " ")
			if r.Place != "" {
				about = "stands in " + r.Place
			}
			who := cmp.Or(r.Name, r.Person, "nobody on record")
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", what, who, cmp.Or(r.Phone, "-"), r.Coach, about, r.Day)
		}
		return t.Flush()
	})
}

type resubscribeCmd struct {
	Person  string `arg:"" help:"Their e-mail address."`
	Account string `default:"main" help:"Account to change."`
}

// Run switches a person's reminders on again.
func (c *resubscribeCmd) Run(e *env) error {
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		if err := (&desk.Desk{DB: db, Now: e.now}).Resume(e.ctx, coach.AccountID(c.Account),
			strings.ToLower(c.Person)); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%s gets reminders again.\n", c.Person)
		return nil
	})
}
