package intake

import (
	"archive/zip"
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"sealmanac/internal/coach"

	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// Mapping tells which column of a list holds which field, and what holds where
// the list has no column.
type Mapping struct {
	Columns  map[string]string // field -> column heading
	Defaults map[string]string // field -> value
	written  map[string]string // fields of Columns that were written with their older name
}

// level is where in a coach's tree a column's value belongs.
type level uint8

const (
	levelCoach level = iota
	levelPerson
	levelStay
	levelSlide
	levelRun
	levelPart
)

// columns are the fields a list may give, with their level and their name in a
// coach file.
var columns = []struct {
	field string
	level level
	key   string
}{
	{"coach", levelCoach, "coach"}, {"label", levelCoach, "label"}, {"class", levelCoach, "class"},
	{"vin", levelCoach, "vin"}, {"use", levelCoach, "use"}, {"sold", levelCoach, "sold"},
	{"owner", levelPerson, "name"}, {"email", levelPerson, "email"}, {"phone", levelPerson, "phone"},
	{"zone", levelPerson, "zone"}, {"units", levelPerson, "units"}, {"language", levelPerson, "language"},
	{"external_id", levelCoach, "external_id"}, {"role", levelPerson, "role"}, {"consent", levelPerson, "consent"},
	{"place", levelStay, "place"}, {"since", levelStay, "from"}, {"shelter", levelStay, "shelter"},
	{"slides", levelStay, "slides"}, {"cycles", levelStay, "cycles"}, {"coastal", levelStay, "coastal"},
	{"heading", levelStay, "heading"},
	{"slide", levelSlide, "slide"}, {"slide_label", levelSlide, "label"}, {"wall", levelSlide, "wall"},
	{"width", levelSlide, "width"}, {"height", levelSlide, "height"}, {"travel", levelSlide, "travel"},
	{"topper", levelSlide, "topper"},
	{"edge", levelRun, "edge"}, {"construction", levelRun, "construction"}, {"carrier", levelRun, "carrier"},
	{"free_height", levelRun, "free_height"}, {"gaps", levelRun, "gaps"}, {"install_temp", levelRun, "install_temp"},
	{"part", levelPart, "part"}, {"material", levelPart, "material"}, {"fitted", levelPart, "fitted"},
	{"lot", levelPart, "lot"}, {"profile", levelPart, "profile"},
}

// oldColumns are the older names of columns: see oldFields.
var oldColumns = map[string]string{"edge": oldFields["edge"], "slides": oldFields["slides"]}

func columnNames() string {
	var out []string
	for _, c := range columns {
		out = append(out, c.field)
	}
	return strings.Join(out, ", ")
}

// ParseMapping reads a column-mapping file.
func ParseMapping(f File) (*Mapping, Problems) {
	docs, bad := parseYAML(f.Name, f.Data)
	if len(bad) > 0 {
		return nil, bad
	}
	r := &reader{file: f.Name}
	m := &Mapping{Columns: map[string]string{}, Defaults: map[string]string{}}
	for _, d := range docs {
		g := r.fields(d, "")
		for key, into := range map[string]map[string]string{"columns": m.Columns, "defaults": m.Defaults} {
			if n := g.node(key); n != nil {
				if written := r.mapInto(n, key, into); key == "columns" {
					m.written = written
				}
			}
		}
		g.done()
	}
	if len(docs) == 0 {
		r.problem(nil, "", "is empty", "columns: and defaults:")
	}
	return m, r.problems
}

func (r *reader) mapInto(n *node, key string, into map[string]string) (written map[string]string) {
	h := r.fields(n, key).renamed("edge", "slides")
	for _, c := range columns {
		if v := h.opt(c.field); v != "" {
			into[c.field] = v
		}
	}
	h.done()
	return h.written
}

// row is one line of a list: cells under their headings.
type row struct {
	line    int
	cells   map[string]string // by heading, folded
	surplus string            // what stands beyond the last heading
}

func foldHeading(s string) string {
	return strings.Join(strings.Fields(strings.ToLower(strings.TrimPrefix(s, "\ufeff"))), " ")
}

// table is a list as read: the headings in order and the rows that hold anything.
type table struct {
	headings []string
	rows     []row
}

func readRows(f File) (table, error) {
	var grid [][]string
	var lines []int // of each row; nil: one a row
	var err error
	if strings.EqualFold(filepath.Ext(f.Name), ".xlsx") {
		grid, err = readXLSX(f.Data)
	} else {
		grid, lines, err = readCSV(f.Data)
	}
	if err != nil || len(grid) == 0 {
		return table{}, cmp.Or(err, fmt.Errorf("it has no heading row"))
	}
	t := table{headings: grid[0]}
	for i, cells := range grid[1:] {
		line := i + 2
		if lines != nil {
			line = lines[i+1]
		}
		rw := row{line: line, cells: map[string]string{}}
		for j, c := range cells {
			c = strings.TrimSpace(c)
			if len(c) > 1 && c[0] == '\'' && strings.ContainsRune("=+-@\t\r\n", rune(c[1])) {
				c = c[1:] // a list that was written here keeps it from being taken for a formula
			}
			switch {
			case c == "":
			case j >= len(t.headings):
				rw.surplus = cmp.Or(rw.surplus, c)
			default:
				rw.cells[foldHeading(t.headings[j])] = c
			}
		}
		if len(rw.cells) > 0 || rw.surplus != "" {
			t.rows = append(t.rows, rw)
		}
	}
	return t, nil
}

// readCSV reads commas, semicolons or tabs, whichever the headings use most, in
// UTF-8, UTF-16 with its mark, or else Windows-1252 as spreadsheets save it.
func readCSV(data []byte) (grid [][]string, lines []int, err error) {
	text, err := toUTF8(data)
	if err != nil {
		return nil, nil, err
	}
	r := csv.NewReader(bytes.NewReader(text))
	first, _, _ := bytes.Cut(text, []byte("\n"))
	for _, c := range []rune{';', '\t'} {
		if bytes.Count(first, []byte(string(c))) > bytes.Count(first, []byte(string(r.Comma))) {
			r.Comma = c
		}
	}
	r.FieldsPerRecord = -1
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			return grid, lines, nil
		}
		if err != nil {
			return nil, nil, err
		}
		line, _ := r.FieldPos(0)
		grid, lines = append(grid, rec), append(lines, line)
	}
}

