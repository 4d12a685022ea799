// Package wording is how people are spoken to: texts that are kept apart from
// their language until they are shown, message catalogues, and plain text laid out
// in lines.
//
// It is pure and imports nothing of ours. Packages projection and plan say their
// reasons in it, reminder and web write messages and pages with it.
package wording

import "strings"

// Wrap breaks a text into lines of at most width characters, each further line
// indented by n spaces; the first is taken to begin at column n. A word longer than
// a line stands on one of its own.
func Wrap(width, n int, s string) string {
	var b strings.Builder
	col := n
	for i, w := range strings.Fields(s) {
		size := len([]rune(w))
		switch {
		case i == 0:
		case col+1+size > width:
			b.WriteString("\n" + strings.Repeat(" ", n))
			col = n
		default:
			b.WriteByte(' ')
			col++
		}
		b.WriteString(w)
		col += size
	}
	return b.String()
}
