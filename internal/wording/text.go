package wording

import (
	"fmt"
	"strings"
	"time"
)

// Text is something said to people: sentences of ours with their values, kept
// apart until it is shown in a language. The zero value says nothing.
type Text struct{ sentences []sentence }

type sentence struct {
	id   string // the English words, with the verbs of package fmt
	args []any
}

// Say begins a text. id is its English wording and the name under which a
// catalogue translates it; a term that stands in id without arguments may hold
// any character. Arguments may be days, months, texts, numbers and names; names
// are not translated.
func Say(id string, args ...any) Text { return Text{}.And(id, args...) }

// And returns the text with one more sentence.
func (t Text) And(id string, args ...any) Text {
	return Text{append(t.sentences[:len(t.sentences):len(t.sentences)], sentence{id, args})}
}

// IsZero reports whether nothing is said.
func (t Text) IsZero() bool { return len(t.sentences) == 0 }

// String returns the text in English.
func (t Text) String() string { return t.In(nil) }

// Equal reports whether two texts say the same.
func (t Text) Equal(o Text) bool { return t.String() == o.String() }

// In returns the text in a language; nil is English as written in the program.
func (t Text) In(w *Words) string {
	if len(t.sentences) == 1 {
		return w.T(t.sentences[0].id, t.sentences[0].args...)
	}
	var out []string
	for _, s := range t.sentences {
		out = append(out, w.T(s.id, s.args...))
	}
	return strings.Join(out, " ")
}

// MarshalText writes the English text.
func (t Text) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads a text that can be shown only as it was written.
func (t *Text) UnmarshalText(b []byte) error {
	*t = Text{}
	if len(b) > 0 {
		*t = Say(string(b))
	}
	return nil
}

// Day is what a day of the calendar can tell; civil.Date is one.
type Day interface {
	YMD() (year int, month time.Month, day int)
	Weekday() time.Weekday
}

// Month is a day of which only month and year are said.
type Month struct{ Day }

// Date is a day of which the day of the week is not said.
type Date struct{ Day }

// DayMonth is a day of which the year is not said.
type DayMonth struct{ Day }

var monthNames = [13]Text{{}, Say("January"), Say("February"), Say("March"), Say("April"), Say("May"), Say("June"),
	Say("July"), Say("August"), Say("September"), Say("October"), Say("November"), Say("December")}

var dayNames = [7]Text{Say("Sun"), Say("Mon"), Say("Tue"), Say("Wed"), Say("Thu"), Say("Fri"), Say("Sat")}

// T returns a phrase in the language. See Say.
func (w *Words) T(id string, args ...any) string {
	form := w.find(id)
	if len(args) == 0 {
		return form
	}
	told := make([]any, len(args))
	for i, a := range args {
		told[i] = w.told(a)
	}
	return fmt.Sprintf(form, told...)
}

// told turns a value into what the verbs of a phrase print.
func (w *Words) told(a any) any {
	switch v := a.(type) {
	case Text:
		return v.In(w)
	case Month:
		y, m, _ := v.YMD()
		return w.T("%[1]s %[2]d", monthNames[m], y)
	case Date:
		y, m, d := v.YMD()
		if d == 1 {
			return w.T("%[1]s 1, %[2]d", monthNames[m], y)
		}
		return w.T("%[1]s %[2]d, %[3]d", monthNames[m], d, y)
	case DayMonth:
		_, m, d := v.YMD()
		if d == 1 { // some languages say "first"
			return w.T("1 %[1]s", monthNames[m])
		}
		return w.T("%[1]d %[2]s", d, monthNames[m])
	case Day:
		y, m, d := v.YMD()
		if d == 1 {
			return w.T("%[1]s 1 %[2]s %[3]d", dayNames[v.Weekday()], monthNames[m], y)
		}
		return w.T("%[1]s %[2]d %[3]s %[4]d", dayNames[v.Weekday()], d, monthNames[m], y)
	}
	return a
}
