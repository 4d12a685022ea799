package intake

import (
	"archive/zip"
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"sealmanac/internal/testkit"
)

// What a reader may allocate: a fixed part, and so much for each byte that it is given.
const (
	fixedCost = 64 << 20
	byteCost  = 4000
)

// workbook is a list as a spreadsheet saves it.
func workbook(t testing.TB, rows ...[]any) []byte {
	t.Helper()
	x := excelize.NewFile()
	for i, cells := range rows {
		if err := x.SetSheetRow("Sheet1", fmt.Sprint("A", i+1), &cells); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := x.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// spoiled is a workbook with another text in place of one of its files.
func spoiled(t testing.TB, name, text string) []byte {
	t.Helper()
	good := workbook(t, []any{"coach"}, []any{"a"})
	z, err := zip.NewReader(bytes.NewReader(good), int64(len(good)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	out := zip.NewWriter(&b)
	for _, f := range z.File {
		if f.Name == name {
			continue
		}
		if err := out.Copy(f); err != nil {
			t.Fatal(err)
		}
	}
	w, err := out.Create(name)
	if err == nil {
		_, err = w.Write([]byte(text))
	}
	if err != nil || out.Close() != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// sheetBombs are sheets that are small as a file and large as a table.
func sheetBombs(t testing.TB) map[string][]byte {
	sheet := func(rows string) string {
		return `<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>` + rows + `</sheetData></worksheet>`
	}
	const first, texts = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"
	var wide strings.Builder
	for i := range 5000 {
		fmt.Fprintf(&wide, `<row r="%d"><c r="XFD%[1]d"><v>1</v></c></row>`, i+1)
	}
	return map[string][]byte{
		"wide rows":       spoiled(t, first, sheet(wide.String())),
		"far down":        spoiled(t, first, sheet(`<row r="1048576"><c r="A1048576"><v>1</v></c></row>`)),
		"one long row":    spoiled(t, first, sheet(`<row r="1">`+strings.Repeat(`<c><v>1</v></c>`, 300_000)+`</row>`)),
		"many rows":       spoiled(t, first, sheet(strings.Repeat(`<row/>`, 500_000))),
		"blanks":          spoiled(t, first, sheet(strings.Repeat(" ", 10<<20))),
		"nested":          spoiled(t, first, sheet(strings.Repeat("<row>", 300_000))),
		"shared texts":    spoiled(t, texts, `<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">`+strings.Repeat("<si/>", 500_000)+"</sst>"),
		"another's ratio": spoiled(t, "xl/media/x.bin", strings.Repeat("\x00", 40<<20)),
	}
}

// A small workbook can hold a large table: it is refused before it is spread out.
func TestWorkbooksAreBounded(t *testing.T) {
	o := opt(t)
	for name, data := range sheetBombs(t) {
		t.Run(name, func(t *testing.T) {
			testkit.Bound(t, 250<<20, func() {
				if c := Read(o, nil, File{"x.xlsx", data}); c.Problems.Err() == nil {
					t.Errorf("%d bytes were read", len(data))
				}
			})
		})
	}
}

func FuzzXLSX(f *testing.F) {
	f.Add(workbook(f, []any{"coach", "slide", "edge", "part"}, []any{"a", "s", "outer/top", "bulb"}))
	f.Add(workbook(f, []any{"coach", "from", "until"}, []any{"a", 46000, "2026-03-01"}))
	f.Add([]byte("PK\x03\x04"))
	o := opt(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		testkit.Bound(t, fixedCost+byteCost*uint64(len(data)), func() {
			if c := Read(o, nil, File{"x.xlsx", data}); c.Problems.Err() == nil && len(c.Coaches)+len(c.BookingFiles) == 0 {
				t.Error("nothing was read and nothing was said")
			}
		})
	})
}

// FuzzSheet puts what it is given into a sound workbook, as its first sheet: few changes
// to the bytes of a ZIP leave one.
func FuzzSheet(f *testing.F) {
	f.Add(`<worksheet><sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>coach</t></is></c></row></sheetData></worksheet>`)
	f.Add(`<worksheet><sheetData><row r="1048576"><c r="XFD1"><v>1</v></c></row></sheetData></worksheet>`)
	f.Add(`<worksheet><sheetData>` + strings.Repeat(`<row><c r="XFD9"><v>1</v></c></row>`, 50) +
		`</sheetData></worksheet>`)
	o := opt(f)
	f.Fuzz(func(t *testing.T, sheet string) {
		data := spoiled(t, "xl/worksheets/sheet1.xml", sheet)
		testkit.Bound(t, fixedCost+byteCost*uint64(len(sheet)), func() { Read(o, nil, File{"x.xlsx", data}) })
	})
}

func FuzzMapping(f *testing.F) {
	f.Add([]byte(mapping))
	f.Add([]byte("columns: {coach: Unit, coach: Room}"))
	f.Add([]byte(strings.Repeat("[", 500)))
	f.Add([]byte("{" + strings.Repeat(`"columns":{`, 500)))
	f.Add([]byte("columns:\n" + strings.Repeat("- ", 500)))
	f.Fuzz(func(t *testing.T, data []byte) {
		testkit.Bound(t, fixedCost+byteCost*uint64(len(data)), func() {
			m, bad := ParseMapping(File{"map.yaml", data})
			if len(bad) > 0 {
				return
			}
			for field := range m.Columns {
				if !strings.Contains(", "+columnNames()+", ", ", "+field+", ") {
					t.Errorf("%q is no field", field)
				}
			}
		})
	})
}

func FuzzBookings(f *testing.F) {
	f.Add([]byte("coach,from,until\nkestrel-06,2026-03-01,2026-03-08\n"))
	f.Add([]byte("coach;from;until\na;46000;46001\n,,\na;2026-03-08;2026-03-01\n"))
	f.Add([]byte("coach,from,until" + strings.Repeat(",from", 300) + "\n" + strings.Repeat("a,2026-03-01,9999-12-31\n",
		300)))
	f.Add([]byte("\xff\xfec\x00o\x00"))
	f.Add([]byte(`coach,from,until` + "\n" + `"` + strings.Repeat("a\n", 300)))
	o := opt(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		testkit.Bound(t, fixedCost+byteCost*uint64(len(data)), func() {
			c := Read(o, nil, File{"bookings.csv", data})
			for id, bs := range c.Booked {
				for _, b := range bs {
					if id == "" || b.Until < b.From || b.From == 0 {
						t.Errorf("%q: %+v", id, b)
					}
				}
			}
		})
	})
}

// A list of ever more headings, rows or mistakes costs what it is long.
func TestListsAreLinear(t *testing.T) {
	o := opt(t)
	for name, text := range map[string]string{
		"headings": "coach" + strings.Repeat(",x", 50_000) + "\n", "the same heading": strings.Repeat("coach,", 50_000) +
			"\na\n", "mistakes": "coach,from,until\n" + strings.Repeat("a,b,c\n", 20_000),
		"cells": "coach\n" + strings.Repeat("a,", 50_000), "coaches": "coach\n" + strings.Repeat("a\n", 50_000),
		"periods": "coach,from,until\n" + strings.Repeat("a,2026-03-01,2026-03-02\n", 10_000),
	} {
		t.Run(name, func(t *testing.T) {
			testkit.Bound(t, fixedCost+byteCost/4*uint64(len(text)), func() { Read(o, nil, File{"x.csv", []byte(text)}) })
		})
	}
}
