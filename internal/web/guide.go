package web

import (
	"html/template"
	"net/http"

	"sealmanac/internal/fault"
	"sealmanac/internal/guide"
)

// guidePage is the list of guides, a search, or one guide.
type guidePage struct {
	Guides   []guide.Guide
	Query    string
	Found    []guide.Section
	Sections []guide.Section
	Body     template.HTML
}

// guides lists the guides, and searches them.
func (s *Site) guides(r *http.Request) (view, error) {
	q := r.URL.Query().Get("q")
	p := guidePage{Guides: guide.All(), Query: q, Found: guide.Search(q)}
	return view{page: "guide", title: "Guides", data: p}, nil
}

// guide shows one guide.
func (s *Site) guide(r *http.Request) (view, error) {
	g, ok := guide.Find(r.PathValue("name"))
	if !ok {
		return view{}, fault.New(fault.NotFound, "there is no such guide", "Go to the list of guides at /guide/.")
	}
	body, err := g.HTML()
	if err != nil {
		return view{}, err
	}
	p := guidePage{Guides: guide.All(), Sections: g.Sections()[1:],
		Body: template.HTML(body)} //nolint:gosec // our own text
	return view{page: "guide", title: g.Title, data: p}, nil
}
