package cli

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/daemon"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

type importCmd struct {
	reading
	Files   []string `arg:"" name:"file" help:"Coach files (.yaml, .json) or part lists (.csv, .xlsx)."`
	Account string   `default:"main" help:"Account to store them in."`
	DryRun  bool     `help:"Only report; store nothing."`
}

// Run reads files into the store, all or nothing.
func (c *importCmd) Run(e *env) error {
	content, _, err := c.read(e, e.on(day{}), c.Files...)
	if err != nil {
		return err
	}
	nParts := 0
	for _, k := range content.Coaches {
		nParts += len(parts([]coach.Coach{k}))
	}
	if c.DryRun {
		fmt.Fprintf(e.out, "%d coaches with %d parts read without a problem. Nothing was stored (--dry-run).\n", len(content.Coaches), nParts)
		return nil
	}
	cfg, err := e.settings()
	if err != nil {
		return err
	}
	return withStore(e, cfg, func(db *store.DB) error {
		d := &desk.Desk{DB: db, Now: e.now}
		if err := d.Import(e.ctx, coach.AccountID(c.Account), content); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%d coaches with %d parts stored in account %q (%s).\n", len(content.Coaches), nParts, c.Account, db.Name())
		return nil
	})
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
	if err := db.Migrate(e.ctx); err != nil {
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
	tables, err := e.tables()
	if err != nil {
		return err
	}
	rules, err := e.rulebook(cfg.Rulebook)
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
		fmt.Fprintf(e.out, "FAIL  %-14s %v\n", what, err)
		if hint := fault.HintOf(err); hint != "" {
			fmt.Fprintf(e.out, "      %-14s what to do: %s\n", "", hint)
		}
	}
	cfg, cfgErr := e.settings()
	if cfgErr == nil {
		cfgErr = cfg.ForServing()
	}
	say("configuration", cfgErr, "every key is known and in range")
	rules, err := e.rulebook(cfg.Rulebook)
	fine := ""
	if err == nil {
		fine = "version " + rules.Version
	}
	say("rulebook", err, fine)
	ctx, cancel := context.WithTimeout(e.ctx, 30*time.Second)
	defer cancel()
	db, err := daemon.OpenStore(cfg)
	if err == nil {
		err = db.Ready(ctx)
		_ = db.Close()
	}
	say("database", err, cfg.StoreKind+", schema is current")
	if cfg.MailAddress != "" {
		say("mail server", daemon.Relay(cfg).Check(ctx), cfg.MailAddress+" answers and takes our login")
	} else {
		say("mail server", fault.New(fault.Invalid, "no mail server is configured", "Set mail.address and mail.from."), "")
	}
	if failed {
		return errSaid
	}
	return nil
}
