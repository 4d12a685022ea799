package intake

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

const (
	coachGuide             = "../../config/guides/coach-file.md"
	fieldsBegin, fieldsEnd = "<!-- fields -->\n", "<!-- end of fields -->"
	valuesBegin, valuesEnd = "<!-- values -->\n", "<!-- end of values -->"
	olderBegin, olderEnd   = "<!-- older words -->\n", "<!-- end of older words -->"
	fieldsTable            = "| field | what | allowed | needed | default |\n|---|---|---|---|---|\n"
	valuesTable            = "| kind | value |\n|---|---|\n"
)

// The guide lists every field of a coach file as its reader asks for it. What a field
// means is written by hand, in the table itself: -update rewrites the rest of the table and
// keeps that column, and a field without a meaning fails.
func TestGuideListsFields(t *testing.T) {
	_, old, _ := section(t, fieldsBegin, fieldsEnd)
	means := map[string]string{}
	block := ""
	for line := range strings.Lines(old) {
		if m := regexp.MustCompile("^### `(.+)`").FindStringSubmatch(line); m != nil {
			block = m[1]
		}
		if m := regexp.MustCompile("^\\| `([^`]+)` \\| (.*?) ?\\| ").FindStringSubmatch(line); m != nil {
			means[block+"."+m[1]] = m[2]
		}
	}
	root := &Field{Kind: BlockField}
	r := &reader{sites: map[string]coach.Site{}, seen: map[coach.ID]string{}}
	r.document(tracing(root))
	var table strings.Builder
	for _, f := range root.Fields {
		fieldsOf(&table, f.Name, f, means, t.Errorf)
	}
	rewrite(t, fieldsBegin, fieldsEnd, strings.TrimPrefix(table.String(), "\n"))
}

// The guide lists what each kind of reading may say, and the older words that are read.
func TestGuideListsWords(t *testing.T) {
	out := valuesTable
	for _, k := range coach.ReadingKinds {
		if readingForms[k] == "" {
			t.Errorf("nothing says what %s may be", k)
		}
		out += fmt.Sprintf("| `%s` | %s |\n", coach.Named(k), readingForms[k])
	}
	rewrite(t, valuesBegin, valuesEnd, out)

	out = "| name | older name |\n|---|---|\n"
	for _, p := range append(OldFields(), coach.OldWords()...) {
		if row := fmt.Sprintf("| `%s` | `%s` |\n", p[0], p[1]); !strings.Contains(out, row) {
			out += row
		}
	}
	rewrite(t, olderBegin, olderEnd, out)
}

// fieldsOf writes the table of a block's fields, and those of the blocks in it.
func fieldsOf(out *strings.Builder, path string, of *Field, means map[string]string, complain func(string, ...any)) {
	fmt.Fprintf(out, "\n### `%s`\n\n%s", path, fieldsTable)
	fields := slices.Clone(of.Fields)
	slices.SortStableFunc(fields, func(a, b *Field) int {
		return cmp.Or(cmp.Compare(min(1, len(a.Fields)), min(1, len(b.Fields))), cmp.Compare(rank(a), rank(b)))
	})
	for _, f := range fields {
		what := means[path+"."+f.Name]
		if what == "" {
			complain("%s has no line that says what %s.%s is", coachGuide, path, f.Name)
		}
		needed := ""
		if f.Must {
			needed = "yes"
		}
		standard := f.Default
		if standard != "" {
			standard = "`" + standard + "`"
		}
		fmt.Fprintf(out, "| `%s` | %s | %s | %s | %s |\n", f.Name, what, allowed(path, f), needed, standard)
	}
	for _, f := range fields {
		if len(f.Fields) > 0 {
			fieldsOf(out, strings.TrimPrefix(path+"."+f.Name, "coaches."), f, means, complain)
		}
	}
}

// rank puts what must be there first.
func rank(f *Field) int {
	if f.Must {
		return 0
	}
	return 1
}

// allowed says what a field may hold.
func allowed(path string, f *Field) string {
	form := strings.ReplaceAll(f.Form, unit.LengthForm, "a length")
	switch f.Kind {
	case WordField:
		return "`" + strings.Join(f.Words, "` `") + "`"
	case DayField:
		if !strings.Contains(form, "YYYY") {
			return "YYYY-MM-DD"
		}
		return form
	case YesField:
		return "yes or no"
	case NumberField:
		return cmp.Or(form, "a number from "+plain(f.Low)+" to "+plain(f.High))
	case BlockField, ListField:
		what := "a block"
		if f.Kind == ListField {
			what = "a list"
		}
		if len(f.Fields) > 0 {
			at := strings.TrimPrefix(path+"."+f.Name, "coaches.")
			return what + ": [" + at + "](#" + strings.NewReplacer(".", "", "_", "-").Replace(at) + ")"
		}
		if form != "" {
			return what + ": " + form
		}
		return what + " of texts"
	}
	return cmp.Or(form, "text")
}

func plain(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// section returns what stands between two marks of the guide, and what is around it.
func section(t *testing.T, begin, end string) (before, in, after string) {
	t.Helper()
	b, err := os.ReadFile(coachGuide)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(b), begin)
	in, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatalf("%s has no %s", coachGuide, begin)
	}
	return before + begin, in, end + after
}

// rewrite compares a section of the guide with what it should be, or writes it.
func rewrite(t *testing.T, begin, end, want string) {
	t.Helper()
	before, in, after := section(t, begin, end)
	if in == want {
		return
	}
	if f := flag.Lookup("update"); f == nil || f.Value.String() != "true" {
		t.Fatalf("%s is not what the reader asks for; run the test with -update", coachGuide)
	}
	if err := os.WriteFile(coachGuide, []byte(before+want+after), 0o644); err != nil {
		t.Fatal(err)
	}
}
