package intake

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
)

// fields reads the fields of one object, notes what is wrong and remembers which
// were asked for, so that unknown ones can be reported.
type fields struct {
	r       *reader
	n       *node
	path    string
	asked   []string
	written map[string]string // fields that were written with their older name, which problems then use
}

// oldFields are the older names of fields. They are read as long as /api/v1 is served, and
// never written.
var oldFields = map[string]string{"edges": "runs", "edge": "run", "slides": "rooms", "rentals": "bookings",
	"appointments": "pins", "slide_removal": "room_out"}

// OldFields lists the fields that have an older name, the present name first, by name.
func OldFields() (out [][2]string) {
	for _, name := range slices.Sorted(maps.Keys(oldFields)) {
		out = append(out, [2]string{name, oldFields[name]})
	}
	return out
}

// renamed lets the fields be written with their older names too.
func (f *fields) renamed(keys ...string) *fields {
	for _, key := range keys {
		old := oldFields[key]
		f.note(key, func(x *Field) { x.Aliases = []string{old} })
		i := slices.Index(f.n.keys, old)
		if i < 0 {
			continue
		}
		n := *f.n // the tree may be read again
		f.n = &n
		if slices.Contains(n.keys, key) {
			f.bad(n.vals[i], old, "is the older name of "+key+", and both are given", "one of them: "+key)
			n.keys, n.vals = slices.Delete(slices.Clone(n.keys), i, i+1), slices.Delete(slices.Clone(n.vals), i, i+1)
			continue
		}
		n.keys = slices.Clone(n.keys)
		n.keys[i] = key
		if f.written == nil {
			f.written = map[string]string{}
		}
		f.written[key] = old
	}
	return f
}

func (r *reader) fields(n *node, path string) *fields {
	f := &fields{r: r, n: n, path: path, asked: make([]string, 0, 16)}
	if n.shape != nil {
		if n.shape.Kind == TextField {
			n.shape.Kind = BlockField
		}
		f.n = tracing(n.shape)
	} else if n.kind != object {
		r.problem(n, path, "is "+n.kind.String()+", not a block of fields", "")
		f.n = &node{line: n.line, kind: object}
	}
	return f
}

// nth names an item of a list field.
func (f *fields) nth(key string, i int) string { return f.at(key) + "[" + strconv.Itoa(i) + "]" }

// at names a field as it was written.
func (f *fields) at(key string) string {
	if old, ok := f.written[key]; ok {
		key = old
	}
	if f.path == "" {
		return key
	}
	return f.path + "." + key
}

// node returns the raw field, or nil.
func (f *fields) node(key string) *node {
	f.asked = append(f.asked, key)
	if f.n.shape != nil {
		return &node{shape: f.n.shape.child(key)}
	}
	return f.n.get(key)
}

// bad reports a field's value.
func (f *fields) bad(n *node, key, message, allowed string) {
	f.r.problem(n, f.at(key), message, allowed)
}

// str returns a text field; ok is false when it is absent or empty.
func (f *fields) str(key string) (s string, n *node, ok bool) {
	n = f.node(key)
	if n == nil {
		return "", nil, false
	}
	if n.kind != text {
		f.bad(n, key, "is "+n.kind.String()+", not a single value", "")
		return "", n, false
	}
	s = strings.TrimSpace(n.text)
	return s, n, s != ""
}

// opt returns an optional text field.
func (f *fields) opt(key string) string {
	s, n, ok := f.str(key)
	if ok && strings.ContainsAny(s, "\r\n\x00") {
		f.bad(n, key, "contains a line break", "one line of text")
		return ""
	}
	if ok && utf8.RuneCountInString(s) > mostText {
		f.bad(n, key, "is too long", fmt.Sprintf("at most %d characters", mostText))
		return ""
	}
	return s
}

// Bounds of texts, in characters, and of those that things are found by.
const (
	mostText = 2000
	mostKey  = 200
)

// key returns an optional text that something is found by, such as a lot.
func (f *fields) key(key string) string {
	s := f.opt(key)
	if utf8.RuneCountInString(s) > mostKey {
		f.bad(f.n.get(key), key, "is too long", fmt.Sprintf("at most %d characters", mostKey))
		return ""
	}
	return s
}

// must returns a text field and reports its absence.
func (f *fields) must(key, allowed string) string {
	f.note(key, func(x *Field) { x.Must, x.Form = true, allowed })
	if s := f.opt(key); s != "" {
		return s
	}
	if n := f.n.get(key); n == nil || n.kind == text && strings.TrimSpace(n.text) == "" {
		f.r.problems = append(f.r.problems, Problem{File: f.r.file, Line: f.n.line, Field: f.at(key), Message: "is missing",
			Allowed: allowed})
	}
	return ""
}

// needs notes that a field must be there, whatever it holds, and reports its absence.
func (f *fields) needs(key, allowed string) {
	f.note(key, func(x *Field) { x.Must, x.Form = true, allowed })
	if f.n.get(key) == nil {
		f.r.problem(&node{line: f.n.line}, f.at(key), "is missing", allowed)
	}
}

