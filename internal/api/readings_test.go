package api_test

import (
	"strings"
	"testing"

	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// Readings of two parts of one edge, posted on one day, are read back as two, each with
// its own part and value.
func TestReadingsOfTwoParts(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		post := func(part, value string) {
			t.Helper()
			body := `{"day":"2026-03-03","kind":"crack_grade","slide":"s","run":"outer/top","part":"` + part + `","value":"` + value + `"}`
			code, _, said := x.do(x.keys["one"], "POST", "/coaches/zf-1/readings", body)
			if code != 200 {
				t.Fatal(code, said)
			}
		}
		post("bulb", "3")
		post("wiper", "1")
		_, _, said := x.do(x.keys["one"], "GET", "/coaches/zf-1/readings", "")
		for _, want := range []string{`"value":"3","slide":"s","edge":"outer/top","run":"outer/top","part":"bulb"`,
			`"value":"1","slide":"s","edge":"outer/top","run":"outer/top","part":"wiper"`} {
			if !strings.Contains(said, want) {
				t.Errorf("no %s in %s", want, said)
			}
		}
	})
}
