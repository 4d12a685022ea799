package climate

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
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
	t.byName, t.byOther, t.regions = map[string][]int32{}, map[string][]int32{}, map[string][]region{}
	seen := map[region]bool{}
	err := eachRow("places", packed, 10, func(r []string, n *numbers) {
		p := Place{
			Name: strings.Clone(cmp.Or(r[1], r[0])), Country: country(r[2]), Short: strings.Clone(r[3]),
			Region: strings.Clone(r[4]),
			Lat:    n.at(5), Lon: n.at(6), Elev: n.at(7), Zone: strings.Clone(r[8]), People: int(n.at(9)),
		}
		at, key := int32(len(t.places)), fold(p.Name)
		t.byName[key] = append(t.byName[key], at)
		if ascii := fold(r[0]); r[1] != "" && ascii != key {
			t.byName[ascii] = append(t.byName[ascii], at)
		}
		if other := otherName(key, r[0], p.Country); other != "" {
			t.byOther[other] = append(t.byOther[other], at)
		}
		if k := (region{p.Country, p.Region}); !seen[k] {
			seen[k] = true
			t.nameRegion(k, p.Region)
			t.nameRegion(k, p.Short)
		}
		t.places = append(t.places, p)
	})
	for _, r := range regionNames {
		for _, also := range r.also {
			t.nameRegion(r.region, also)
		}
	}
	for _, n := range townNames {
		for _, i := range t.byName[fold(n.name)] {
			if t.places[i].Region == n.region {
				t.byOther[fold(n.also)] = append(t.byOther[fold(n.also)], i)
			}
		}
	}
	return err
}

// nameRegion keeps a name of a region; different regions can share one, as BC does.
func (t *Tables) nameRegion(r region, name string) {
	if key := squeeze(spell(name)); key != "" {
		t.regions[key] = append(t.regions[key], r)
	}
}

// otherName returns what people call a town in short: without the honor, rank or
// remark that the table has with its name; "" when that is its name already. key is
// its folded name.
func otherName(key, name, country string) string {
	short := key
	switch country {
	case "CA":
		short = strings.TrimPrefix(short, "greater ")
	case "MX":
		if i := strings.IndexAny(name, "(["); i > 0 {
			short = fold(name[:i])
		}
		for _, rank := range []string{"heroica ", "ciudad ", "de "} {
			short = strings.TrimPrefix(short, rank)
		}
	}
	if short == key {
		return ""
	}
	return short
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

// spell makes texts comparable: lower case, no accents, no punctuation.
func spell(s string) string {
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
	return strings.Join(strings.Fields(b.String()), " ")
}

// squeeze takes the blanks out, so that "B. C." is BC.
func squeeze(s string) string { return strings.ReplaceAll(s, " ", "") }

// inFull are the words that stand shortened in towns' names. They are not those of
// states: MT is Montana behind a town and Mount in front of one.
var inFull = map[string]string{
	"st": "saint", "ste": "sainte", "mt": "mount", "ft": "fort",
	"cd": "ciudad", "pto": "puerto", "sta": "santa", "sto": "santo",
	"n": "north", "s": "south", "e": "east", "w": "west",
}

// fold makes names of towns comparable: spelled alike and with short words in full.
func fold(s string) string {
	words := strings.Fields(spell(s))
	for i, w := range words {
		words[i] = cmp.Or(inFull[w], w)
	}
	return strings.Join(words, " ")
}

var countryWords = map[string]string{
	"us": "US", "usa": "US", "united states": "US", "united states of america": "US",
	"canada": "CA", "ca": "CA", "mexico": "MX", "mx": "MX", "mex": "MX",
}

// PlaceError says why a place was not found and what could be written instead.
type PlaceError struct {
	Query      string
	Ambiguous  bool
	Postal     bool // nothing but a Canadian postal code was written
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
	if e.Postal {
		return `the town and province, without or before a Canadian postal code ("Sudbury, ON P3E 5J1")`
	}
	if len(e.Candidates) == 0 {
		return `a town with its state, province or country ("Yuma, AZ", "Kelowna BC", "Ensenada, Mexico"), a US ZIP, or a place of your own under "places:"`
	}
	return "one of: " + strings.Join(e.Candidates, "; ")
}

// Lookup finds a town ("Yuma, AZ", "Kelowna BC", "Ensenada, B.C., Mexico"), also
// with a postal code behind it, or a US ZIP.
// A name with a state, province or country that fits several towns is settled
// when one has twenty times the people of the next; otherwise, and always for a
// bare name, the candidates are listed in a *PlaceError. Towns of one name that
// are so near that no climate tells them apart count as one.
func (t *Tables) Lookup(query string) (Place, error) {
	z, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimSpace(query), zipMark), zipNear) // as zip names it
	if len(z) >= 5 && isDigits(z[:5]) && (len(z) == 5 || z[5] == '-') {
		return t.zip(query, z[:5])
	}
	text, zip, postal := cutPostal(query)
	hits, qualified := t.find(text)
	hits = t.apart(hits)
	switch at, known := t.zips[zip]; {
	case len(hits) == 0 && known && t.american(text):
		return t.zip(query, zip)
	case len(hits) == 0:
		return Place{}, &PlaceError{Query: query, Postal: postal && text == "", Candidates: t.similar(text)}
	case len(hits) == 1 || qualified && t.meant(text, hits):
		return t.places[hits[0]], nil
	case known:
		for _, i := range hits {
			if p := t.places[i]; p.Country == "US" && Distance(p.Lat, p.Lon, at[0], at[1]) < zipKM {
				return p, nil
			}
		}
	}
	return Place{}, &PlaceError{Query: query, Ambiguous: true, Candidates: t.labels(hits, 12)}
}

