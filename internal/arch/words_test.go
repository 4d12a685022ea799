package arch

import (
	"go/ast"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// plainWords are words that people stumble over, as expressions without regard to case, and
// what to say instead. The same thing has one name in mails, pages, commands and guides.
var plainWords = [][2]string{
	{`renew(al|als|ed|s|ing)?`, "replacement, replace"},
	{`mend(s|ed|ing)?`, "fix, correct"},
	{`rungs?`, "reminder step"},
	{`reminder ladders?|ladders? of reminders|reminder's ladder`, "reminder steps"},
	{`rings?|rang (me|you|us|them|the)`, "call"},
	{`torch(es)?`, "flashlight"},
	{`mould(s|y)?`, "mold"},
	{`past (its|their) (time|day)s?`, "overdue, worn out"},
	{`(laid|lays?|lay) (up)?on(to)?`, "merge into"},
	{`t(ake|akes|aken|ook|aking)( it| them)? back`, "undo; of a message: withdraw"},
	{`hush(ed|es)?`, "pause, paused"},
	{`kept back`, "held back"},
	{`leaves? from|may leave|leaves now`, "is sent after, will be sent"},
	{`(is|are) no [a-z ]{1,30} of ours`, "unknown ..."},
	{`no [a-z]+ of ours`, "unknown ..."},
	{`parted by`, "separated by"},
	{`misfits?`, "wrong size"},
	{`crush(es|ing)?`, "squeeze (crushed is fine)"},
	{`pins?|pinned`, "appointment"},
	{`manners`, "contact limits"},
	{`anew`, "again"},
	{`told at once`, "listed together"},
	{`written down|write (it|them|the [a-z]+) down`, "save, saved"},
	{`would rather not`, "needs ..."},
	{`(stands?|standing) elsewhere`, "has moved"},
	{`whole archive`, "complete archive"},
	{`are no text`, "contains invalid characters"},
	{`telephones?`, "phone"},
	{`colours?|organisations?|cancelled|tyres?|aluminium`, "American spelling"},
	{`sealmanac (hush|wake|first|words|learn|requests|resume|experience)`, "the command's new name"},
}

var plainPattern = func() *regexp.Regexp {
	var all []string
	for _, w := range plainWords {
		all = append(all, w[0])
	}
	return regexp.MustCompile(`(?i)\b(?:` + strings.Join(all, "|") + `)\b`)
}()

// plainExceptions are texts in which a forbidden word means something else, or is a name
// that programs and files use.
var plainExceptions = []struct{ in, why string }{
	{"aluminium", "the material's word in coach files, which stays readable"},
	{"manners:", "a key of rulebook files"},
	{"manners.", "a key of rulebook files"},
}

// stumbles returns what a text should say otherwise, each as "word (say: ...)".
func stumbles(text string) (out []string) {
	for _, e := range plainExceptions {
		text = strings.ReplaceAll(text, e.in, "")
	}
	for _, hit := range plainPattern.FindAllString(text, -1) {
		for _, w := range plainWords {
			if regexp.MustCompile(`(?i)^(?:` + w[0] + `)$`).MatchString(hit) {
				out = append(out, strconv.Quote(hit)+" (say: "+w[1]+")")
				break
			}
		}
	}
	return out
}

// TestPlainWords holds all that people read to plain words. What counts as such: string
// literals of the program with a space in them, except SQL, raw strings, keys of maps and
// import paths; help and doc tags; text of templates; the rulebook's and guides' prose; the phrases
// of mails.
func TestPlainWords(t *testing.T) {
	for _, p := range textsInGo(t) {
		p.check(t)
	}
	for _, kind := range []string{"web/templates/*.html", "*/templates/*", "*/*/templates/*"} {
		files, _ := filepath.Glob(filepath.Join("..", kind))
		for _, f := range files {
			linesOf(t, f, templateText)
		}
	}
	guides, _ := filepath.Glob("../../config/guides/*.md")
	for _, f := range append(guides, "../../README.md", "../../DEVELOPERS.md") {
		linesOf(t, f, proseText)
	}
	linesOf(t, "../../config/rulebook.yaml", yamlText)
	linesOf(t, "../../config/words/messages.pot", potText())
}

type said struct{ where, text string }

func (s said) check(t *testing.T) {
	t.Helper()
	for _, bad := range stumbles(s.text) {
		t.Errorf("%s: %s in %q", s.where, bad, clip(s.text))
	}
}

func clip(s string) string {
	if len(s) > 90 {
		return s[:90] + "..."
	}
	return s
}

func linesOf(t *testing.T, path string, text func(string) string) {
	t.Helper()
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	body := string(src)
	if strings.HasSuffix(path, ".html") || strings.HasSuffix(path, ".txt") {
		body = text(body)
		text = func(s string) string { return s }
	}
	for i, line := range strings.Split(body, "\n") {
		said{path + ":" + strconv.Itoa(i+1), text(line)}.check(t)
	}
}

var (
	actions  = regexp.MustCompile(`{{[^}]*}}`)
	quoted   = regexp.MustCompile(`{{-?\s*(?:\$t?\.?T|\.T|\$\.T|\$t\.T)\s+"((?:[^"\\]|\\.)*)"[^}]*}}`)
	tagTexts = regexp.MustCompile(`\b(?:aria-label|placeholder|title|alt)="([^"]*)"`)
	tags     = regexp.MustCompile(`<[^>]*>`)
	code     = regexp.MustCompile("`[^`]*`")
	helpTag  = regexp.MustCompile(`\b(?:help|doc|placeholder)="?:?"?((?:[^"\\]|\\.)*)"|\b(?:help|doc):"((?:[^"\\]|\\.)*)"`)
)

// templateText leaves what a reader of a page sees or hears, on the lines where it stands.
func templateText(src string) string {
	src = quoted.ReplaceAllString(src, "$1")
	src = actions.ReplaceAllStringFunc(src, func(s string) string { return strings.Repeat("\n", strings.Count(s, "\n")) })
	return tags.ReplaceAllStringFunc(src, func(tag string) string {
		heard := ""
		for _, m := range tagTexts.FindAllStringSubmatch(tag, -1) {
			heard += " " + m[1]
		}
		return heard + strings.Repeat("\n", strings.Count(tag, "\n"))
	})
}

// proseText leaves out code, and rows of tables that name sources.
func proseText(line string) string { return code.ReplaceAllString(line, "") }

// yamlText leaves out keys and comments.
func yamlText(line string) string {
	if strings.HasPrefix(strings.TrimSpace(line), "#") {
		return ""
	}
	if _, value, ok := strings.Cut(line, ": "); ok {
		return value
	}
	if strings.HasSuffix(line, ":") {
		return ""
	}
	return line
}

// potText leaves the phrases themselves and what continues them.
func potText() func(string) string {
	in := false
	return func(line string) string {
		switch {
		case strings.HasPrefix(line, "msgid"):
			in = true
		case !strings.HasPrefix(line, `"`):
			in = false
		}
		if !in {
			return ""
		}
		return line
	}
}

// route is a pattern of addresses, which no reader sees.
var route = regexp.MustCompile(`^[A-Z]+ /`)

var sqlText = regexp.MustCompile(`\b(SELECT|INSERT|UPDATE|DELETE|WHERE|FROM|ORDER BY|CREATE)\b`)

func textsInGo(t *testing.T) (out []said) {
	for _, f := range load(t) {
		if f.test || slices.Contains(tests, f.pkg) {
			continue
		}
		out = append(out, textsOf(f.path, f.fset, f.ast)...)
	}
	return out
}

// textsOf returns the literals of a file that people may read.
func textsOf(path string, fset *token.FileSet, tree *ast.File) (out []said) {
	skip := map[ast.Node]bool{}
	ast.Inspect(tree, func(n ast.Node) bool {
		if n == nil || skip[n] {
			return false
		}
		switch n := n.(type) {
		case *ast.ImportSpec:
			return false
		case *ast.KeyValueExpr: // a key is a name
			skip[n.Key] = true
		case *ast.Field:
			if n.Tag != nil {
				skip[n.Tag] = true
				for _, m := range helpTag.FindAllStringSubmatch(n.Tag.Value, -1) {
					out = append(out, said{place(path, fset, n.Tag), m[1] + m[2]})
				}
			}
		case *ast.BasicLit:
			text, err := strconv.Unquote(n.Value)
			if n.Kind == token.STRING && err == nil && n.Value[0] == '"' && strings.Contains(strings.TrimSpace(text), " ") &&
				!sqlText.MatchString(text) && !route.MatchString(text) {
				out = append(out, said{place(path, fset, n), text})
			}
		}
		return true
	})
	return out
}

func place(path string, fset *token.FileSet, n ast.Node) string {
	return path + ":" + strconv.Itoa(fset.Position(n.Pos()).Line)
}
