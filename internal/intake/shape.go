package intake

import (
	"slices"
	"strings"

	"sealmanac/internal/coach"
)

// FieldKind is what a field of a coach's record holds.
type FieldKind string

// The kinds of field.
const (
	TextField   FieldKind = "text"
	WordField   FieldKind = "word" // one of Words
	DayField    FieldKind = "day"  // YYYY-MM-DD
	NumberField FieldKind = "number"
	YesField    FieldKind = "yes"   // yes or no
	BlockField  FieldKind = "block" // Fields
	ListField   FieldKind = "list"  // of blocks with Fields, or of single values without
)

// Field is one field of a coach's record, as its reader takes it.
type Field struct {
	Name      string
	Kind      FieldKind
	Words     []string
	OldWords  []string // read as words too, and never written
	Aliases   []string // older names of the field: read, and never written
	Low, High float64  // of a NumberField
	Numbers   bool     // of a ListField: numbers, or numbers with a unit
	Form      string   // what is allowed, in words; "": anything
	Default   string   // the word that is taken when the field is missing; "": none
	Must      bool
	Fields    []*Field // by name
}

// Shape returns the fields of a coach's record. It is not written down anywhere: the
// reader is run over a record that answers every question and notes what it asks for,
// so that the shape cannot differ from what is read.
func Shape() []*Field {
	root := &Field{Kind: BlockField}
	r := &reader{sites: map[string]coach.Site{}}
	r.coach(tracing(root), "")
	places := root.child("places")
	places.Kind, places.Form = ListField, "places of the shop's own that stays name"
	r.ownPlace(tracing(places), "")
	root.sort()
	return root.Fields
}

func (x *Field) sort() {
	slices.SortFunc(x.Fields, func(a, b *Field) int { return strings.Compare(a.Name, b.Name) })
	for _, f := range x.Fields {
		f.sort()
	}
}

func (x *Field) child(name string) *Field {
	for _, f := range x.Fields {
		if f.Name == name {
			return f
		}
	}
	f := &Field{Name: name, Kind: TextField}
	x.Fields = append(x.Fields, f)
	return f
}

// tracing returns a node that notes in a field what it is asked for.
func tracing(x *Field) *node {
	return &node{kind: object, shape: x, keys: []string{""}, vals: []*node{{}}} // not empty: what is empty is passed over
}

// note tells the shape, if one is traced, more about a field.
func (f *fields) note(key string, tell func(*Field)) {
	if f.n.shape != nil {
		tell(f.n.shape.child(key))
	}
}

// refusal splits an error of package unit into what is wrong and what is allowed.
func refusal(err error) (message, allowed string) {
	_, why, _ := strings.Cut(err.Error(), "\" ")
	message, allowed, _ = strings.Cut(why, ": write ")
	return message, allowed
}

// formOf returns what a parser allows, in its own words.
func formOf[T any](parse func(string) (T, error)) string {
	_, err := parse("?")
	if err == nil {
		return ""
	}
	_, allowed := refusal(err)
	return allowed
}
