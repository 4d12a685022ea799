package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"sealmanac/internal/civil"
	"sealmanac/internal/testkit"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"sealmanac": func() { os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// Each file under testdata/cli is a session at the command line.
func TestSessions(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: testkit.File(t, "cli"), Setup: func(e *testscript.Env) error {
		e.Setenv("TOMORROW", civil.FromTime(time.Now()).Add(1).String())
		return nil
	}})
}

func run(t *testing.T, args ...string) (string, int) {
	t.Helper()
	var out, errOut bytes.Buffer
	code := Run(t.Context(), args, nil, &out, &errOut)
	if errOut.Len() > 0 {
		t.Logf("%v: %s", args, errOut.String())
	}
	return out.String(), code
}

// The JSON of forecast is a contract: these keys, in this shape, same bytes.
func TestForecastJSON(t *testing.T) {
	a, code := run(t, "forecast", "demo", "--on", "2026-02-10", "--json")
	b, _ := run(t, "forecast", "demo", "--on", "2026-02-10", "--json")
	if code != 0 || a != b {
		t.Fatalf("exit %d, same bytes: %v", code, a == b)
	}
	var r struct {
		On       string
		Rulebook string
		Coaches  []struct {
			Coach string
			Parts []map[string]any
			Tasks []map[string]any
		}
	}
	if err := json.Unmarshal([]byte(a), &r); err != nil {
		t.Fatal(err)
	}
	if r.On != "2026-02-10" || r.Rulebook == "" || len(r.Coaches) < 12 {
		t.Errorf("on %q, rulebook %q, %d coaches", r.On, r.Rulebook, len(r.Coaches))
	}
	for _, k := range []string{"run", "part", "material", "construction", "fitted", "life_used", "governing", "shares", "early", "likely", "late"} {
		if _, ok := r.Coaches[0].Parts[0][k]; !ok {
			t.Errorf("a part has no %q", k)
		}
	}
	for _, k := range []string{"kind", "run", "earliest", "target", "latest", "why"} {
		if _, ok := r.Coaches[0].Tasks[0][k]; !ok {
			t.Errorf("a task has no %q", k)
		}
	}
	testkit.Golden(t, "cli-forecast.json", a)
}

// Every command of the README's list explains itself.
func TestHelp(t *testing.T) {
	out, code := run(t, "--help")
	if code != 0 {
		t.Fatalf("exit %d", code)
	}
	for _, c := range []string{"demo", "import", "forecast", "explain", "rehearse", "serve", "migrate", "check"} {
		if !bytes.Contains([]byte(out), []byte(c)) {
			t.Errorf("help does not name %s", c)
		}
	}
}

func TestImportIntoPostgres(t *testing.T) {
	t.Setenv("SEALMANAC_STORE_KIND", "postgres")
	t.Setenv("SEALMANAC_STORE_DSN", testkit.Postgres(t))
	file := filepath.Join(t.TempDir(), "a.yaml")
	text := []byte("shop: {name: A, postal: B}\ncoaches: [{coach: a, stays: [{place: \"Yuma, AZ\", from: 2024-01-01}], slides: [{slide: s, runs: [{run: outer/top, construction: track, fitted: 2024-01-01, parts: [{part: bulb, material: tpv}]}]}]}]")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if out, code := run(t, "import", file); code != 0 {
			t.Fatalf("exit %d: %s", code, out)
		}
	}
	if out, code := run(t, "migrate"); code != 0 {
		t.Errorf("migrate: exit %d: %s", code, out)
	}
}