// name returns a short name used as an identity.
func (f *fields) name(key string) string {
	const form = "letters, digits, - and _, at most 40"
	s := f.must(key, form)
	ok := len(s) <= 40
	for _, r := range s {
		ok = ok && (r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}
	if !ok {
		f.bad(f.n.get(key), key, "is not a short name", form)
	}
	return s
}

// word reads one of a closed set; missing means def.
func word[T ~string](f *fields, key string, set []T, def T) T {
	f.note(key, func(x *Field) {
		x.Kind, x.Must = WordField, def == ""
		x.Words, x.OldWords = nil, nil
		for _, w := range set {
			x.Words = append(x.Words, coach.Named(w))
			if coach.Named(w) != string(w) {
				x.OldWords = append(x.OldWords, string(w))
			}
			if w == def {
				x.Default = coach.Named(def)
			}
		}
	})
	s, n, ok := f.str(key)
	if !ok {
		if def == "" && n == nil {
			f.r.problems = append(f.r.problems, Problem{File: f.r.file, Line: f.n.line, Field: f.at(key), Message: "is missing",
				Allowed: join(set)})
		}
		return def
	}
	w, known := coach.WordOf(set, strings.ReplaceAll(strings.ToLower(s), " ", "_"))
	if !known {
		f.bad(n, key, "is not known here", join(set))
		return def
	}
	return w
}

func join[T ~string](set []T) string {
	out := make([]string, len(set))
	for i, s := range set {
		out[i] = coach.Named(s)
	}
	return strings.Join(out, ", ")
}

// value reads a field with a parser of package unit; missing gives zero.
func value[T any](f *fields, key string, parse func(string) (T, error)) (v T, ok bool) {
	f.note(key, func(x *Field) { x.Form = formOf(parse) })
	s, n, ok := f.str(key)
	if !ok {
		return v, false
	}
	v, err := parse(s)
	if err != nil {
		message, allowed := refusal(err)
		f.bad(n, key, message, allowed)
		return v, false
	}
	return v, true
}

// date reads a day. It may not lie after the last allowed day when that is set.
func (f *fields) date(key string, latest civil.Date) civil.Date {
	f.note(key, func(x *Field) { x.Kind = DayField })
	s, n, ok := f.str(key)
	if !ok {
		return 0
	}
	d, err := civil.Parse(s)
	if err != nil {
		if serial, e := strconv.Atoi(s); e == nil && n.field != "" && serial > 10000 && serial < 80000 {
			d, err = civil.Of(1899, 12, 30).Add(serial), nil // a spreadsheet's day number
		}
	}
	switch {
	case err != nil:
		f.bad(n, key, "is not a date", "YYYY-MM-DD")
		return 0
	case latest != 0 && d > latest:
		f.bad(n, key, "lies in the future", fmt.Sprintf("a day up to %s", latest))
		return 0
	case d < civil.Of(1950, 1, 1) || d > civil.Of(2200, 1, 1):
		f.bad(n, key, "is not a likely date", "1950-01-01 to 2200-01-01")
		return 0
	}
	return d
}

// fittedOn reads the day a part was fitted: not in the future, and more than 25
// years ago only when confirmed.
func (f *fields) fittedOn(key string) civil.Date {
	d := f.date(key, f.r.opt.Today)
	if old := f.r.opt.Today.AddMonths(-25 * 12); d != 0 && d < old && !f.r.opt.ConfirmOld {
		f.bad(f.n.get(key), key, "is more than 25 years ago",
			fmt.Sprintf("a day from %s, or confirm old fittings with --confirm-old", old))
	}
	return d
}

// flag reads yes or no; missing means def.
func (f *fields) flag(key string, def bool) bool {
	f.note(key, func(x *Field) {
		x.Kind, x.Default = YesField, "no"
		if def {
			x.Default = "yes"
		}
	})
	s, n, ok := f.str(key)
	if !ok {
		return def
	}
	switch strings.ToLower(s) {
	case "yes", "true", "y":
		return true
	case "no", "false", "n":
		return false
	}
	f.bad(n, key, "is neither yes nor no", "yes, no")
	return def
}

// number reads a plain number within bounds.
func (f *fields) number(key string, low, high float64) (float64, bool) {
	f.note(key, func(x *Field) { x.Kind, x.Low, x.High = NumberField, low, high })
	s, n, ok := f.str(key)
	if !ok {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v >= low && v <= high) {
		f.bad(n, key, "is out of range", fmt.Sprintf("a number from %g to %g", low, high))
		return 0, false
	}
	return v, true
}

// list returns the items of a list field; a single value counts as a list of one.
func (f *fields) list(key string) []*node {
	n := f.node(key)
	switch {
	case n != nil && n.shape != nil:
		n.shape.Kind = ListField
		return []*node{tracing(n.shape)}
	case n == nil || n.kind == text && strings.TrimSpace(n.text) == "":
		return nil
	case n.kind == list:
		return n.list
	default:
		return []*node{n}
	}
}

// length reads a length within bounds.
func (f *fields) length(key string, most unit.Length) unit.Length {
	l, ok := value(f, key, unit.ParseLength)
	f.note(key, func(x *Field) { x.Form = unit.LengthForm + ", up to " + most.Format(unit.Metric) })
	if ok && (l <= 0 || l > most) {
		f.bad(f.n.get(key), key, "is not a likely length here", "more than 0, up to "+most.Format(""))
		return 0
	}
	return l
}

// done reports the fields that nobody asked for.
func (f *fields) done() {
	if f.n.shape != nil {
		return
	}
	for i, k := range f.n.keys {
		if !slices.Contains(f.asked, k) {
			slices.Sort(f.asked)
			f.r.problem(&node{line: f.n.vals[i].line}, f.at(k), "is not a field here",
				strings.Join(slices.Compact(f.asked), ", "))
		}
	}
}
