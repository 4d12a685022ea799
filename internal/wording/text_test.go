package wording_test

import (
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/testkit"
	"sealmanac/internal/wording"
)

const po = `
msgid ""
msgstr "Content-Type: text/plain; charset=UTF-8\n"

msgid "by %s"
msgstr "antes del %s"

msgid "%[1]s %[2]d %[3]s %[4]d"
msgstr "%[1]s %[2]d de %[3]s de %[4]d"

msgid "March"
msgstr "marzo"

msgid "%[1]s before %[2]s"
msgstr "%[2]s después de %[1]s"

msgid "broken %s"
msgstr "roto %d"

msgid "80 % set"
msgstr "80 % de deformación"
`

func TestWords(t *testing.T) {
	c := &wording.Catalogue{}
	trouble := c.Add("es", []byte(po))
	if len(trouble) != 1 || !strings.Contains(trouble[0], `"broken %s" has the values 1s, its translation has 1d`) {
		t.Errorf("trouble: %q", trouble)
	}
	es, day := c.In("es-MX"), civil.Of(2026, 3, 3)
	for _, x := range []struct {
		name, en, es string
		text         wording.Text
	}{
		{"a day inside a phrase", "by Tue 3 March 2026", "antes del Tue 3 de marzo de 2026", wording.Say("by %s", day)},
		{"values in another order", "a before b", "b después de a", wording.Say("%[1]s before %[2]s", "a", "b")},
		{"a text inside a text", "by 80 % set", "antes del 80 % de deformación",
			wording.Say("by %s", wording.Say("80 % set"))},
		{"a month", "March 2026", "marzo 2026", wording.Say("%s", wording.Month{Day: day})},
		{"a day without its year", "3 March", "3 marzo", wording.Say("%s", wording.DayMonth{Day: day})},
		{"two sentences", "by x y", "antes del x y", wording.Say("by %s", "x").And("y")},
		{"left out as broken", "broken x", "broken x", wording.Say("broken %s", "x")},
		{"nothing", "", "", wording.Text{}},
	} {
		t.Run(x.name, func(t *testing.T) {
			if x.text.String() != x.en || x.text.In(es) != x.es {
				t.Errorf("%q, %q", x.text.String(), x.text.In(es))
			}
		})
	}
	if c.In("de").Lang() != "en" || c.In("").Lang() != "en" || es.Lang() != "es" || !slices.Equal(c.Languages(),
		[]string{"en", "es"}) {
		t.Error("languages: English is the last resort")
	}
	// A shop's own file changes what it says and keeps the rest.
	if bad := c.Add("es", []byte("msgid \"by %s\"\nmsgstr \"a más tardar el %s\"\n")); bad != nil {
		t.Error(bad)
	}
	if got := wording.Say("by %s", day).In(es); got != "a más tardar el Tue 3 de marzo de 2026" {
		t.Errorf("the shop's own wording: %q", got)
	}
	// And may change the English words too.
	c.Add("en", []byte("msgid \"by %s\"\nmsgstr \"no later than %s\"\n"))
	if got := wording.Say("by %s", day).In(c.In("xx")); got != "no later than Tue 3 March 2026" {
		t.Errorf("own English: %q", got)
	}
}

// What a catalogue prints reads back as it was.
func TestTemplate(t *testing.T) {
	c := &wording.Catalogue{}
	c.Add("es", []byte(po))
	ids := []string{"by %s", "March", "with \"quotes\" and \\", "80 % set"}
	text := wording.Template(c.In("es"), "es", ids)
	back := &wording.Catalogue{}
	if bad := back.Add("es", []byte(text)); bad != nil {
		t.Error(bad)
	}
	if got := wording.Phrases([]byte(text)); len(got) != len(ids) || !slices.Contains(got, ids[2]) {
		t.Errorf("phrases: %q", got)
	}
	for _, id := range ids {
		if back.In("es").T(id) != c.In("es").T(id) {
			t.Errorf("%q became %q", id, back.In("es").T(id))
		}
	}
}

func FuzzAdd(f *testing.F) {
	f.Add("es", po)
	f.Add("", "msgid \"%[9999999999999999999]d\"\nmsgstr \"%[1]d\"")
	f.Add("fr", strings.Repeat("msgid \"a\"\nmsgstr \"b\"\n", 300))
	f.Add("fr", "msgid \"\"\n"+strings.Repeat("\"a\"\n", 2000))
	f.Add("es", strings.Repeat("msgctxt \"a\"\nmsgid_plural \"b\"\nmsgstr[99999999] \"c\"\n", 100))
	f.Add("es", "msgid \"\"\nmsgstr \"Plural-Forms: nplurals=9; plural="+strings.Repeat("(", 3000)+"\"\n")
	f.Add("es", strings.Repeat("%s%[2]d", 1000))
	f.Fuzz(func(t *testing.T, tag, text string) {
		testkit.Bound(t, 8<<20+2000*uint64(len(text)), func() {
			c := &wording.Catalogue{}
			c.Add(tag, []byte(text))
			for _, id := range c.In(tag).Phrases() {
				_ = wording.Say(id).In(c.In(tag))
			}
			wording.Phrases([]byte(text))
		})
	})
}
