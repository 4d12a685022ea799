// Package testkit helps tests: shared files, golden files, the offline tables,
// the demo's coaches and a real PostgreSQL. Only tests import it.
package testkit

import (
	"database/sql"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	_ "github.com/lib/pq" // the PostgreSQL tests' driver

	"sealmanac/config"
	"sealmanac/internal/climate"
)

var update = flag.Bool("update", false, "rewrite golden files")

// File returns the path of a file below the repository's testdata folder.
func File(t testing.TB, name string) string {
	t.Helper()
	dir, err := os.Getwd()
	for err == nil {
		if _, e := os.Stat(filepath.Join(dir, "go.mod")); e == nil {
			return filepath.Join(dir, "testdata", filepath.FromSlash(name))
		}
		up := filepath.Dir(dir)
		if up == dir {
			break
		}
		dir = up
	}
	t.Fatal("testkit: go.mod not found above the test")
	return ""
}

// Golden compares got with a golden file, or rewrites the file with -update.
func Golden(t testing.TB, name, got string) {
	t.Helper()
	path := File(t, name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v (run: go test %s -update, then read the diff)", err, t.Name())
	}
	if got != string(want) {
		t.Errorf("%s differs; run: go test -run %s -update, then read the diff\ngot:\n%s", name, t.Name(), got)
	}
}

var loadTables = sync.OnceValues(func() (*climate.Tables, error) {
	return climate.Load(climate.Source{Normals: config.Normals, Typical: config.Typical, Places: config.Places,
		Zips: config.Zips})
})

// Tables returns the offline climate and place tables.
func Tables(t testing.TB) *climate.Tables {
	t.Helper()
	tab, err := loadTables()
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// Require reports whether nothing may be skipped: .ci/run sets it.
func Require() bool { return os.Getenv("SEALMANAC_TEST_REQUIRE") == "1" }

// SkipOrFail skips a test that needs something this machine lacks, or fails it
// where nothing may be skipped.
func SkipOrFail(t testing.TB, format string, a ...any) {
	t.Helper()
	if Require() {
		t.Fatalf(format, a...)
	}
	t.Skipf(format, a...)
}

var databases atomic.Int64

// Postgres makes an empty database on the server that SEALMANAC_TEST_POSTGRES
// names (a postgres:// address whose user may create databases) and returns its
// address. The test is skipped when the variable is not set.
func Postgres(t testing.TB) string {
	t.Helper()
	base := os.Getenv("SEALMANAC_TEST_POSTGRES")
	if base == "" {
		SkipOrFail(t, "set SEALMANAC_TEST_POSTGRES to run this on PostgreSQL, as .ci/run does")
	}
	admin, err := sql.Open("postgres", base)
	if err != nil {
		t.Fatal(err)
	}
	name := fmt.Sprintf("sealmanac_test_%d_%d", os.Getpid(), databases.Add(1))
	if _, err := admin.Exec(`CREATE DATABASE ` + name); err != nil {
		t.Fatalf("creating a test database: %v", err)
	}
	t.Cleanup(func() {
		_, _ = admin.Exec(`DROP DATABASE IF EXISTS ` + name + ` WITH (FORCE)`)
		_ = admin.Close()
	})
	at, query, _ := strings.Cut(base, "?")
	cut := strings.LastIndexByte(at, '/')
	if query != "" {
		query = "?" + query
	}
	return at[:cut+1] + name + query
}

// HasPostgres reports whether a server for tests is named.
func HasPostgres() bool { return os.Getenv("SEALMANAC_TEST_POSTGRES") != "" }
