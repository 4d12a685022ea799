package web

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
)

// Lists go out; the list of parts comes back in, also as XLSX; no cell is a formula.
func TestExports(t *testing.T) {
	x := newRig(t)
	c := x.as("viewer@one.example.org")
	for _, list := range desk.Exports {
		for _, kind := range []string{"csv", "xlsx"} {
			code, body, _ := x.send(c, "GET /export/{list}", map[string]string{"list": list + "." + kind}, nil)
			if code != http.StatusOK || len(body) < 20 {
				t.Errorf("%s.%s: %d", list, kind, code)
			}
			if list != "parts" {
				continue
			}
			got := intake.Read(intake.Options{Today: civil.Of(2026, 3, 3), Places: x.desk.Places}, nil, intake.File{Name: "parts." + kind, Data: []byte(body)})
			if err := got.Problems.Err(); err != nil || len(got.Coaches) != 1 || len(got.Coaches[0].Slides[0].Runs[0].Parts) != 2 || got.Coaches[0].Label != marker+" coach" {
				t.Errorf("%s does not read back: %v", kind, err)
			}
		}
	}
	text, err := desk.CSV([][]string{{"=1+1", "+1", "-1", "@x", "\tx", "a=b", ""}})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil || strings.Join(rows[0], "|") != "'=1+1|'+1|'-1|'@x|'\tx|a=b|" {
		t.Errorf("%q %v", rows, err)
	}
}