func toUTF8(data []byte) ([]byte, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		return unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder().Bytes(data)
	case utf8.Valid(data):
		return bytes.TrimPrefix(data, []byte("\ufeff")), nil
	default:
		return charmap.Windows1252.NewDecoder().Bytes(data)
	}
}

// What a list may be. A coach has some hundred parts; a spreadsheet packs its text to a
// tenth or a thirtieth.
const (
	mostColumns    = 300
	mostRowsACoach = 2000
	mostPacked     = 50
	mostEmpty      = 10_000 // rows in a row
)

// readXLSX reads the first sheet with raw values, so that a day is its number
// and not what the cell's format shows. A small file can hold a large table, so it is
// refused when it unpacks to much more than itself, or has a row that is too wide.
func readXLSX(data []byte) (grid [][]string, err error) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, err
	}
	left := uint64(1<<20 + mostPacked*len(data))
	for _, f := range z.File {
		if f.UncompressedSize64 > left {
			return nil, errors.New("it unpacks to much more than a list of its size")
		}
		left -= f.UncompressedSize64
	}
	x, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: 128 << 20,
		UnzipXMLSizeLimit: 4 << 20})
	if err != nil {
		return nil, err
	}
	defer x.Close() //nolint:errcheck // nothing was written
	rows, err := x.Rows(x.GetSheetName(0))
	if err != nil {
		return nil, err
	}
	defer rows.Close() //nolint:errcheck // nothing was written
	empty := 0         // rows since the last that holds anything
	for rows.Next() {
		cells, err := rows.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return nil, err
		}
		if len(cells) > mostColumns {
			return nil, fmt.Errorf("row %d has more than %d columns", len(grid)+empty+1, mostColumns)
		}
		if len(cells) == 0 {
			empty++
			continue
		}
		if empty > mostEmpty {
			return nil, fmt.Errorf("more than %d empty rows stand before row %d", mostEmpty, len(grid)+empty+1)
		}
		grid, empty = append(append(grid, make([][]string, empty)...), cells), 0
	}
	return grid, rows.Error()
}

