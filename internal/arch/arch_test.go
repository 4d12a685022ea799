package arch

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"
)

// rows lists the packages from the bottom up. A package may import packages in
// lower rows only; siblings never import each other. Extend it together with
// the package map in DEVELOPERS.md.
var rows = [][]string{
	{"unit", "civil", "fault", "buildinfo", "wording"},
	{"coach", "wear", "climate", "survival", "cutting", "level", "settings", "metrics", "httpkit", "netkit", "guide"},
	{"rulebook", "exposure"},
	{"projection", "experience"},
	{"plan"},
	{"reminder", "season"},
	{"intake", "store", "delivery", "mailbox"},
	{"delivery/mail", "cycle", "access", "store/storetest"},
	{"desk", "webhook"},
	{"web", "api", "returns"},
	{"daemon"},
	{"demo"},
	{"cli"},
}

// tests are packages that only tests import.
var tests = []string{"testkit", "store/storetest", "arch"}

// pure packages see no clock, I/O, context, logging or randomness: rows 0-5
// except these.
var impure = []string{"settings", "metrics", "httpkit", "netkit"}

var forbidden = []string{"context", "crypto/rand", "database/sql", "log", "log/slog", "math/rand", "math/rand/v2",
	"net", "net/http", "os", "os/exec", "net/smtp"}

// never says who must not import whom although the rows would allow it.
var never = map[string][]string{
	"web":      {"store", "cycle"},
	"api":      {"store", "cycle"},
	"delivery": {"store"},
	"settings": {"rulebook", "delivery"},
}

const module = "sealmanac/internal/"

type file struct {
	path, pkg string
	test      bool
	ast       *ast.File
	fset      *token.FileSet
	lines     int
}

func load(t *testing.T) (out []file) {
	t.Helper()
	err := filepath.WalkDir("..", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || path.Ext(p) != ".go" {
			return err
		}
		src, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, p, src, parser.ParseComments)
		if err != nil {
			return err
		}
		out = append(out, file{p, strings.TrimPrefix(filepath.ToSlash(filepath.Dir(p)), "../"),
			strings.HasSuffix(p, "_test.go"), f, fset, strings.Count(string(src), "\n")})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 50 {
		t.Fatalf("only %d files were found", len(out))
	}
	return out
}

func rowOf(pkg string) int {
	return slices.IndexFunc(rows, func(r []string) bool { return slices.Contains(r, pkg) })
}

func TestImports(t *testing.T) {
	for _, f := range load(t) {
		here := rowOf(f.pkg)
		if here < 0 && !slices.Contains(tests, f.pkg) {
			t.Errorf("%s: add package %q to rows", f.path, f.pkg)
			continue
		}
		if f.test || slices.Contains(tests, f.pkg) {
			continue
		}
		pure := here <= 5 && !slices.Contains(impure, f.pkg)
		for _, spec := range f.ast.Imports {
			to, _ := strconv.Unquote(spec.Path.Value)
			rel, ours := strings.CutPrefix(to, module)
			switch {
			case ours && slices.Contains(tests, rel):
				t.Errorf("%s imports %s, which is for tests", f.path, rel)
			case ours && rowOf(rel) >= here:
				t.Errorf("%s imports %s, which is not below it", f.path, rel)
			case ours && slices.Contains(never[f.pkg], rel):
				t.Errorf("%s imports %s, which it must not", f.path, rel)
			case pure && slices.Contains(forbidden, to):
				t.Errorf("%s imports %s but package %s is pure", f.path, to, f.pkg)
			case to == "testing":
				t.Errorf("%s imports testing outside a test", f.path)
			}
		}
		if pure {
			noClock(t, f)
		}
	}
}

// noClock looks for the clock in a pure package; types of package time are fine.
func noClock(t *testing.T, f file) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" &&
			slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "Tick", "NewTimer", "NewTicker"}, s.Sel.Name) {
			t.Errorf("%s calls time.%s but package %s is pure", f.path, s.Sel.Name, f.pkg)
		}
		return true
	})
}

// Every package says what it is for, every exported thing what it means, files
// stay within 600 lines and functions within 80.
func TestShape(t *testing.T) {
	commented := map[string]bool{}
	for _, f := range load(t) {
		if f.ast.Doc != nil {
			commented[f.pkg] = true
		}
		if f.test {
			continue
		}
		if f.lines > 600 {
			t.Errorf("%s has %d lines, at most 600", f.path, f.lines)
		}
		for _, d := range f.ast.Decls {
			shape(t, f, d)
		}
	}
	for _, r := range rows {
		for _, p := range r {
			if !commented[p] {
				t.Errorf("package %s has no package comment", p)
			}
		}
	}
}

