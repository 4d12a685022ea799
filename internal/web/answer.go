package web

import (
	"cmp"
	"errors"
	"net/http"
	"slices"

	"golang.org/x/text/language"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/wording"
)

// question is what the answer pages show.
type question struct {
	desk.Question
	said
	Products any
	Form     map[string]string // what was typed
	Choices  []string          // places that may be meant
	Fault    *trouble
	Caution  wording.Text
	Back     *said  // how to take it back
	Unit     string // of a bare number; "": a unit has to be written
}

// said are the words of an answer page.
type said struct{ Heading, Explain, Button wording.Text }

var words = map[reminder.AnswerKind]said{
	reminder.Done: {
		wording.Say("Is it done?"),
		wording.Say("We record the day, and the next reminder counts from it."),
		wording.Say("Yes, it is done"),
	},
	reminder.Book: {
		wording.Say("Shall the shop call you?"),
		wording.Say("The shop gets your wish for an appointment and calls or writes to you."),
		wording.Say("Yes, please book me in"),
	},
	reminder.Later: {Heading: wording.Say("Not now?"), Button: wording.Say("Remind me later")},
	reminder.Stop: {
		wording.Say("No more reminders?"),
		wording.Say(
			"You get no more care reminders from this shop, for any coach. Notices about your safety or a recalled part may " +
				"still come.",
		),
		wording.Say("Stop the reminders"),
	},
	reminder.Sold: {
		wording.Say("Is this coach sold?"),
		wording.Say(
			"You get nothing more about it. Its history stays with the coach; your name and address are not passed on.",
		),
		wording.Say("Yes, it is sold"),
	},
	reminder.Moved: {
		wording.Say("Has the coach moved to another place?"),
		wording.Say("Another climate changes when care is due. The shop enters the new place."),
		wording.Say("Tell the shop"),
	},
	reminder.NotSold: {
		wording.Say("Not sold after all?"),
		wording.Say("You get reminders about this coach again."),
		wording.Say("The coach is still mine"),
	},
	reminder.Restart: {
		wording.Say("Reminders on again?"),
		wording.Say("You get care reminders from this shop again."),
		wording.Say("Reminders on again"),
	},
}

var shopKnows = wording.Say("Thank you, the shop knows.")

var thanks = map[reminder.AnswerKind]said{
	reminder.Done: {Heading: wording.Say("Thank you, it is recorded.")},
	reminder.Book: {
		Heading: shopKnows,
		Explain: wording.Say("Somebody will get in touch about a day that suits you."),
	},
	reminder.Later: {Heading: wording.Say("All right, later.")},
	reminder.Sold: {
		Heading: wording.Say("Thank you, it is recorded."),
		Explain: wording.Say("You get nothing more about this coach."),
	},
	reminder.Moved: {Heading: shopKnows},
	reminder.Stop: {
		Heading: wording.Say("You will get no more reminders."),
		Explain: wording.Say("If that was a mistake, switch them on again here."),
	},
	reminder.NotSold: {
		Heading: wording.Say("The coach is still yours."),
		Explain: wording.Say("You get reminders about it again when something is due."),
	},
	reminder.Restart: {
		Heading: wording.Say("Reminders are on again."),
		Explain: wording.Say("You get the next one when something is due."),
	},
}

// lotWords are the words of a notice about a lot, visitWords those of an agreed
// day.
var (
	lotWords = map[reminder.AnswerKind]said{
		reminder.Done: {
			wording.Say("Have you read it?"),
			wording.Say("The shop then knows that the notice about your part has reached you."),
			wording.Say("Yes, I have read it"),
		},
		reminder.Book: words[reminder.Book],
	}
	visitWords = said{
		wording.Say("Do you need another day?"),
		wording.Say("The shop calls or writes to you. Until then the day stays as it is."),
		wording.Say("Yes, please find another day"),
	}
	confirms  = wording.Say("The shop looks at it and confirms; until then its date stays.")
	oursToFix = wording.Say("Something went wrong on our side.")
	tryAgain  = wording.Say("Please try again in a while.")
	petroleum = wording.Say(
		"Petroleum, grease and solvents can swell or soften seals. Please wash it off with mild soap and water, rinse, and " +
			"let the seals dry. What the makers of your coach and seals say comes first. The shop knows about it.",
	)
)

// backs are the words that take an answer back.
var backs = map[reminder.AnswerKind]*said{
	reminder.Sold: {Heading: words[reminder.NotSold].Heading, Button: words[reminder.NotSold].Button},
	reminder.Stop: {Button: words[reminder.Restart].Button},
}

// asked are the words of a question.
func asked(q *desk.Question) said {
	out := words[q.Kind]
	k := q.Notice.Task
	switch {
	case q.Notice.IsLot():
		return lotWords[q.Kind]
	case k == coach.BookedVisit && q.Kind == reminder.Book:
		return visitWords
	case q.Kind == reminder.Later:
		out.Explain = wording.Say("We will remind you again after %s.", wording.Date{Day: q.Until})
	case q.Kind == reminder.Done && !desk.Care(k):
		out.Explain = confirms
	case q.Kind == reminder.Book && q.Agreed != nil:
		out.Explain = onRecord(q.Agreed).And("If you need another day, the shop calls or writes to you.")
	}
	return out
}

// onRecord says the day that is agreed.
func onRecord(p *coach.Pin) wording.Text {
	d := wording.Date{Day: p.Day}
	if p.At > 0 {
		return wording.Say("Your coach is booked in already, for %[1]s at %02[2]d:%02[3]d.", d, p.At/60, p.At%60)
	}
	return wording.Say("Your coach is booked in already, for %s.", d)
}

