package store

import (
	"context"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	"github.com/riverqueue/river/rivermigrate"

	"sealmanac/internal/fault"
	"sealmanac/migrations"
)

// provider knows the migrations of a database: those of package migrations, and rewrite.
func (db *DB) provider() (*goose.Provider, error) {
	sub, err := fs.Sub(migrations.FS, db.d.name)
	if err != nil {
		return nil, err
	}
	opts := []goose.ProviderOption{goose.WithDisableGlobalRegistry(true), goose.WithGoMigrations(db.d.rewrite())}
	kind := goose.DialectSQLite3
	if db.d.name == postgres.name {
		kind = goose.DialectPostgres
		l, err := lock.NewPostgresSessionLocker() // several daemons may start at once
		if err != nil {
			return nil, err
		}
		opts = append(opts, goose.WithSessionLocker(l))
	}
	return goose.NewProvider(kind, db.db.DB, sub, opts...)
}

// Schema returns the database's schema version and the newest this program
// knows.
func (db *DB) Schema(ctx context.Context) (have, want int64, err error) {
	defer fail("store.Schema", &err)
	p, err := db.provider()
	if err != nil {
		return 0, 0, err
	}
	for _, s := range p.ListSources() {
		want = max(want, s.Version)
	}
	have, err = p.GetDBVersion(ctx)
	return have, want, err
}

// Migrate brings the schema forward, ours and the job library's. A schema that is one
// version newer than this program is left as it is; a newer one yet is refused.
func (db *DB) Migrate(ctx context.Context) (err error) {
	if err := db.Ping(ctx); err != nil {
		return err
	}
	if err := db.ours(ctx); err != nil {
		return err
	}
	have, want, err := db.Schema(ctx)
	if err != nil {
		return err
	}
	if have > want+ahead {
		return newer(have, want)
	}
	if have > want {
		return nil
	}
	defer fail("store.Migrate", &err)
	p, err := db.provider()
	if err != nil {
		return err
	}
	if _, err := p.Up(ctx); err != nil {
		return err
	}
	m, err := rivermigrate.New(db.River(), nil)
	if err != nil {
		return err
	}
	_, err = m.Migrate(ctx, rivermigrate.DirectionUp, nil)
	return err
}

// ours refuses a file that another program keeps its tables in.
func (db *DB) ours(ctx context.Context) (err error) {
	if db.d.name != embedded.name {
		return nil
	}
	defer fail("store.Migrate", &err)
	var others int
	err = db.db.GetContext(ctx, &others, `SELECT COUNT(*) FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'
		AND NOT EXISTS (SELECT 1 FROM sqlite_master WHERE name = 'goose_db_version')`)
	if err == nil && others > 0 {
		return fault.New(fault.Invalid, "the database file holds the tables of another program",
			"Name another file in store.path.")
	}
	return err
}

// ahead is by how many versions a schema may be newer than a program that works with it.
// Migrations only add, and what is no longer used is removed one version later. So one
// replica after the other can be updated while the rest go on working.
const ahead = 1

func newer(have, want int64) error {
	return fault.New(fault.Conflict,
		fmt.Sprintf("the database has schema version %d; this sealmanac works with versions %d and %d", have, want,
			want+ahead),
		"Run a newer sealmanac, such as the one that migrated the database. A schema cannot go back.")
}

// Ready reports whether the schema is one this program works with: its own, or the next.
func (db *DB) Ready(ctx context.Context) error {
	if err := db.Ping(ctx); err != nil {
		return err
	}
	have, want, err := db.Schema(ctx)
	switch {
	case err != nil:
		return err
	case have > want+ahead:
		return newer(have, want)
	case have < want:
		return fault.New(fault.Conflict, fmt.Sprintf("the database has schema version %d; this sealmanac needs version %d",
			have, want), "Run 'sealmanac migrate'.")
	}
	return nil
}
