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
	exitInvalid = 2 // what was given is wrong: correct it and try again
)

type commands struct {
	Config string `help:"Configuration file; without it the defaults and SEALMANAC_* variables hold." env:"SEALMANAC_CONFIG"`
	Rules  string `help:"Rulebook to use instead of the built-in one." type:"path"`

	Demo         demoCmd         `cmd:"" help:"Run the whole job on invented coaches with a built-in mailbox."`
	Import       importCmd       `cmd:"" help:"Read coach files or lists into the store, all or nothing."`
	Forecast     forecastCmd     `cmd:"" help:"Date every part and task of a coach file. Needs no store."`
	Explain      explainCmd      `cmd:"" help:"Show the chain of reasons behind one part's dates."`
	Plan         planCmd         `cmd:"" help:"Plan a season: visits, bay weeks, parts to order, cutting list."`
	Sheet        sheetCmd        `cmd:"" help:"Print the job sheet of a coach's next visit."`
	Lot          lotCmd          `cmd:"" help:"List the coaches with parts of a lot, or fitted between two days."`
	Campaign     campaignCmd     `cmd:"" help:"Write to everybody whose coach has parts of a lot."`
	Rehearse     rehearseCmd     `cmd:"" help:"Play days ahead: who would get which message, and why. Sends nothing."`
	Serve        serveCmd        `cmd:"" help:"Run the daemon: nightly passes, delivery, pages, API, metrics."`
	Migrate      migrateCmd      `cmd:"" help:"Bring the store's schema up to date."`
	Lifetimes    lifetimesCmd    `cmd:"" help:"Compare how long an account's own parts lasted with its rules."`
	Queue        queueCmd        `cmd:"" help:"List messages; release or withdraw one."`
	Preview      previewCmd      `cmd:"" help:"Show a message as it would look, or send it to yourself."`
	Calls        callsCmd        `cmd:"" help:"List the people who wait for a call or an answer."`
	Resubscribe  resubscribeCmd  `cmd:"" help:"Switch the reminders of a person who stopped them on again."`
	SetupLink    setupLinkCmd    `cmd:"" help:"Print the link that makes an account's first member."`
	Archive      archiveCmd      `cmd:"" help:"Write an account with pictures and history into a ZIP file."`
	Restore      restoreCmd      `cmd:"" help:"Make an account from an archive."`
	Pause        pauseCmd        `cmd:"" help:"Pause an account: it sends no reminders until it is unpaused."`
	Unpause      unpauseCmd      `cmd:"" help:"Let an account send reminders. Every new account begins paused."`
	Held         heldCmd         `cmd:"" help:"Messages that wait for a decision: list, release, withdraw."`
	Translations translationsCmd `cmd:"" help:"List the languages of messages, or print one as a PO file to edit."`
	Check        checkCmd        `cmd:"" help:"Check configuration, rulebook, database and mail server."`
	Climate      climateCmd      `cmd:"" help:"Show the typical months of a place: temperature, sun, UV."`
	Survival     survivalCmd     `cmd:"" help:"Fit lifetimes to a CSV of failures and survivors."`
	Guide        guideCmd        `cmd:"" help:"List the guides, print one, or search them."`
	Completion   completionCmd   `cmd:"" help:"Print the completion script of a shell."`
	Help         helpCmd         `cmd:"" help:"Show how a command is used, with an example."`
	Version      versionCmd      `cmd:"" help:"Print the version."`
}

// env is what commands run in.
type env struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
	top      *commands
	now      func() time.Time
	wait     func(time.Duration) <-chan time.Time // nil: time.After
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
		kong.Writers(out, errOut), kong.Exit(func(n int) { code = n }), kong.Help(printHelp),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: columns}))
	if err != nil {
		fmt.Fprintln(errOut, "sealmanac:", err)
		return exitFailed
	}
	if len(args) == 1 && args[0] == "--version" {
		args = []string{"version"}
	}
	if len(args) > 1 && args[0] == "complete" && args[1] == "--" {
		complete(p.Model, args[2:], out)
		return exitOK
	}
	k, err := p.Parse(modern(asked(args), errOut))
	if code >= 0 {
		return code // help was asked for
	}
	if err != nil {
		fmt.Fprintf(errOut, "sealmanac: %v\nRun 'sealmanac help' for the list of commands.\n", err)
		return exitInvalid
	}
	lines := &wrapped{to: out}
	err = k.Run(&env{ctx: ctx, in: in, out: lines, err: errOut, top: &c, now: time.Now})
	if flushErr := lines.Flush(); err == nil {
		err = flushErr
	}
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
