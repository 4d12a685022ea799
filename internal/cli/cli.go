// Package cli is the command line: subcommands, and failures as exit codes with
// a hint. cmd/sealmanac only calls Main.
//
// It may import everything below row 11.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"sealmanac/config"
	"sealmanac/internal/buildinfo"
	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/fault"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1 // it did not work
	exitInvalid = 2 // what was given is wrong: mend it and try again
)

type commands struct {
	Config string `help:"Configuration file; without it the defaults and SEALMANAC_* variables hold." env:"SEALMANAC_CONFIG"`
	Rules  string `help:"Rulebook to use instead of the built-in one." type:"path"`

	Demo       demoCmd       `cmd:"" help:"Run the whole job on invented coaches with a built-in mailbox."`
	Import     importCmd     `cmd:"" help:"Read coach files or part lists into the store, all or nothing."`
	Forecast   forecastCmd   `cmd:"" help:"Date every part and task of a coach file; needs no store."`
	Explain    explainCmd    `cmd:"" help:"Show the chain of reasons behind one part's dates."`
	Plan       planCmd       `cmd:"" help:"Plan the season of a coach file or folder: visits, bay weeks, parts, cutting list; needs no store."`
	Sheet      sheetCmd      `cmd:"" help:"Print the job sheet of a coach's next visit."`
	Lot        lotCmd        `cmd:"" help:"List the coaches that carry a lot, or parts fitted between two days, with their people."`
	Campaign   campaignCmd   `cmd:"" help:"Notices about a lot: to everybody whose coach carries it."`
	Rehearse   rehearseCmd   `cmd:"" help:"Play days ahead: which notices would go to whom and why. Nothing is sent."`
	Serve      serveCmd      `cmd:"" help:"Run the daemon: nightly passes, delivery, pages, metrics."`
	Migrate    migrateCmd    `cmd:"" help:"Bring the store's schema forward."`
	Experience experienceCmd `cmd:"" help:"Compare the account's own renewals with its rules, and accept what they propose."`
	Queue      queueCmd      `cmd:"" help:"Look at the notices: list, release, withdraw."`
	Preview    previewCmd    `cmd:"" help:"Show a notice as it would look, or send it to yourself."`
	Requests   requestsCmd   `cmd:"" help:"List what people wait for: bookings asked for and the call list."`
	Resume     resumeCmd     `cmd:"" help:"Switch the reminders of a person who stopped them on again."`
	First      firstCmd      `cmd:"" help:"Print the link that makes an account's first member."`
	Archive    archiveCmd    `cmd:"" help:"Write an account, pictures and history included, into a ZIP file."`
	Restore    restoreCmd    `cmd:"" help:"Make an account from such a file."`
	Hush       hushCmd       `cmd:"" help:"Pause an account: no reminder of it leaves until it is started."`
	Wake       wakeCmd       `cmd:"" help:"Start an account that is paused, as every new one is."`
	Held       heldCmd       `cmd:"" help:"Messages that wait for a decision: list, release, withdraw."`
	Words      wordsCmd      `cmd:"" help:"List the languages of messages, or print one's phrases as a PO file to edit."`
	Check      checkCmd      `cmd:"" help:"Check configuration, rulebook, database and mail server."`
	Climate    climateCmd    `cmd:"" help:"Show the typical months of a place: temperature, sun, UV, effective temperature."`
	Learn      learnCmd      `cmd:"" help:"Learn lives from a CSV of failures and survivors: Kaplan-Meier, Weibull, lognormal, log-rank."`
	Version    versionCmd    `cmd:"" help:"Print the version."`
}

// env is what commands run in.
type env struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
	top      *commands
	now      func() time.Time
}

// Main runs one command and returns the exit code.
func Main(args []string, in io.Reader, out, errOut io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return Run(ctx, args, in, out, errOut)
}

// Run is Main under a context of the caller's.
func Run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	var c commands
	code := -1
	p, err := kong.New(&c, kong.Name("sealmanac"),
		kong.Description("An almanac for slide-out seals: dates their wear, plans the work ahead of the season, reminds "+
			"the people."),
		kong.Writers(out, errOut), kong.Exit(func(n int) { code = n }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintln(errOut, "sealmanac:", err)
		return exitFailed
	}
	if len(args) == 1 && (args[0] == "help" || args[0] == "--version") {
		args = []string{map[string]string{"help": "--help", "--version": "version"}[args[0]]}
	}
	k, err := p.Parse(args)
	if code >= 0 {
		return code // help was asked for
	}
	if err != nil {
		fmt.Fprintf(errOut, "sealmanac: %v\nRun 'sealmanac --help' for what there is.\n", err)
		return exitInvalid
	}
	err = k.Run(&env{ctx: ctx, in: in, out: out, err: errOut, top: &c, now: time.Now})
	return report(errOut, err)
}

// report says what went wrong and what to do about it.
func report(w io.Writer, err error) int {
	if err == nil {
		return exitOK
	}
	if errors.Is(err, errSaid) {
		return exitFailed
	}
	fmt.Fprintln(w, "sealmanac:", fault.Plain(err))
	if hint := fault.HintOf(err); hint != "" {
		fmt.Fprintln(w, "What to do:", hint)
	}
	if k := fault.KindOf(err); k == fault.Invalid || k == fault.NotFound {
		return exitInvalid
	}
	return exitFailed
}

// errSaid is returned when the command has already printed its verdict.
var errSaid = errors.New("said")

func (e *env) tables() (*climate.Tables, error) {
	return climate.Load(climate.Source{Normals: config.Normals, Typical: config.Typical, Places: config.Places,
		Zips: config.Zips})
}

// rulebook returns the rules: of --rules, else of the configuration, else built in.
func (e *env) rulebook(fromConfig string) (*rulebook.Rulebook, error) {
	path := e.top.Rules
	if path == "" {
		path = fromConfig
	}
	if path == "" {
		return rulebook.Parse(config.Rulebook)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, &fault.Error{Kind: fault.Invalid, Msg: "the rulebook cannot be read",
			Hint: "Name a readable file with --rules or rulebook:.", Err: err}
	}
	return rulebook.Parse(b)
}

// parts returns the tables and the rules that a configuration's passes stand on.
func (e *env) parts(cfg settings.Config) (*climate.Tables, *rulebook.Rulebook, error) {
	tables, err := e.tables()
	if err != nil {
		return nil, nil, err
	}
	rules, err := e.rulebook(cfg.Rulebook)
	return tables, rules, err
}

func (e *env) settings() (settings.Config, error) {
	return settings.Load(e.top.Config, os.Getenv)
}

// log writes lines a person can read on standard error.
func (e *env) log(level slog.Level) *slog.Logger {
	return slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: level}))
}

// day is a date argument; empty means today.
type day struct{ civil.Date }

// UnmarshalText reads YYYY-MM-DD.
func (d *day) UnmarshalText(b []byte) (err error) {
	d.Date, err = civil.Parse(string(b))
	return err
}

// on returns the day, or today where the command runs.
func (e *env) on(d day) civil.Date {
	if d.Date != 0 {
		return d.Date
	}
	return civil.FromTime(e.now())
}

type versionCmd struct{}

// Run prints the version.
func (versionCmd) Run(e *env) error {
	_, err := fmt.Fprintln(e.out, "sealmanac", buildinfo.Version())
	return err
}
