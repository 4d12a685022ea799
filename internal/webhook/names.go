package webhook

import (
	"encoding/json"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// Names are the names of events that a new endpoint gets. An endpoint made before there
// was a choice has 1; what is stored has the names 1 too, and is translated when it leaves.
const Names = 2

// Kind is a kind of event: what it tells, and the names of its data. Days are YYYY-MM-DD
// and lengths millimeters.
type Kind struct{ Kind, Tells, Data string }

// stored are the events there are, by their names 1. A run there is written as in tasks
// ("galley/outer/fore"), unless it stands beside a slide ("outer/fore").
var stored = []Kind{
	{"notice.made", "A message is due and waits for its hours.", "notice person task run target not_before subject why"},
	{"notice.sent", "The mail server accepted the message.", "notice person task words"},
	{"notice.failed", "We will not try to send the message again.", "notice person task words"},
	{"notice.bounced", "The message came back.", "notice person words address_dead"},
	{"notice.opted_out", "The person wants no more reminders.", "person complaint"},
	{"notice.opted_in", "The person wants reminders again.", "answer person task run notice"},
	{"task.done", "Somebody says that the work is done.", "task run slide day by answer person notice"},
	{"task.declined", "Somebody asked for a reminder later.", "task run until by answer person notice"},
	{"visit.asked", "Somebody asked for an appointment.", "answer person task run notice"},
	{"reading.recorded", "A measurement was recorded.", "kind value day slide run part by"},
	{"entry.taken_back", "A reading or service was deleted.", "entry"},
	{"forecast.moved", "A likely date moved by a month or more.", "run part was early likely late because life_used"},
	{"visit.proposed", "The plan has a day for a coach, or a new day instead of was. Nobody has agreed to it yet.",
		"day was from until tasks hours book_by at agreed"},
	{"visit.booked", "A day is agreed.", "day time"},
	{"visit.moved", "The agreed day was moved.", "day time was"},
	{"visit.cancelled", "The agreed day was canceled.", "day"},
	{"part.needed", "A profile has to be ordered.", "profile month mm order_by"},
	{"hold.set", "A safety stop, or a bulb of the wrong size: which it is, where, and why.", "task run why"},
	{"hold.cleared", "The safety stop, or the wrong size, has ended.", "task run"},
	{"coach.saved", "The record of the coach changed.", "by"},
	{"coach.transferred", "The owner says that the coach was sold.", "answer person task run notice"},
	{"coach.transfer_undone", "The owner says that the coach was not sold after all.", "answer person task run notice"},
	{"coach.moved", "The owner says that the coach is at another place now.", "answer person task run notice place"},
	{"lot.notice", "Somebody is told about a lot.", "campaign lot person notice"},
	{"test", "Somebody pressed the test button.", "endpoint by"},
}

// Rename is a name of an event that changed.
type Rename struct {
	Was   string // among the names 1
	Task  string // only when the event is about this task; "": always
	Now   string // among the names 2
	Tells string // what the event tells under its present name; "": the same
}

// Renames are the kinds of events whose names changed.
var Renames = []Rename{
	{"notice.made", "", "notice.created", ""},
	{"task.declined", "", "task.postponed", ""},
	{"visit.asked", "", "visit.requested", ""},
	{"visit.proposed", "", "visit.planned", ""},
	{"visit.booked", "", "visit.agreed", ""},
	{"visit.cancelled", "", "visit.canceled", ""},
	{"entry.taken_back", "", "record.deleted", ""},
	{"hold.set", string(coach.SafetyStop), "safety_stop.set", "Do not use this slide: where it is, and why."},
	{"hold.set", string(coach.Refit), "wrong_size.set", "A bulb does not fit its gap: where it is, and why."},
	{"hold.cleared", string(coach.SafetyStop), "safety_stop.cleared", "The slide may be used again."},
	{"hold.cleared", string(coach.Refit), "wrong_size.cleared", "The bulb fits its gap now."},
	{"coach.transferred", "", "coach.sold", ""},
	{"coach.transfer_undone", "", "coach.sale_undone", ""},
}

// DataRenames are the names of events' data that changed, the former first. A run becomes a
// slide and an edge.
var DataRenames = [][2]string{{"words", "reply"}, {"entry", "record"}, {"at", "partner"}, {"run", "slide edge"}}

// wordData are the data that hold words with a present name.
var wordData = []string{"task", "tasks", "because"}

// Kinds returns the events there are by their names, 1 or 2; the API publishes them.
func Kinds(names int64) []Kind {
	if names < 2 {
		return stored
	}
	var out []Kind
	for _, k := range stored {
		var data []string
		for _, name := range strings.Fields(k.Data) {
			for _, r := range DataRenames {
				if name == r[0] {
					name = r[1]
				}
			}
			data = append(data, strings.Fields(name)...)
		}
		slices.Sort(data)
		k.Data = strings.Join(slices.Compact(data), " ")
		renamed := false
		for _, r := range Renames {
			if r.Was == k.Kind {
				now := Kind{r.Now, k.Tells, k.Data}
				if r.Tells != "" {
					now.Tells = r.Tells
				}
				out, renamed = append(out, now), true
			}
		}
		if !renamed {
			out = append(out, k)
		}
	}
	return out
}

// Known reports whether a kind of event has a name, among those of 1 or of 2.
func Known(kind string) bool {
	is := func(k Kind) bool { return k.Kind == kind }
	return slices.ContainsFunc(Kinds(1), is) || slices.ContainsFunc(Kinds(2), is)
}

// presentKind returns the name 2 of an event's kind.
func presentKind(e store.Event) string {
	for _, r := range Renames {
		if r.Was != e.Kind {
			continue
		}
		var of struct {
			Task string `json:"task"`
		}
		if r.Task == "" || json.Unmarshal([]byte(e.Data), &of) == nil && of.Task == r.Task {
			return r.Now
		}
	}
	return e.Kind
}

// present returns an event's kind and data by their names 2.
func present(e store.Event) (kind string, data json.RawMessage, err error) {
	kind = presentKind(e)
	var fields map[string]json.RawMessage
	if err := json.Unmarshal([]byte(e.Data), &fields); err != nil || fields == nil {
		return kind, json.RawMessage(e.Data), err
	}
	if err := splitRun(fields); err != nil {
		return "", nil, err
	}
	for _, r := range DataRenames {
		if v, ok := fields[r[0]]; ok {
			delete(fields, r[0])
			fields[r[1]] = v
		}
	}
	for _, name := range wordData {
		if v, ok := fields[name]; ok {
			if fields[name], err = presentWords(v); err != nil {
				return "", nil, err
			}
		}
	}
	data, err = json.Marshal(fields)
	return kind, data, err
}

// splitRun makes a run, with or without its slide, a slide and an edge; what it does not
// name is left out.
func splitRun(fields map[string]json.RawMessage) error {
	var run, slide string
	for name, into := range map[string]*string{"run": &run, "slide": &slide} {
		if v, ok := fields[name]; ok {
			if err := json.Unmarshal(v, into); err != nil {
				return err
			}
			delete(fields, name)
		}
	}
	if slide == "" {
		slide, run, _ = strings.Cut(run, "/")
	}
	for name, v := range map[string]string{"slide": slide, "edge": coach.EdgeName(run)} {
		if v == "" {
			continue
		}
		text, err := json.Marshal(v)
		if err != nil {
			return err
		}
		fields[name] = text
	}
	return nil
}

// presentWords gives a word, or each of a list, its present name.
func presentWords(v json.RawMessage) (json.RawMessage, error) {
	var word string
	if json.Unmarshal(v, &word) == nil {
		return json.Marshal(coach.Named(word))
	}
	var words []string
	if err := json.Unmarshal(v, &words); err != nil {
		return nil, err
	}
	for i := range words {
		words[i] = coach.Named(words[i])
	}
	return json.Marshal(words)
}
