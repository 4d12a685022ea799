package store

import (
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"sealmanac/internal/coach"
)

// docForm writes what says something only: a document of an ordinary coach is less than
// half as long without its empty fields, and it is written, kept, compared and read a
// million times.
var docForm = json.JoinOptions(json.OmitZeroStructFields(true), jsontext.AllowInvalidUTF8(true))

// encode returns a coach as it is kept.
func encode(c *coach.Coach) (string, error) {
	b, err := json.Marshal(c, docForm)
	return string(b), err
}

// decode reads a coach as it is kept, also as earlier versions wrote it.
func decode(doc string, into *coach.Coach) error {
	return json.Unmarshal([]byte(doc), into, docForm, json.MatchCaseInsensitiveNames(false))
}