// coachesOf groups the rows of a list into one tree per coach.
func (r *reader) coachesOf(t table, m *Mapping) []*node {
	heading := r.headings(t, m)
	if heading["coach"] == "" && (m == nil || m.Defaults["coach"] == "") {
		r.problem(&node{line: 1}, "heading coach", "is missing: every row names its coach",
			"a column with the coach's short name, mapped with --mapping if it is called otherwise")
		return nil
	}
	var order []*node
	byName, rows := map[string]*node{}, map[string]int{}
	for _, rw := range t.rows {
		if rw.surplus != "" {
			r.problem(&node{line: rw.line, text: rw.surplus}, "row", "has more cells than there are headings",
				"quotes around a cell that holds the separator, such as \"Yuma, AZ\"")
		}
		at := func(field string) *node {
			h := heading[field]
			v := ""
			if h != "" {
				v = rw.cells[foldHeading(h)]
			}
			if v == "" && m != nil {
				v = m.Defaults[field]
			}
			if v == "" {
				return nil
			}
			return &node{line: rw.line, field: cmp.Or(h, field), text: v}
		}
		id := at("coach")
		if id == nil {
			r.problem(&node{line: rw.line, field: cmp.Or(heading["coach"], "coach")}, "coach", "is missing",
				"the coach's short name in every row")
			continue
		}
		c := byName[id.text]
		if c == nil {
			c = &node{line: rw.line, kind: object, field: id.field}
			byName[id.text] = c
			order = append(order, c)
		}
		if rows[id.text]++; rows[id.text] > mostRowsACoach {
			if rows[id.text] == mostRowsACoach+1 {
				r.problem(id, "coach", "has too many rows", fmt.Sprintf("at most %d, one for each part", mostRowsACoach))
			}
			continue
		}
		r.addRow(c, rw.line, at)
		for _, col := range columns {
			if at(col.field) != nil {
				r.gave(coach.ID(id.text), listedAt(col.level, col.field, textOf(at("slide")),
					coach.EdgeKey(strings.ToLower(textOf(at("edge")))), textOf(at("part"))))
			}
		}
	}
	beginStays(order)
	return order
}

func textOf(n *node) string {
	if n == nil {
		return ""
	}
	return n.text
}

// gave notes that a list gave a field of a coach, or of one of its slides, runs or parts.
func (r *reader) gave(id coach.ID, field string) {
	if r.listed == nil {
		r.listed = map[coach.ID]Listed{}
	}
	if r.listed[id] == nil {
		r.listed[id] = Listed{}
	}
	r.listed[id][field] = true
}

// headings finds each field's heading and reports headings nobody asked for.
func (r *reader) headings(t table, m *Mapping) map[string]string {
	out := map[string]string{}
	used := map[string]bool{}
	find := func(want string) int {
		return slices.IndexFunc(t.headings, func(h string) bool { return foldHeading(h) == foldHeading(want) })
	}
	for _, c := range columns {
		want := c.field
		mapped := m != nil && m.Columns[c.field] != ""
		if mapped {
			want = m.Columns[c.field]
		}
		i := find(want)
		if old := oldColumns[c.field]; old != "" && !mapped {
			if k := find(old); k >= 0 && i >= 0 {
				r.problem(&node{line: 1}, "heading "+old, "is the older name of "+want+", and both are given", "one of them: "+want)
				used[foldHeading(old)] = true
			} else if k >= 0 {
				i, want = k, old
			}
		}
		switch {
		case i >= 0:
			out[c.field], used[foldHeading(want)] = t.headings[i], true
		case mapped:
			r.problem(&node{line: 1, text: want}, "columns."+cmp.Or(m.written[c.field], c.field),
				"is not a heading of this list", strings.Join(t.headings, ", "))
		}
	}
	var unknown []string
	for _, h := range t.headings {
		if strings.TrimSpace(h) != "" && !used[foldHeading(h)] {
			unknown = append(unknown, h)
		}
	}
	switch {
	case len(unknown) == 0:
	case m == nil:
		r.problem(&node{line: 1}, "headings", fmt.Sprintf("%q are not fields here; map them with --mapping", unknown),
			columnNames())
	default:
		r.warn(&node{line: 1}, "headings", fmt.Sprintf("%q are not mapped and are left out", unknown))
	}
	return out
}