// meant reports whether the first of some towns, the largest, is the one that people
// mean by a text: it has twenty times the people of the next, and no other goes by
// that very name unless it does too.
func (t *Tables) meant(text string, hits []int32) bool {
	very := func(i int32) bool { return strings.HasPrefix(fold(text), fold(t.places[i].Name)) }
	return t.places[hits[0]].People >= 20*t.places[hits[1]].People && (very(hits[0]) || !slices.ContainsFunc(hits, very))
}

const (
	sameKM = 15 // towns of one name and region no farther apart are one
	zipKM  = 30 // a ZIP lies no farther from its town
)

var (
	canadianCode = regexp.MustCompile(`(?i)\b[ABCEGHJ-NPRSTVXY]\d[A-Z][ -]?\d[A-Z]\d\b`)
	digitCode    = regexp.MustCompile(`(?i)(?:\bC\. ?P\. ?|\bCP ?)?\b(\d{5})(?:-\d{4})?\b`)
)

// cutPostal returns a query without its postal code, the five digits of a US or
// Mexican one, and whether there was a Canadian one.
func cutPostal(query string) (text, digits string, canadian bool) {
	text = canadianCode.ReplaceAllString(query, " ")
	canadian = text != query
	if m := digitCode.FindStringSubmatch(text); m != nil {
		digits = m[1]
		text = strings.Replace(text, m[0], " ", 1)
	}
	return strings.Trim(text, " ,"), digits, canadian
}

// find returns the towns that a text can mean, and whether it says where they are.
func (t *Tables) find(text string) (hits []int32, qualified bool) {
	bare := t.byName[fold(text)]
	name, rest, comma := strings.Cut(text, ",")
	if comma {
		if hits := t.within(spell(name), spell(rest), text); len(hits) > 0 {
			return hits, true
		}
	}
	if comma || len(bare) == 0 {
		plain := spell(text)
		for cut := strings.LastIndexByte(plain, ' '); cut >= 0; cut = strings.LastIndexByte(plain[:cut], ' ') {
			if hits := t.within(plain[:cut], plain[cut+1:], text); len(hits) > 0 {
				return hits, true
			}
		}
	}
	return join(bare, t.byOther[fold(text)]), false
}

// join returns a and what b adds to it.
func join(a, b []int32) []int32 {
	a = slices.Clone(a)
	for _, i := range b {
		if !slices.Contains(a, i) {
			a = append(a, i)
		}
	}
	return a
}

