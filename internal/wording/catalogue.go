package wording

import (
	"cmp"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"github.com/leonelquinteros/gotext"
)

// English is the language in which the phrases are written.
const English = "en"

// Words are the phrases of one language. A nil *Words is English as written.
type Words struct {
	Language string            // a BCP 47 tag, such as "es"
	phrases  map[string]string // by English wording
}

func (w *Words) find(id string) string {
	if w != nil {
		if s, ok := w.phrases[id]; ok {
			return s
		}
	}
	return id
}

// Lang returns the tag of the language.
func (w *Words) Lang() string {
	if w == nil {
		return English
	}
	return w.Language
}

// Has reports whether the language has its own wording of a phrase.
func (w *Words) Has(id string) bool {
	if w == nil {
		return false
	}
	_, ok := w.phrases[id]
	return ok
}

// Phrases returns the English wordings that the language has its own words for, in
// order.
func (w *Words) Phrases() []string {
	if w == nil {
		return nil
	}
	return slices.Sorted(maps.Keys(w.phrases))
}

// Catalogue holds the languages messages can be written in. A nil *Catalogue has
// English only.
type Catalogue struct{ words map[string]*Words }

// Add reads a message catalogue in the format of GNU gettext (PO) for a language.
// What was there before stays where the file says nothing, so that a shop's own
// file holds only what it changes. Phrases whose verbs differ from those of the
// English wording are left out and returned as lines.
func (c *Catalogue) Add(language string, po []byte) (trouble []string) {
	if c.words == nil {
		c.words = map[string]*Words{}
	}
	w := c.words[language]
	if w == nil {
		w = &Words{language, map[string]string{}}
		c.words[language] = w
	}
	f := gotext.NewPo()
	f.Parse(po)
	all := f.GetDomain().GetTranslations()
	for _, id := range slices.Sorted(maps.Keys(all)) {
		s := all[id].Trs[0]
		if id == "" || s == "" {
			continue
		}
		if want, got := verbs(id), verbs(s); !slices.Equal(want, got) {
			trouble = append(trouble, fmt.Sprintf("%s: %q has the values %s, its translation has %s", language, id, said(want),
				said(got)))
			continue
		}
		w.phrases[id] = s
	}
	return trouble
}

func said(v []string) string { return cmp.Or(strings.Join(v, " "), "none") }

// In returns the words of a language, those of its base language ("es" for
// "es-MX"), or English.
func (c *Catalogue) In(language string) *Words {
	if c == nil {
		return nil
	}
	language = strings.ToLower(language)
	base, _, _ := strings.Cut(language, "-")
	return cmp.Or(c.words[language], c.words[base], c.words[English])
}

// Languages returns the tags of all languages, English first.
func (c *Catalogue) Languages() []string {
	out := []string{English}
	if c != nil {
		for _, l := range slices.Sorted(maps.Keys(c.words)) {
			if l != English {
				out = append(out, l)
			}
		}
	}
	return out
}

// verb is one of package fmt's: flags, a precision, an index, a letter.
var verb = regexp.MustCompile(`%([-+# 0]*)([0-9.]*)(?:\[(\d+)\])?([a-zA-Z%])`)

// verbs lists what a phrase prints, by argument: "1s 2d". Its order in the phrase
// is free. A phrase without letters after its % holds none.
func verbs(s string) (out []string) {
	n := 0
	for _, m := range verb.FindAllStringSubmatch(s, -1) {
		if m[4] == "%" || m[1] == " " { // "80 % squeeze"
			continue
		}
		if m[3] != "" {
			_, _ = fmt.Sscan(m[3], &n) // digits by the pattern
		} else {
			n++
		}
		out = append(out, fmt.Sprint(n, m[4]))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Phrases returns what a PO file names, in order.
func Phrases(po []byte) (out []string) {
	f := gotext.NewPo()
	f.Parse(po)
	for id := range f.GetDomain().GetTranslations() {
		if id != "" {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out
}

// Template writes an empty catalogue of phrases in the format that Add reads, with
// what a language has filled in.
func Template(w *Words, language string, phrases []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "msgid \"\"\nmsgstr \"\"\n\"Language: %s\\n\"\n\"Content-Type: text/plain; charset=UTF-8\\n\"\n",
		language)
	for _, id := range phrases {
		own := ""
		if w.Has(id) {
			own = w.find(id)
		}
		fmt.Fprintf(&b, "\nmsgid %s\nmsgstr %s\n", quote(id), quote(own))
	}
	return b.String()
}

func quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(s) + `"`
}
