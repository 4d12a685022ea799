// Package guide holds the guides for users and operators: their list, their pages and a
// search. The texts are Markdown files under config/guides.
//
// It is pure, and imports package config only. Packages web and cli show what it returns.
package guide

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/renderer/html"

	"sealmanac/config"
)

// Names are the guides in the order in which they are read.
var Names = []string{"getting-started", "coach-file", "lists-and-mapping", "planning", "reminders", "pages",
	"customer-systems", "rules-and-dates", "operating"}

// Guide is one guide.
type Guide struct {
	Name, Title string
	Summary     string // its first sentence
	Text        string // Markdown
}

// Find returns a guide by its name.
func Find(name string) (Guide, bool) {
	b, err := config.Guides.ReadFile("guides/" + name + ".md")
	if err != nil {
		return Guide{}, false
	}
	g := Guide{Name: name, Text: string(b)}
	head, rest, _ := strings.Cut(g.Text, "\n")
	g.Title = strings.TrimPrefix(head, "# ")
	first, _, _ := strings.Cut(strings.TrimSpace(rest), "\n\n")
	first, _, _ = strings.Cut(strings.ReplaceAll(first, "\n", " "), ". ")
	g.Summary = strings.TrimSuffix(marks.ReplaceAllString(first, ""), ".") + "."
	return g, true
}

// All returns the guides.
func All() (out []Guide) {
	for _, name := range Names {
		if g, ok := Find(name); ok {
			out = append(out, g)
		}
	}
	return out
}

var toHTML = goldmark.New(goldmark.WithExtensions(extension.GFM),
	goldmark.WithParserOptions(parser.WithAutoHeadingID()), goldmark.WithRendererOptions(html.WithXHTML()))

// HTML returns the guide as a fragment of a page. Links between guides lead to their
// pages, and wide tables scroll by themselves.
func (g Guide) HTML() (string, error) {
	var b bytes.Buffer
	if err := toHTML.Convert([]byte(between.ReplaceAllString(g.Text, "](/guide/$1$2)")), &b); err != nil {
		return "", err
	}
	out := strings.ReplaceAll(b.String(), "<table>",
		`<div class="scroll" tabindex="0" role="region" aria-label="Table"><table>`)
	return strings.ReplaceAll(out, "</table>", "</table></div>"), nil
}

// between is a link from one guide to another.
var between = regexp.MustCompile(`\]\(([a-z-]+)\.md(#[a-z0-9-]+)?\)`)

// Section is a part of a guide under one heading.
type Section struct {
	Guide   Guide
	Heading string
	Anchor  string // of its heading on the guide's page
	Text    string
}

// Sections returns the parts of a guide in order.
func (g Guide) Sections() (out []Section) {
	for _, part := range strings.Split("\n"+g.Text, "\n#") {
		head, text, _ := strings.Cut(part, "\n")
		if head = strings.TrimSpace(strings.TrimLeft(head, "#")); head == "" {
			continue
		}
		out = append(out, Section{g, head, Anchor(head), strings.TrimSpace(text)})
	}
	return out
}

// Anchor returns the id that a heading has on its page.
func Anchor(heading string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(heading) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case r == ' ' || r == '-' || r == '_':
			b.WriteByte('-')
		}
	}
	return b.String()
}

// most bounds what a search looks for and finds.
const most = 20

// Search returns the sections in which all words of a query stand, those first whose
// heading has one.
func Search(query string) (out []Section) {
	words := strings.Fields(strings.ToLower(query))
	if len(words) == 0 || len(words) > most {
		return nil
	}
	var rest []Section
	for _, g := range All() {
		for _, s := range g.Sections() {
			switch head := strings.ToLower(s.Heading); {
			case !holds(head+" "+strings.ToLower(s.Text), words):
			case holds(head, words[:1]):
				out = append(out, s)
			default:
				rest = append(rest, s)
			}
		}
	}
	out = append(out, rest...)
	return out[:min(most, len(out))]
}

func holds(text string, words []string) bool {
	for _, w := range words {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}

// Excerpt returns the line of a section in which a word stands, for a list of results.
func (s Section) Excerpt(query string) string {
	words := strings.Fields(strings.ToLower(query))
	for line := range strings.Lines(s.Text) {
		if len(words) > 0 && strings.Contains(strings.ToLower(line), words[0]) {
			return strings.Trim(marks.ReplaceAllString(line, ""), " \n|-")
		}
	}
	first, _, _ := strings.Cut(s.Text, "\n")
	return marks.ReplaceAllString(first, "")
}

var marks = regexp.MustCompile("[`*]")

// String names a guide with its summary.
func (g Guide) String() string { return fmt.Sprintf("%-18s %s", g.Name, g.Summary) }
