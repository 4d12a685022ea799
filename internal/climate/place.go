package climate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Place is a town or postal area with what the computation needs of it.
type Place struct {
	Name           string // as people write it
	Country        string // US, CA or MX
	Short          string // US state or Canadian province code; "" in Mexico
	Region         string // state or province in full
	Lat, Lon, Elev float64
	Zone           string // IANA name
	People         int
}

// Label returns the name with its state, province or country, such as
// "Yuma, AZ" or "Ensenada, Baja California, Mexico".
func (p Place) Label() string {
	if p.Country == "MX" {
		return p.Name + ", " + p.Region + ", Mexico"
	}
	return p.Name + ", " + p.Short
}

func (t *Tables) loadPlaces(packed []byte) error {
	t.byName, t.regions = map[string][]int32{}, map[string]string{}
	return eachRow("places", packed, 10, func(r []string, n *numbers) {
		p := Place{Name: strings.Clone(cmp.Or(r[1], r[0])), Country: country(r[2]), Short: strings.Clone(r[3]), Region: strings.Clone(r[4]),
			Lat: n.at(5), Lon: n.at(6), Elev: n.at(7), Zone: strings.Clone(r[8]), People: int(n.at(9))}
		if _, ok := t.regions[p.Region]; !ok {
			t.regions[p.Region] = fold(p.Region)
		}
		key := fold(r[0])
		t.byName[key] = append(t.byName[key], int32(len(t.places)))
		t.places = append(t.places, p)
	})
}

// country returns the constant of a code, so that 39,404 rows share three strings.
func country(code string) string {
	for _, c := range []string{"US", "CA", "MX"} {
		if c == code {
			return c
		}
	}
	return strings.Clone(code)
}

// fold makes names comparable: lower case, no accents, no punctuation, "st" and
// "ste" spelled out.
func fold(s string) string {
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.ToLower(s)) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case unicode.Is(unicode.Mn, r) || r == '\'' || r == '’' || r == '‘' || r == '.':
		default:
			b.WriteByte(' ')
		}
	}
	words := strings.Fields(b.String())
	for i, w := range words {
		switch w {
		case "st":
			words[i] = "saint"
		case "ste":
			words[i] = "sainte"
		case "mt":
			words[i] = "mount"
		case "ft":
			words[i] = "fort"
		}
	}
	return strings.Join(words, " ")
}

var countryWords = map[string]string{
	"us": "US", "usa": "US", "united states": "US", "united states of america": "US",
	"canada": "CA", "ca": "CA", "mexico": "MX", "mx": "MX",
}

// PlaceError says why a place was not found and what could be written instead.
type PlaceError struct {
	Query      string
	Ambiguous  bool
	Candidates []string
}

// Error is one sentence for a person.
func (e *PlaceError) Error() string {
	switch {
	case e.Ambiguous:
		return fmt.Sprintf("%q is the name of several places", e.Query)
	default:
		return fmt.Sprintf("%q is not a place we know", e.Query)
	}
}

// Allowed says what would be accepted instead.
func (e *PlaceError) Allowed() string {
	if len(e.Candidates) == 0 {
		return `a town with its state, province or country ("Yuma, AZ", "Kelowna BC", "Ensenada, Mexico"), a US ZIP, or a place of your own under "places:"`
	}
	return "one of: " + strings.Join(e.Candidates, "; ")
}

// Lookup finds a town ("Yuma, AZ", "Kelowna BC", "Ensenada, Mexico") or a US ZIP.
// A name with a state, province or country that fits several towns is settled
// when one has twenty times the people of the next; otherwise, and always for a
// bare name, the candidates are listed in a *PlaceError.
func (t *Tables) Lookup(query string) (Place, error) {
	q := fold(query)
	z, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimSpace(query), zipMark), zipNear) // as zip names it
	if len(z) >= 5 && isDigits(z[:5]) && (len(z) == 5 || z[5] == '-') {
		return t.zip(query, z[:5])
	}
	hits, qualified := t.byName[q], false
	for cut := len(q); len(hits) == 0 || strings.Contains(query, ","); {
		cut = strings.LastIndexByte(q[:cut], ' ')
		if cut < 0 {
			break
		}
		if sub := t.within(q[:cut], q[cut+1:]); len(sub) > 0 {
			hits, qualified = sub, true
			break
		}
	}
	if len(hits) == 0 {
		return Place{}, &PlaceError{Query: query, Candidates: t.similar(q)}
	}
	hits = slices.Clone(hits)
	slices.SortStableFunc(hits, func(a, b int32) int { return cmp.Compare(t.places[b].People, t.places[a].People) })
	best := t.places[hits[0]]
	if len(hits) == 1 || (qualified && best.People >= 20*t.places[hits[1]].People) {
		return best, nil
	}
	return Place{}, &PlaceError{Query: query, Ambiguous: true, Candidates: t.labels(hits, 12)}
}

