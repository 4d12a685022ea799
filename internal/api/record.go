package api

import (
	"encoding/json"
	"fmt"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/intake"
)

// record is a coach as in a coach file. What comes in is judged by package intake
// alone, which tells every fault at once; the schema is what intake asks for.
type record struct{ json.RawMessage }

// Schema is huma's question for the schema of a type.
func (record) Schema(r huma.Registry) *huma.Schema {
	const name = "CoachRecord"
	if r.Map()[name] == nil {
		s := blockSchema(r, intake.Shape())
		s.Description = "A coach as in a coach file: people, stays, slides with edges and parts, services, readings, " +
			"events, rentals."
		r.Map()[name] = s
	}
	return &huma.Schema{Ref: "#/components/schemas/" + name}
}

func blockSchema(r huma.Registry, fields []*intake.Field) *huma.Schema {
	s := &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Properties: map[string]*huma.Schema{}}
	for _, f := range fields {
		s.Properties[f.Name] = fieldSchema(r, f)
		for _, old := range f.Aliases {
			x := *s.Properties[f.Name]
			x.Deprecated, x.Description = true, "Older name of "+f.Name+". Requests may have it, answers never do."
			s.Properties[old] = &x
		}
		if f.Must && len(f.Aliases) == 0 { // with an alias, either name will do
			s.Required = append(s.Required, f.Name)
		}
	}
	s.PrecomputeMessages()
	return s
}

func fieldSchema(r huma.Registry, f *intake.Field) *huma.Schema {
	s := &huma.Schema{Type: huma.TypeString}
	switch f.Kind {
	case intake.WordField:
		for _, w := range f.Words {
			s.Enum = append(s.Enum, w)
		}
		for _, w := range f.OldWords {
			s.Enum = append(s.Enum, w)
		}
	case intake.DayField:
		s.Format = "date"
	case intake.NumberField:
		s.Type, s.Minimum, s.Maximum = huma.TypeNumber, &f.Low, &f.High
	case intake.YesField:
		s.Type = huma.TypeBoolean
	case intake.BlockField:
		s = blockSchema(r, f.Fields)
	case intake.ListField:
		s.Type, s.Items = huma.TypeArray, &huma.Schema{Type: huma.TypeString}
		switch {
		case len(f.Fields) > 0:
			s.Items = blockSchema(r, f.Fields)
		case f.Numbers:
			s.Items = &huma.Schema{AnyOf: []*huma.Schema{{Type: huma.TypeNumber}, {Type: huma.TypeString}}}
		}
	}
	s.Description = f.Form
	if len(f.OldWords) > 0 {
		s.Description = "Requests may have the older words too, answers never do: " + strings.Join(f.OldWords, ", ") + "."
	}
	s.PrecomputeMessages()
	return s
}

// mostInBulk is how many coaches one request may bring.
const mostInBulk = 10_000

// bulk is the body of a bulk, unread: 10,000 coaches are gone through once, by package
// intake.
type bulk struct{ intake.Text }

// Schema is huma's question for the schema of a type.
func (bulk) Schema(r huma.Registry) *huma.Schema {
	least, most := 1, mostInBulk
	list := &huma.Schema{Type: huma.TypeArray, Items: record{}.Schema(r), MinItems: &least, MaxItems: &most}
	s := &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false,
		Properties: map[string]*huma.Schema{"coaches": list}, Required: []string{"coaches"}}
	s.PrecomputeMessages()
	return s
}

func (b bulk) coaches() ([]intake.Text, error) {
	items, err := b.List("coaches")
	if err == nil && (len(items) == 0 || len(items) > mostInBulk) {
		err = fmt.Errorf("there are %d coaches", len(items))
	}
	return items, err
}

// partItems is one part of a record by itself.
type partItems struct{ json.RawMessage }

// Schema is huma's question for the schema of a type.
func (partItems) Schema(r huma.Registry) *huma.Schema {
	whole := record{}.Schema(r)
	s := &huma.Schema{Description: "As in the record: an object for season, a list for all others. " +
		"An empty object: the coach has no season."}
	none := 0
	s.AnyOf = append(s.AnyOf, &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, MaxProperties: &none})
	for _, part := range recordParts {
		s.AnyOf = append(s.AnyOf, &huma.Schema{Ref: whole.Ref + "/properties/" + part})
	}
	s.PrecomputeMessages()
	return s
}

// recordParts are the parts of a record that have an address of their own.
var recordParts = []string{"people", "stays", "slides", "services", "readings", "events", "rentals", "season"}
