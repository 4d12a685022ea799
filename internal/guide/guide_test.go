package guide

import (
	"regexp"
	"strings"
	"testing"
)

// Each guide is a page whose headings have the anchors that links use, once each.
func TestPages(t *testing.T) {
	id := regexp.MustCompile(`<h[1-6] id="([^"]+)"`)
	if n := len(All()); n != len(Names) {
		t.Fatalf("%d guides of %d", n, len(Names))
	}
	for _, g := range All() {
		body, err := g.HTML()
		if err != nil {
			t.Fatal(err)
		}
		if g.Title == "" || len(g.Summary) < 30 || strings.Contains(body, ".md") && strings.Contains(body, `href="`+g.Name) {
			t.Errorf("%s: %q, %q", g.Name, g.Title, g.Summary)
		}
		var want []string
		for _, s := range g.Sections() {
			want = append(want, s.Anchor)
		}
		var got []string
		for _, m := range id.FindAllStringSubmatch(body, -1) {
			got = append(got, m[1])
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%s: anchors %v, links use %v", g.Name, got, want)
		}
		if strings.Contains(body, "<script") || strings.Contains(body, "style=") {
			t.Errorf("%s has scripts or styles of its own", g.Name)
		}
	}
	if _, ok := Find("../rulebook"); ok {
		t.Error("a path leads out of the folder")
	}
}

// A search finds sections in which all words stand, headings first.
func TestSearch(t *testing.T) {
	hits := Search("upgrade")
	if len(hits) == 0 || hits[0].Heading != "Upgrade" || hits[0].Guide.Name != "operating" {
		t.Errorf("%+v", hits)
	}
	if len(Search("zebra")) > 0 || len(Search(" ")) > 0 || len(Search(strings.Repeat("a ", 1000))) > 0 {
		t.Error("it finds what is nowhere")
	}
	for _, h := range Search("dkim") {
		if !strings.Contains(strings.ToLower(h.Excerpt("dkim")), "dkim") {
			t.Errorf("%q", h.Excerpt("dkim"))
		}
	}
}