// A place that is known by its ZIP only is named after it and the nearest town.
const zipMark, zipNear = "ZIP ", " near "

func isDigits(s string) bool { return strings.Trim(s, "0123456789") == "" }

func (t *Tables) zip(query, z string) (Place, error) {
	at, ok := t.zips[z]
	if !ok {
		return Place{}, &PlaceError{Query: query}
	}
	p, km := t.Nearest(at[0], at[1])
	if km > 100 || p.Country != "US" && km > 30 {
		return Place{}, &PlaceError{Query: query} // an island that the tables do not reach
	}
	p.Name, p.Lat, p.Lon = zipMark+z+zipNear+p.Name, at[0], at[1]
	return p, nil
}

// Nearest returns the town nearest to a point, and how far it is in km.
func (t *Tables) Nearest(lat, lon float64) (Place, float64) {
	best, km := 0, math.Inf(1)
	for i := range t.places {
		p := &t.places[i]
		if math.Abs(p.Lat-lat)*111 > km {
			continue
		}
		if d := Distance(lat, lon, p.Lat, p.Lon); d < km {
			best, km = i, d
		}
	}
	return t.places[best], km
}

// within returns the places of a name inside a state, province or country.
func (t *Tables) within(name, qualifier string) []int32 {
	words := strings.Fields(qualifier)
	var hits []int32
	for _, i := range t.byName[name] {
		if p := &t.places[i]; t.in(p, qualifier) {
			hits = append(hits, i)
		} else if k := len(words) - 1; k > 0 && t.in(p, strings.Join(words[:k], " ")) && p.Country == countryWords[words[k]] {
			hits = append(hits, i)
		}
	}
	if len(hits) > 0 || countryWords[qualifier] == "" {
		return hits
	}
	for _, i := range t.byName[name] { // "CA" is California first, Canada second
		if t.places[i].Country == countryWords[qualifier] {
			hits = append(hits, i)
		}
	}
	return hits
}

func (t *Tables) in(p *Place, qualifier string) bool {
	return strings.EqualFold(qualifier, p.Short) || qualifier == t.regions[p.Region] || (qualifier != "ca" && countryWords[qualifier] == p.Country)
}

func (t *Tables) labels(hits []int32, most int) []string {
	var out []string
	for _, i := range hits[:min(most, len(hits))] {
		out = append(out, t.places[i].Label())
	}
	if len(hits) > most {
		out = append(out, fmt.Sprintf("and %d more", len(hits)-most))
	}
	return out
}

// similar returns the largest places whose name begins like the query or
// differs from its first words by one letter.
func (t *Tables) similar(q string) []string {
	name, _, _ := strings.Cut(q, " ")
	if len(name) < 3 {
		return nil
	}
	var hits []int32
	for key, list := range t.byName {
		if first, _, _ := strings.Cut(key, " "); oneLetterApart(first, name) || (len(q) >= 5 && strings.HasPrefix(key, q[:5])) {
			hits = append(hits, list...)
		}
	}
	slices.SortFunc(hits, func(a, b int32) int {
		return cmp.Or(cmp.Compare(t.places[b].People, t.places[a].People), cmp.Compare(a, b))
	})
	return t.labels(hits[:min(6, len(hits))], 6)
}

// oneLetterApart reports whether a and b differ by at most one letter added,
// dropped or changed.
func oneLetterApart(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	return a[i:] == b[i+len(b)-len(a):] || (len(a) == len(b) && i < len(a) && a[i+1:] == b[i+1:])
}