// stored are the words of an answer: what is on record now.
func stored(q *desk.Question) said {
	out := thanks[q.Kind]
	switch n := q.Notice; {
	case n.IsLot() && q.Kind == reminder.Done:
		out.Explain = wording.Say("The shop sees that you have read it.")
	case q.Kind == reminder.Done && !desk.Care(n.Task):
		out.Explain = confirms
	case q.Kind == reminder.Done && q.Day == 0:
		out.Explain = wording.Say(
			"You told us this before, and that day stays on record. If it was another day, please tell the shop.",
		)
	case q.Kind == reminder.Done:
		out.Explain = wording.Say(
			"We recorded that it was done on %s. The next reminder counts from that day.",
			wording.Date{Day: q.Day},
		)
	case q.Kind == reminder.Later:
		out.Explain = asked(q).Explain
	case q.Kind == reminder.Book && n.Task == coach.BookedVisit:
		out.Explain = wording.Say(
			"The shop calls or writes to you about another day. Until then %s stays agreed.",
			wording.Date{Day: n.Target},
		)
	case q.Kind == reminder.Book && q.Agreed != nil:
		out.Explain = asked(q).Explain
	case q.Kind == reminder.Moved:
		out.Explain = wording.Say(
			"You told us that it stands in %s now. The dates follow once the shop has accepted the place.",
			q.Where,
		)
	}
	return out
}

// ask shows what a link would do; only the button does it.
func (s *Site) ask(r *http.Request) (view, error) {
	q, err := s.Desk.Ask(r.Context(), r.PathValue("token"))
	if err != nil {
		return view{}, err
	}
	if q.Ended() {
		return ended(q), nil
	}
	return askView(q, map[string]string{"day": q.Today.String()}), nil
}

func askView(q desk.Question, form map[string]string) view {
	v := question{Question: q, said: asked(&q), Products: desk.Products, Form: form}
	if q.Units != "" {
		v.Unit = string(q.Units)
	}
	return view{page: "ask", title: v.Heading.In(q.Words), data: v, words: q.Words, bare: true}
}

// ended is the page of a link that asks for nothing any more.
func ended(q desk.Question) view {
	v := question{Question: q, said: said{Heading: wording.Say("This link has ended.")}}
	if q.Sold != 0 {
		v.Heading, v.Explain = soldWords(q.Sold)
	} else {
		v.Explain = wording.Say("Our records name other people for this coach now. If that is wrong, call or write to the " +
			"shop.")
	}
	if q.Undo != "" {
		v.Back = backs[reminder.Sold]
	}
	return view{
		page:  "answered",
		title: v.Heading.In(q.Words),
		data:  v,
		words: q.Words,
		bare:  true,
		code:  http.StatusGone,
	}
}

// soldWords say that a coach was sold and that nothing is asked for it.
func soldWords(on wording.Day) (heading, explain wording.Text) {
	return wording.Say(
			"This coach was sold on %s.",
			wording.Date{Day: on},
		), wording.Say(
			"We ask you nothing more about it.",
		)
}

func (s *Site) answer(r *http.Request) (view, error) {
	_ = r.ParseForm() // a provider's one-click post has its own fields; what is not there is empty
	form := formOf(r)
	q, err := s.Desk.Answer(
		r.Context(),
		r.PathValue("token"),
		desk.Details{
			Day:     form["day"],
			Product: form["product"],
			Height:  form["height"],
			Where:   cmp.Or(form["choice"], form["where"]),
		},
	)
	if p, ok := errors.AsType[*desk.PersonError](err); ok && fault.KindOf(err) == fault.Invalid && q.Notice.Key != "" {
		v := askView(q, form)
		d, _ := v.data.(question)
		d.Fault = &trouble{Sentence: p.Sentence.In(q.Words), Hint: p.Hint.In(q.Words)}
		if w, ok := errors.AsType[*desk.WhereError](err); ok {
			d.Choices = w.Choices
		}
		v.data, v.code = d, http.StatusUnprocessableEntity
		return v, nil
	}
	if fault.KindOf(err) == fault.Unavailable {
		return s.busy(r, err)
	}
	if err != nil {
		return view{}, err
	}
	if q.Ended() {
		return ended(q), nil
	}
	v := question{Question: q, said: stored(&q)}
	if q.Product == desk.Petroleum {
		v.Caution = petroleum
	}
	if q.Undo != "" {
		v.Back = backs[q.Kind]
	}
	return view{page: "answered", title: v.Heading.In(q.Words), data: v, words: q.Words, bare: true}, nil
}

// failedLink is the page of a person's link that does not work: in their language, with
// the shop to ask, as far as both are known.
func (s *Site) failedLink(r *http.Request, v view, token string, err error) view {
	g := s.Desk.Greet(r.Context(), token)
	if g.Words == nil {
		g.Words = s.browsers(r)
	}
	t, _ := v.data.(trouble)
	if p, ok := errors.AsType[*desk.PersonError](err); ok {
		t.Sentence, t.Hint = p.Sentence.In(g.Words), p.Hint.In(g.Words)
	} else if t.Sentence == oursToFix.String() {
		t.Sentence, t.Hint = oursToFix.In(g.Words), tryAgain.In(g.Words)
	}
	t.Shop = g.Shop
	v.data, v.words, v.bare = t, orEnglish(g.Words), true
	v.title = v.words.T("Something is not right")
	return v
}

// browsers returns the words of the language that a browser asks for first among those
// that are built in.
func (s *Site) browsers(r *http.Request) *wording.Words {
	tags, _, _ := language.ParseAcceptLanguage(r.Header.Get("Accept-Language")) // what cannot be read is English
	for _, t := range tags {
		base, _ := t.Base()
		if l := base.String(); l == wording.English || slices.Contains(s.Desk.Words.Languages(), l) {
			return s.Desk.Words.In(l)
		}
	}
	return nil
}
