package store

import (
	"errors"
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"sealmanac/internal/fault"
	"sealmanac/internal/level"
)

// A coach, a workshop, a visit and a plan are each kept as one JSON document. The types
// doc... are the shape of these documents and nothing else: names of members are chosen
// here, so that renaming a field elsewhere in the program changes nothing that is stored.
//
// A member that no type knows is an error, never dropped: whoever reads such a document
// and stores it again would lose what a newer program wrote into it.
//
// Documents of before schema 17 have no version. Their members are the fields of that
// time, which are the names of version 1 but for capitals and underscores; so both are
// read into the same types. A name that changes later must still be read under its old
// name: give the type a member for it, as docPerson has for "consent".

// docVersion is the version that is written. It grows when a member gets another meaning;
// a new member needs no new version.
const docVersion = 1

// docHead is how documents of this version begin.
const docHead = `{"v":1`

// docForm writes what says something only: a document of an ordinary coach is less than
// half as long without its empty fields, and it is written, kept, compared and read a
// million times.
var docForm = json.JoinOptions(json.OmitZeroStructFields(true), jsontext.AllowInvalidUTF8(true))

var (
	docStrict = json.JoinOptions(docForm, json.RejectUnknownMembers(true))
	docFormer = json.JoinOptions(docStrict, json.MatchCaseInsensitiveNames(true))
)

// current reports whether a document is written as this program writes them.
func current(text string) bool { return strings.HasPrefix(text, docHead+",") || text == docHead+"}" }

func writeDoc(doc any) (string, error) {
	b, err := json.Marshal(doc, docForm)
	return string(b), err
}

// readDoc reads a document of any version up to this program's.
func readDoc(text string, into any) error {
	form := docStrict
	if !current(text) {
		var head struct {
			Version int `json:"v"`
		}
		if err := json.Unmarshal([]byte(text), &head, docForm); err != nil {
			return err
		}
		switch {
		case head.Version == 0:
			form = docFormer
		case head.Version > docVersion:
			return newerDoc(fmt.Sprintf("version %d", head.Version), nil)
		}
	}
	err := json.Unmarshal([]byte(text), into, form)
	if e, ok := errors.AsType[*json.SemanticError](err); ok && errors.Is(err, json.ErrUnknownName) {
		return newerDoc(fmt.Sprintf("the member %q", e.JSONPointer), err)
	}
	return err
}

// newerDoc is the error of a document that this program cannot read whole. Beside a newer
// replica that passes by itself once this one was updated, too.
func newerDoc(what string, err error) error {
	return &fault.Error{Kind: fault.Unavailable, Err: err,
		Msg:  "a stored record has " + what + ", which this version of sealmanac does not know",
		Hint: "A newer version wrote it. Update this one. Nothing was changed."}
}

// each translates a list; an empty one is no list, so that it is not written.
func each[A, B any](as []A, f func(*A) B) []B {
	if len(as) == 0 {
		return nil
	}
	out := make([]B, len(as))
	for i := range as {
		out[i] = f(&as[i])
	}
	return out
}

// hoursDoc writes hours by skill as a list in the order of coach.Skills; new skills go to
// its end. None at all are not written.
func hoursDoc(h level.Hours) []float64 {
	if h == (level.Hours{}) {
		return nil
	}
	return h[:]
}

func hoursOf(doc []float64) (h level.Hours, err error) {
	if len(doc) > len(h) {
		return h, newerDoc(fmt.Sprintf("hours of %d skills", len(doc)), nil)
	}
	copy(h[:], doc)
	return h, nil
}