// apart orders towns by people and keeps the largest of those that are one.
func (t *Tables) apart(hits []int32) []int32 {
	slices.SortStableFunc(hits, func(a, b int32) int { return cmp.Compare(t.places[b].People, t.places[a].People) })
	var out []int32
	for _, i := range hits {
		p := &t.places[i]
		if !slices.ContainsFunc(out, func(k int32) bool {
			o := &t.places[k]
			return o.Name == p.Name && o.Region == p.Region && Distance(o.Lat, o.Lon, p.Lat, p.Lon) <= sameKM
		}) {
			out = append(out, i)
		}
	}
	return out
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

// scope is a part of the world that a qualifier names; "" stands for any.
type scope struct{ country, region string }

func (s scope) holds(p *Place) bool {
	return (s.country == "" || s.country == p.Country) && (s.region == "" || s.region == p.Region)
}

// scopes returns what a qualifier can mean: states and provinces, with or without
// their country, then a country. Those of regions come first.
func (t *Tables) scopes(qualifier string) (out []scope) {
	for _, r := range t.regions[squeeze(qualifier)] {
		out = append(out, scope{r.country, r.name})
	}
	words := strings.Fields(qualifier)
	for k := 1; k < len(words); k++ {
		if c := countryWords[strings.Join(words[k:], " ")]; c != "" {
			for _, r := range t.regions[strings.Join(words[:k], "")] {
				if r.country == c {
					out = append(out, scope{c, r.name})
				}
			}
		}
	}
	if c := countryWords[qualifier]; c != "" {
		out = append(out, scope{country: c})
	}
	return out
}

// within returns the places of a name inside a state, province or country, with
// those that people call by it, unless text is the whole label of one.
func (t *Tables) within(name, qualifier, text string) []int32 {
	scopes := t.scopes(qualifier)
	if len(scopes) == 0 {
		return nil
	}
	hits := t.inside(t.byName[fold(name)], scopes, qualifier)
	if slices.ContainsFunc(hits, func(i int32) bool { return fold(t.places[i].Label()) == fold(text) }) {
		return hits
	}
	return join(hits, t.inside(t.byOther[fold(name)], scopes, qualifier))
}

func (t *Tables) inside(list []int32, scopes []scope, qualifier string) (hits []int32) {
	for _, s := range scopes {
		if len(hits) > 0 && qualifier == "ca" {
			break // California first, Canada second
		}
		var more []int32
		for _, i := range list {
			if s.holds(&t.places[i]) {
				more = append(more, i)
			}
		}
		hits = join(hits, more)
	}
	return hits
}

// ending returns the name and the scopes of a text that ends with a qualifier,
// known or not the name; no scopes when it ends with none.
func (t *Tables) ending(text string) (name string, scopes []scope) {
	words := strings.Fields(spell(text))
	for k := max(1, len(words)-6); k < len(words); k++ {
		if scopes = t.scopes(strings.Join(words[k:], " ")); len(scopes) > 0 {
			return strings.Join(words[:k], " "), scopes
		}
	}
	return strings.Join(words, " "), nil
}

// american reports whether a text ends with a state of the US or with the country.
func (t *Tables) american(text string) bool {
	_, scopes := t.ending(text)
	return slices.ContainsFunc(scopes, func(s scope) bool { return s.country == "US" })
}

// labels names towns. Of those in the US that share a label each is named by the
// ZIP nearest to it, which Lookup reads.
func (t *Tables) labels(hits []int32, most int) []string {
	count := map[string]int{}
	for _, i := range hits {
		count[t.places[i].Label()]++
	}
	var out []string
	for _, i := range hits {
		p := &t.places[i]
		label := p.Label()
		if count[label] > 1 && p.Country == "US" {
			if z := t.nearestZip(p.Lat, p.Lon); z != "" {
				label = zipMark + z + zipNear + label
			}
		}
		if !slices.Contains(out, label) {
			out = append(out, label)
		}
	}
	if n := len(out); n > most {
		return append(out[:most], fmt.Sprintf("and %d more", n-most))
	}
	return out
}

// nearestZip returns the ZIP area whose middle lies nearest to a point.
func (t *Tables) nearestZip(lat, lon float64) (zip string) {
	best := math.Inf(1)
	for z, at := range t.zips {
		if math.Abs(at[0]-lat) > .3 || math.Abs(at[1]-lon) > .5 {
			continue
		}
		if d := Distance(lat, lon, at[0], at[1]); d < best || d == best && z < zip {
			zip, best = z, d
		}
	}
	return zip
}

// similar returns the places whose name begins like the one asked for or
// differs from its first words by one letter: those that differ by one letter in
// all first, then the largest. It stays inside the state, province or country that
// was named, when there is one such place.
func (t *Tables) similar(text string) []string {
	q, scopes := t.ending(text)
	q = fold(q)
	name, _, _ := strings.Cut(q, " ")
	if len(name) < 3 {
		return nil
	}
	var hits, inside []int32
	close := map[int32]bool{}
	for key, list := range t.byName {
		first, _, _ := strings.Cut(key, " ")
		if oneLetterApart(first, name) || len(q) >= 5 && strings.HasPrefix(key, q[:5]) {
			hits = append(hits, list...)
			if oneLetterApart(key, q) {
				for _, i := range list {
					close[i] = true
				}
			}
		}
	}
	for _, i := range hits {
		if slices.ContainsFunc(scopes, func(s scope) bool { return s.holds(&t.places[i]) }) {
			inside = append(inside, i)
		}
	}
	if len(inside) > 0 {
		hits = inside
	}
	slices.SortFunc(hits, func(a, b int32) int {
		switch {
		case close[a] && !close[b]:
			return -1
		case close[b] && !close[a]:
			return 1
		}
		return cmp.Or(cmp.Compare(t.places[b].People, t.places[a].People), cmp.Compare(a, b))
	})
	hits = slices.Compact(hits)
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
