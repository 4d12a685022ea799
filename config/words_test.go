package config_test

import (
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

var update = flag.Bool("update", false, "write the list of phrases anew")

var said = regexp.MustCompile(`\.T "((?:[^"\\]|\\.)*)"`)

// phrases collects what is said to people: literals in calls of Say, And and T,
// in templates, and the words of the default rulebook.
func phrases(t *testing.T) []string {
	t.Helper()
	found := map[string]bool{}
	err := filepath.WalkDir("../internal", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(p, "_test.go") {
			return err
		}
		src, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		switch filepath.Ext(p) {
		case ".go":
			f, err := parser.ParseFile(token.NewFileSet(), p, src, 0)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if c, ok := n.(*ast.CallExpr); ok && len(c.Args) > 0 {
					name := ""
					switch f := c.Fun.(type) {
					case *ast.SelectorExpr:
						name = f.Sel.Name
					case *ast.Ident:
						name = f.Name
					}
					if s, ok := literal(c.Args[0]); ok && slices.Contains([]string{"Say", "And", "T"}, name) {
						found[s] = true
					}
				}
				return true
			})
		case ".html", ".txt":
			for _, m := range said.FindAllStringSubmatch(string(src), -1) {
				found[m[1]] = true
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range r.Materials {
		found[m.Name] = true
		for _, w := range slices.Concat(m.Allow, m.Never) {
			found[w] = true
		}
	}
	for _, k := range r.Tasks {
		found[k.Title] = true
		for _, h := range k.How {
			found[h.Text] = true
		}
	}
	for _, c := range r.Cautions {
		found[c] = true
	}
	var out []string
	for s := range found {
		out = append(out, s)
	}
	slices.Sort(out)
	return out
}

// Every phrase has its translation in every language that is built in, and no
// language has one that nobody says.
func TestWords(t *testing.T) {
	want := phrases(t)
	if len(want) < 100 {
		t.Fatalf("only %d phrases were found", len(want))
	}
	template := wording.Template(nil, "", want)
	if *update {
		if err := os.WriteFile("words/messages.pot", []byte(template), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if template != string(config.Phrases) {
		t.Error("words/messages.pot is not the list of phrases: run go test ./config -update")
	}
	for tag, po := range config.Words {
		c := &wording.Catalogue{}
		for _, line := range c.Add(tag, po) {
			t.Error(line)
		}
		w := c.In(tag)
		for _, s := range want {
			if !w.Has(s) {
				t.Errorf("%s: no translation of %q", tag, s)
			}
		}
		for _, s := range w.Phrases() {
			if !slices.Contains(want, s) {
				t.Errorf("%s: %q is said nowhere", tag, s)
			}
		}
	}
}

// literal is the text of a string literal, also of one that is broken over several lines.
func literal(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		s, err := strconv.Unquote(e.Value)
		return s, err == nil && e.Kind == token.STRING
	case *ast.BinaryExpr:
		x, okX := literal(e.X)
		y, okY := literal(e.Y)
		return x + y, okX && okY && e.Op == token.ADD
	}
	return "", false
}
