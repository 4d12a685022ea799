package intake

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
)

// update rewrites the table; testkit's flag of that name serves golden files.
func updating() bool { f := flag.Lookup("update"); return f != nil && f.Value.String() == "true" }

const fieldsBegin, fieldsEnd = "<!-- fields -->\n", "<!-- end of fields -->"

// The guide's table of fields is what the reader asks for.
func TestGuideListsFields(t *testing.T) {
	const path = "../../config/guides/coach-file.md"
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(b), fieldsBegin)
	table, after, ok2 := strings.Cut(rest, fieldsEnd)
	if !ok || !ok2 {
		t.Fatal("the guide has no place for the table")
	}
	var want strings.Builder
	want.WriteString("| field | form | needed | older name |\n|---|---|---|---|\n")
	rows(&want, "", Shape())
	if table == want.String() {
		return
	}
	if !updating() {
		t.Fatalf("the table of %s is not what the reader asks for; run the test with -update", path)
	}
	if err := os.WriteFile(path, []byte(before+fieldsBegin+want.String()+fieldsEnd+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

func rows(out *strings.Builder, in string, fields []*Field) {
	for _, f := range fields {
		name := in + f.Name
		form := f.Form
		if len(f.Words) > 0 {
			form = "`" + strings.Join(f.Words, "` `") + "`"
		}
		if form == "" {
			form = map[FieldKind]string{BlockField: "a block", ListField: "a list", YesField: "yes or no",
				"": "text"}[f.Kind]
		}
		needed := ""
		if f.Must {
			needed = "yes"
		}
		old := append(append([]string{}, f.Aliases...), f.OldWords...)
		if form == "" {
			form = string(f.Kind)
		}
		form = strings.ReplaceAll(form, "|", "\\|")
		fmt.Fprintf(out, "| `%s` | %s | %s | %s |\n", name, form, needed, strings.Join(old, ", "))
		rows(out, name+".", f.Fields)
	}
}
