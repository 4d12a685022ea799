package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
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
	for _, k := range []string{"run", "part", "material", "construction", "fitted", "life_used", "governing", "shares",
		"early", "likely", "late"} {
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

// onStore points commands at an empty store of a kind.
func onStore(t *testing.T, kind string) {
	t.Helper()
	t.Setenv("SEALMANAC_STORE_KIND", kind)
	if kind == "postgres" {
		t.Setenv("SEALMANAC_STORE_DSN", testkit.Postgres(t))
	} else {
		t.Setenv("SEALMANAC_STORE_PATH", filepath.Join(t.TempDir(), "x.db"))
	}
}

// A list goes in twice, as CSV and as a workbook, and the second time changes nothing: a
// dry run before each says the same, also while there is no shop yet.
func TestImportListsTwice(t *testing.T) {
	rows := [][]string{
		{"coach", "label", "owner", "email", "place", "slide", "run", "part", "material", "construction", "fitted"},
		{"q-1", "Q one", "Ann", "ann@example.org", "Bend, OR", "s", "outer/top", "bulb", "epdm_sponge", "track",
			"2021-04-01"},
		{"q-1", "Q one", "Ann", "ann@example.org", "Bend, OR", "s", "outer/top", "wiper", "epdm_dense", "track",
			"2021-04-01"},
	}
	asCSV, err := desk.CSV(rows)
	if err != nil {
		t.Fatal(err)
	}
	asXLSX, err := desk.XLSX("list", rows)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			onStore(t, kind)
			dir := t.TempDir()
			want := func(out string, args ...string) {
				t.Helper()
				if got, code := run(t, append([]string{"import"}, args...)...); code != 0 || !strings.Contains(got, out) {
					t.Errorf("%v: exit %d: %s", args, code, got)
				}
			}
			shop := filepath.Join(dir, "shop.yaml")
			files := map[string][]byte{"shop.yaml": []byte("shop: {name: A, postal: B}\n"), "list.csv": asCSV,
				"list.xlsx": asXLSX}
			for name, data := range files {
				if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want("is not stored yet", "--dry-run", filepath.Join(dir, "list.csv"))
			want("0 coaches", shop)
			for _, name := range []string{"list.csv", "list.xlsx"} {
				for range 2 {
					want("1 coach with 2 parts read without a problem", "--dry-run", filepath.Join(dir, name))
					want("1 coach with 2 parts stored", filepath.Join(dir, name))
				}
			}
		})
	}
}

func TestImportIntoPostgres(t *testing.T) {
	onStore(t, "postgres")
	file := filepath.Join(t.TempDir(), "a.yaml")
	text := []byte("shop: {name: A, postal: B}\ncoaches: [{coach: a, stays: [{place: \"Yuma, AZ\", from: 2024-01-01}], " +
		"slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2024-01-01, parts: [{part: bulb, " +
		"material: tpv}]}]}]}]")
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

// Coaches that share an external_id were stored before such pairs were refused: check
// names them, and does not fail for them.
func TestCheckListsDoubledExternalIDs(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.db")
	t.Setenv("SEALMANAC_STORE_PATH", path)
	db, err := store.OpenSQLite(path)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Migrate(t.Context())
	if err == nil {
		err = db.Update(t.Context(), func(tx *store.Tx) error {
			if err := tx.SaveAccount(t.Context(), coach.Account{ID: "main", Name: "A", Postal: "B"}); err != nil {
				return err
			}
			cs := []coach.Coach{{ID: "q-1", External: "cust-5"}, {ID: "q-2", External: "cust-5"},
				{ID: "q-3", External: "cust-6"}, {ID: "q-4"}, {ID: "q-5"}}
			_, err := tx.SaveCoaches(t.Context(), "main", cs)
			return err
		})
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	out, _ := run(t, "check")
	if !strings.Contains(out, `account main: "cust-5" belongs to coaches q-1, q-2`) || strings.Contains(out, "cust-6") ||
		strings.Contains(out, "q-4") || strings.Contains(out, "FAIL  external") {
		t.Errorf("%s", out)
	}
}
