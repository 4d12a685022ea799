package testkit

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// Case is one published check.
type Case struct {
	Name, Function   string
	In               []float64
	Want, Tolerance  float64 // absolute
	Source, Evidence string
}

// Published returns the checks of a table under testdata/published.
func Published(t testing.TB, name string) []Case {
	t.Helper()
	f, err := os.Open(File(t, "published/"+name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // read only
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', 7
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []Case
	for _, row := range rows[1:] {
		c := Case{Name: row[0], Function: row[1], Source: row[5], Evidence: row[6]}
		for _, s := range strings.Fields(row[2]) {
			c.In = append(c.In, number(t, s))
		}
		c.Want, c.Tolerance = number(t, row[3]), number(t, row[4])
		if c.Source == "" || (c.Evidence != "published" && c.Evidence != "derived" && c.Evidence != "memory") {
			t.Fatalf("%s: %s needs a source, and evidence published, derived or memory", name, c.Name)
		}
		out = append(out, c)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Check runs a table of published checks against the functions it names and logs
// the worst deviation as a share of the tolerance. A function nobody knows, and a
// function no row uses, fail.
func Check(t *testing.T, name string, functions map[string]func(in []float64) float64) {
	t.Helper()
	used := map[string]bool{}
	worst, at := 0.0, ""
	for _, c := range Published(t, name) {
		f := functions[c.Function]
		if f == nil {
			t.Errorf("%s: %s asks for the unknown function %s", name, c.Name, c.Function)
			continue
		}
		used[c.Function] = true
		got := f(c.In)
		share := math.Abs(got-c.Want) / c.Tolerance
		if !(share <= 1) {
			t.Errorf("%s: got %.6g, %s says %.6g ± %.2g (%s)", c.Name, got, c.Source, c.Want, c.Tolerance, c.Evidence)
		}
		if share > worst {
			worst, at = share, c.Name
		}
	}
	for f := range functions {
		if !used[f] {
			t.Errorf("%s: no row checks %s", name, f)
		}
	}
	t.Logf("%s: worst deviation %.0f %% of its tolerance, at %s", name, 100*worst, at)
}
