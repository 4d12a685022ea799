package cli

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// wrapped breaks lines that are wider than columns at a space. What
// continues stands two further in than the line.
type wrapped struct {
	to   io.Writer
	line []byte // not ended yet
}

// raw returns where text goes that must stay as it is: JSON, mails, scripts.
func raw(w io.Writer) io.Writer {
	if x, ok := w.(*wrapped); ok {
		return x.to
	}
	return w
}

// Write takes text. A line is printed once it is complete.
func (w *wrapped) Write(p []byte) (int, error) {
	w.line = append(w.line, p...)
	at := bytes.LastIndexByte(w.line, '\n') + 1
	var out strings.Builder
	for line := range strings.Lines(string(w.line[:at])) {
		line = strings.TrimSuffix(line, "\n")
		in := line[:indent(line)] + "  "
		for utf8.RuneCountInString(line) > columns {
			at := breakAt(line)
			if at < 0 {
				break
			}
			out.WriteString(strings.TrimRight(line[:at], " ") + "\n")
			line = in + strings.TrimLeft(line[at:], " ")
		}
		out.WriteString(line + "\n")
	}
	w.line = append(w.line[:0], w.line[at:]...)
	_, err := io.WriteString(w.to, out.String())
	return len(p), err
}

// Flush prints what has no end of line yet.
func (w *wrapped) Flush() error {
	_, err := w.to.Write(w.line)
	w.line = nil
	return err
}

// breakAt returns where a line that is too wide is broken: at the last space that fits,
// else at the first, or -1. Spaces that align the line stay.
func breakAt(line string) int {
	most, runes := len(line), 0
	for i := range line {
		if runes++; runes > columns {
			most = i
			break
		}
	}
	begin := indent(line)
	most = max(most, begin)
	if at := strings.LastIndexByte(line[begin:most], ' '); at > 0 {
		return begin + at
	}
	if at := strings.IndexByte(line[most:], ' '); at >= 0 {
		return most + at
	}
	return -1
}

// wrap breaks a text at spaces into lines of at most so many columns. A longer word, such
// as an address, stays whole.
func wrap(s string, most int) (out []string) {
	line := ""
	for _, word := range strings.Fields(s) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= most:
			line += " " + word
		default:
			out = append(out, line)
			line = word
		}
	}
	return append(out, line)
}

// table lays out rows whose cells are separated by tabs. It is used as a tabwriter is;
// when rows would be wider than columns, their widest cells are broken at spaces.
type table struct {
	to   io.Writer
	text bytes.Buffer
}

func newTable(to io.Writer) *table { return &table{to: to} }

// Write takes rows, each with an end of line.
func (t *table) Write(p []byte) (int, error) { return t.text.Write(p) }

// Flush prints the rows. A line without a tab ends a table and begins another.
func (t *table) Flush() error {
	var rows [][]string
	var out strings.Builder
	end := func() {
		out.WriteString(layOut(rows))
		rows = nil
	}
	for line := range strings.Lines(t.text.String()) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(cells) == 1 {
			end()
			out.WriteString(line)
			continue
		}
		rows = append(rows, cells)
	}
	end()
	t.text.Reset()
	_, err := io.WriteString(t.to, out.String())
	return err
}

const (
	gap    = 2 // columns between cells
	narrow = 8 // a cell is not broken below this width
)

// indent returns with how many spaces a text begins.
func indent(s string) int { return len(s) - len(strings.TrimLeft(s, " ")) }

func layOut(rows [][]string) string {
	var widths, words []int // of columns: their widest cells and their longest words
	for _, r := range rows {
		for i, c := range r {
			if i == len(widths) {
				widths, words = append(widths, 0), append(words, narrow)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
			for _, w := range strings.Fields(c) {
				words[i] = max(words[i], indent(c)+utf8.RuneCountInString(w))
			}
		}
	}
	for total(widths) > columns {
		widest := -1
		for i, w := range widths {
			if w > words[i] && (widest < 0 || w > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break // nothing has a space where it could be broken
		}
		widths[widest]--
	}
	var out strings.Builder
	for _, r := range rows {
		out.WriteString(layRow(r, widths))
	}
	return out.String()
}

func total(widths []int) int {
	sum := -gap
	for _, w := range widths {
		sum += w + gap
	}
	return sum
}

// layRow writes one row over as many lines as its longest cell needs.
func layRow(cells []string, widths []int) string {
	lines := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		lines[i] = []string{c}
		if utf8.RuneCountInString(c) > widths[i] {
			in := c[:indent(c)]
			lines[i] = wrap(c, widths[i]-len(in))
			for j := range lines[i] {
				lines[i][j] = in + lines[i][j]
			}
		}
		most = max(most, len(lines[i]))
	}
	var out strings.Builder
	for k := range most {
		var line strings.Builder
		at := 0
		for i := range cells {
			for utf8.RuneCountInString(line.String()) < at {
				line.WriteByte(' ')
			}
			if k < len(lines[i]) {
				line.WriteString(lines[i][k])
			}
			at += widths[i] + gap
		}
		out.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	return out.String()
}

// mostNamed is how many notes of one kind are told one by one.
const mostNamed = 3

// notes prints what a command goes on without. Notes that end alike, behind the thing that
// they are about, are of one kind: more than a few of them are told once, with a count.
func notes(to io.Writer, texts []string) {
	kinds := map[string][]string{}
	var order []string
	for _, s := range texts {
		about, kind, ok := cutLast(s)
		if !ok {
			about, kind = "", s
		}
		if kinds[kind] == nil {
			order = append(order, kind)
		}
		kinds[kind] = append(kinds[kind], about)
	}
	w := &wrapped{to: raw(to)}
	for _, kind := range order {
		about := kinds[kind]
		switch {
		case len(about) > mostNamed:
			fmt.Fprintf(w, "note: %d times: %s: %s and %d more\n", len(about), kind, strings.Join(about[:mostNamed], "; "),
				len(about)-mostNamed)
		default:
			for _, a := range about {
				fmt.Fprintln(w, "note: "+strings.TrimPrefix(a+": "+kind, ": "))
			}
		}
	}
	_ = w.Flush() // nothing is left
}

// cutLast cuts a note at its last colon that a space follows.
func cutLast(s string) (about, kind string, ok bool) {
	at := strings.LastIndex(s, ": ")
	if at < 0 {
		return "", s, false
	}
	return s[:at], s[at+2:], true
}
