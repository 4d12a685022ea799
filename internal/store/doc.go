package store

import (
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"sealmanac/internal/civil"
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
	err := json.Unmarshal([]byte(doc), into, docForm, json.MatchCaseInsensitiveNames(false))
	if err != nil || !strings.Contains(doc, `"Consent":`) {
		return err
	}
	// Before consent was recorded by channel a person had one day, of consent to mail.
	var old struct {
		People []struct{ Consent civil.Date }
	}
	if err := json.Unmarshal([]byte(doc), &old, docForm); err != nil {
		return err
	}
	for i, p := range old.People {
		if _, ok := into.People[i].Agreed(coach.ByMail); !ok && p.Consent != 0 {
			into.People[i].Consents = append(into.People[i].Consents, coach.Consent{Channel: coach.ByMail, Day: p.Consent})
		}
	}
	return nil
}