// addRow puts a row's values into a coach's tree: the levels above the part are
// shared by rows that name the same slide and edge.
func (r *reader) addRow(c *node, line int, at func(string) *node) {
	person, stay := firstItem(c, "people", line), firstItem(c, "stays", line)
	slide := itemOf(c, "slides", "slide", at("slide"), line)
	run := itemOf(slide, "edges", "edge", at("edge"), line)
	part := &node{line: line, kind: object}
	listOf(run, "parts", line).list = append(listOf(run, "parts", line).list, part)
	target := [...]*node{levelCoach: c, levelPerson: person, levelStay: stay, levelSlide: slide, levelRun: run,
		levelPart: part}
	for _, col := range columns {
		v := at(col.field)
		if v == nil {
			continue
		}
		n := target[col.level]
		switch old := n.get(col.key); {
		case old != nil && col.field == "gaps":
			if old.text != v.text {
				r.problem(v, col.field, fmt.Sprintf("differs from row %d", old.line),
					old.text+" (all gaps of an edge in one cell, or the same in each row)")
			}
		case old == nil && col.field == "gaps":
			g := &node{line: line, kind: list, field: v.field, text: v.text}
			for _, s := range strings.FieldsFunc(v.text, func(r rune) bool { return r == ';' || r == ',' }) {
				g.list = append(g.list, &node{line: line, field: v.field, text: strings.TrimSpace(s)})
			}
			n.set(col.key, g)
		case old == nil:
			n.set(col.key, v)
		case old.kind == text && old.text != v.text:
			r.problem(v, col.field, fmt.Sprintf("differs from row %d", old.line),
				old.text+" (one value for the whole coach, slide or edge)")
		}
	}
}

// beginStays lets the stay of each coach begin with its earliest fitting where no
// row said since when.
func beginStays(coaches []*node) {
	for _, c := range coaches {
		stay := firstItem(c, "stays", c.line)
		if stay.get("from") != nil || stay.get("place") == nil {
			continue
		}
		var first *node
		eachPart(c, func(p *node) {
			if f := p.get("fitted"); f != nil && (first == nil || len(f.text) == len(first.text) && f.text < first.text) {
				first = f
			}
		})
		if first != nil {
			from := *first
			stay.set("from", &from)
		}
	}
}

func eachPart(c *node, f func(*node)) {
	for _, s := range listOf(c, "slides", c.line).list {
		for _, r := range listOf(s, "edges", c.line).list {
			for _, p := range listOf(r, "parts", c.line).list {
				f(p)
			}
		}
	}
}

func listOf(parent *node, key string, line int) *node {
	if n := parent.get(key); n != nil {
		return n
	}
	return parent.set(key, &node{line: line, kind: list})
}

func firstItem(parent *node, key string, line int) *node {
	l := listOf(parent, key, line)
	if len(l.list) == 0 {
		l.list = append(l.list, &node{line: line, kind: object})
	}
	return l.list[0]
}

// itemOf returns the item of a list whose key has the given value, or a new one.
func itemOf(parent *node, key, name string, value *node, line int) *node {
	l := listOf(parent, key, line)
	for _, n := range l.list {
		if v := n.get(name); value != nil && v != nil && v.text == value.text {
			return n
		}
	}
	n := &node{line: line, kind: object}
	l.list = append(l.list, n)
	return n
}
