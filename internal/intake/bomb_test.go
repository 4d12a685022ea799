package intake

import (
	"strings"
	"testing"

	"sealmanac/internal/testkit"
)

// nested are texts of about n bytes that are nested as deep as they are long.
func nested(n int) map[string]string {
	many := func(s string) string { return strings.Repeat(s, n/len(s)) }
	return map[string]string{
		"lists": many("["), "closed lists": strings.Repeat("[", n/2) + strings.Repeat("]", n/2), "blocks": many("{a: "), "JSON blocks": many(`{"a":`),
		"compact lists": many("- "), "compact keys": many("? "), "tagged lists": many("- !!seq "), "anchors": many("&a "), "anchored lists": many("- &a "),
		"mixed": many("- [{a: "), "quoted keys": many(`{"[": `), "lists on lines": many("[\n"),
		"quoted blocks": "a: \"" + many("[") + "\"\nb: " + many("["), "comments": many("[ # ]\n"),
	}
}

// A file that is nested deep is refused before its tree is built: a manager's upload
// must not take the memory of the whole program. The largest file costs little more
// than itself.
func TestNestedFilesAreCheap(t *testing.T) {
	o := opt(t)
	for name, text := range nested(1 << 20) {
		for _, file := range []string{"x.yaml", "x.json"} {
			t.Run(name+" in "+file, func(t *testing.T) {
				testkit.Bound(t, 20<<20, func() {
					if Read(o, nil, File{file, []byte(text)}).Problems.Err() == nil {
						t.Error("it was read")
					}
				})
			})
		}
		testkit.Bound(t, 20<<20, func() {
			if _, bad := ParseMapping(File{"map.yaml", []byte(text)}); len(bad) == 0 {
				t.Errorf("%s: the mapping was read", name)
			}
		})
	}
}

// What is written in one long piece, or on many lines that say nothing, costs what it
// is long.
func TestLongFilesAreLinear(t *testing.T) {
	o := opt(t)
	for name, one := range map[string]string{"empty lines of a text": "\n", "tabs in quotes": "\t", "backslashes": `\\`, "lines": "x\n "} {
		for start, end := range map[string]string{"shop: {name: \"": "\"}", "shop:\n  name: |\n    ": "\n", "shop:\n  name: >\n    ": "\n"} {
			t.Run(name, func(t *testing.T) {
				text := start + strings.Repeat(one, 200_000/len(one)) + end
				testkit.Bound(t, 30<<20, func() { Read(o, nil, File{"x.yaml", []byte(text)}) })
			})
		}
	}
}
