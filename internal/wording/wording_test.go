package wording

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Wrapping changes white space only and keeps to the width where words allow.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOf(rapid.StringMatching(`[a-zü]{1,12}`)).Draw(t, "words")
		width, n := rapid.IntRange(14, 40).Draw(t, "width"), rapid.IntRange(0, 2).Draw(t, "n")
		got := Wrap(width, n, strings.Join(words, " "))
		if strings.Join(strings.Fields(got), " ") != strings.Join(words, " ") {
			t.Fatalf("%q became %q", words, got)
		}
		for i, l := range strings.Split(got, "\n") {
			size := len([]rune(l))
			if i == 0 {
				size += n
			}
			if size > width {
				t.Fatalf("%q is wider than %d", l, width)
			}
		}
	})
}