// No line is wider than 120 columns. Only raw strings may be: SQL, markup, and the tags
// of fields, which cannot be broken.
func TestLinesAreNarrow(t *testing.T) {
	const most = 120
	for _, f := range load(t) {
		src, err := os.ReadFile(f.path)
		if err != nil {
			t.Fatal(err)
		}
		raw := map[int]bool{}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if l, ok := n.(*ast.BasicLit); ok && strings.HasPrefix(l.Value, "`") {
				for i := f.fset.Position(l.Pos()).Line; i <= f.fset.Position(l.End()).Line; i++ {
					raw[i] = true
				}
			}
			return true
		})
		for i, line := range strings.Split(string(src), "\n") {
			if n := utf8.RuneCountInString(line); n > most && !raw[i+1] {
				t.Errorf("%s:%d: %d columns, at most %d", f.path, i+1, n, most)
			}
		}
	}
}

func shape(t *testing.T, f file, d ast.Decl) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if n := f.fset.Position(d.End()).Line - f.fset.Position(d.Pos()).Line; n > 80 {
			t.Errorf("%s: %s has %d lines, at most 80", f.path, d.Name.Name, n)
		}
		if d.Name.IsExported() && d.Doc == nil && (d.Recv == nil || exportedReceiver(d)) {
			t.Errorf("%s: %s has no doc comment", f.path, d.Name.Name)
		}
	case *ast.GenDecl:
		for _, s := range d.Specs {
			if ts, ok := s.(*ast.TypeSpec); ok && ts.Name.IsExported() && ts.Doc == nil && d.Doc == nil {
				t.Errorf("%s: type %s has no doc comment", f.path, ts.Name.Name)
			}
		}
	}
}

func exportedReceiver(d *ast.FuncDecl) bool {
	x := d.Recv.List[0].Type
	if s, ok := x.(*ast.StarExpr); ok {
		x = s.X
	}
	id, ok := x.(*ast.Ident)
	return ok && id.IsExported()
}

// Each direct dependency stands in DEVELOPERS.md with its reason, and nothing else does.
func TestDependenciesHaveReasons(t *testing.T) {
	mod, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	guide, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	direct := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\t(\S+) v\S+$`).FindAllStringSubmatch(string(mod), -1) {
		direct[m[1]] = true
	}
	_, table, _ := strings.Cut(string(guide), "## Dependencies\n")
	table, _, _ = strings.Cut(table, "\n## ")
	said := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\| .{8,}\\|$").FindAllStringSubmatch(table, -1) {
		said[m[1]] = true
	}
	for m := range direct {
		if !said[m] {
			t.Errorf("DEVELOPERS.md has no reason for %s", m)
		}
	}
	for m := range said {
		if !direct[m] {
			t.Errorf("DEVELOPERS.md gives a reason for %s, which go.mod does not need directly", m)
		}
	}
	if len(direct) < 12 {
		t.Errorf("only %d dependencies were found", len(direct))
	}
}

// The guides name files and packages that exist.
func TestGuidesNameRealPaths(t *testing.T) {
	paths := regexp.MustCompile("`((?:internal|config|cmd|migrations|deploy|testdata|\\.ci)(?:/[A-Za-z0-9_.-]+)+/?)`")
	for _, guide := range []string{"README.md", "DEVELOPERS.md"} {
		text, err := os.ReadFile(filepath.Join("..", "..", guide))
		if err != nil {
			t.Fatal(err)
		}
		found := paths.FindAllStringSubmatch(string(text), -1)
		if guide == "DEVELOPERS.md" && len(found) < 20 {
			t.Errorf("%s names only %d paths", guide, len(found))
		}
		for _, m := range found {
			if _, err := os.Stat(filepath.Join("..", "..", m[1])); err != nil {
				t.Errorf("%s names %s, which does not exist", guide, m[1])
			}
		}
	}
}

// The top level is fixed.
func TestTopLevel(t *testing.T) {
	entries, err := os.ReadDir(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	allowed := []string{"cmd", "internal", "migrations", "config", "deploy", "testdata", "go.mod", "go.sum", "README.md",
		"DEVELOPERS.md"}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(allowed, e.Name()) && e.Name() != "sealmanac" &&
			!strings.HasSuffix(e.Name(), ".db") {
			t.Errorf("%s is not on the fixed top level", e.Name())
		}
	}
}
