package arch

import (
	"go/parser"
	"go/token"
	"strings"
	"testing"
)

// A forbidden word is found where people read it, and only there.
func TestPlainWordsFindsPlanted(t *testing.T) {
	src := "package x\n" +
		"type T struct {\n\tA string `json:\"pin one\" help:\"Ring the shop.\"`\n\tB string `doc:\"The torch.\"`\n}\n" +
		"var keys = map[string]string{\"pin it\": \"Mend the seal.\"}\n" +
		"const name, sql, code = \"renewal\", \"SELECT pin FROM t\", `torch it`\n" +
		"const fine = \"The bulb is crushed; climb the ladder with care. Spring is near.\"\n"
	fset := token.NewFileSet()
	tree, err := parser.ParseFile(fset, "x.go", src, 0)
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, s := range textsOf("x.go", fset, tree) {
		for _, bad := range stumbles(s.text) {
			found = append(found, bad[:strings.Index(bad, " (")])
		}
	}
	if got := strings.Join(found, " "); got != `"Ring" "torch" "Mend"` {
		t.Errorf("found %s", got)
	}
	page := templateText("<p class=\"pin\"><a href=\"/renewal\" title=\"Take it back\">{{.Misfit}}</a></p>\n" +
		"{{$t.T \"By torch.\"}}")
	if got := strings.Join(stumbles(page), ", "); !strings.Contains(got, "Take it back") ||
		!strings.Contains(got, "torch") || strings.Contains(got, "pin") || strings.Contains(got, "isfit") {
		t.Errorf("in a page: %s", got)
	}
	pot := potText()
	text := pot("#: pin.go") + pot(`msgid ""`) + pot(`"renewal"`) + pot(`msgstr "pin"`)
	if got := stumbles(text); len(got) != 1 {
		t.Errorf("in phrases: %v", got)
	}
	if got := stumbles(proseText("Fix `pin` before its renewal.") + yamlText("torch: use a mould")); len(got) != 2 {
		t.Errorf("in prose: %v", got)
	}
}
