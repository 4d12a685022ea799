package web

import (
	"bytes"
	"encoding/csv"
	"io"
	"mime/multipart"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
)

// The list of parts comes in by the page, twice, as CSV and as a workbook, and leaves
// the record as it was.
func TestImportListsTwice(t *testing.T) {
	x := newRig(t)
	c := x.as("manager@one.example.org")
	before := x.coach()
	for _, kind := range []string{"csv", "xlsx"} {
		_, list, _ := x.send(c, "GET /export/{list}", map[string]string{"list": "parts." + kind}, nil)
		for range 2 {
			var form bytes.Buffer
			m := multipart.NewWriter(&form)
			f, err := m.CreateFormFile("file", "parts."+kind)
			if err != nil {
				t.Fatal(err)
			}
			_, _ = io.WriteString(f, list)
			_ = m.Close()
			resp, err := c.Post(x.srv.URL+"/import", m.FormDataContentType(), &form)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			if resp.StatusCode != http.StatusSeeOther {
				t.Errorf("%s: %d", kind, resp.StatusCode)
			}
		}
		if diff := cmp.Diff(before, x.coach()); diff != "" {
			t.Errorf("%s changed the record:\n%s", kind, diff)
		}
	}
}

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
			got := intake.Read(intake.Options{Today: civil.Of(2026, 3, 3), Places: x.desk.Places}, nil,
				intake.File{Name: "parts." + kind, Data: []byte(body)})
			if err := got.Problems.Err(); err != nil || len(got.Coaches) != 1 ||
				len(got.Coaches[0].Slides[0].Runs[0].Parts) != 2 || got.Coaches[0].Label != marker+" coach" {
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
