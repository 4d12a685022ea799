package web

import (
	"net/http"

	"sealmanac/internal/wording"
)

// notNow are the words for an answer that could not be stored: the button is then what
// to do.
var notNow = said{wording.Say("Please try again in a moment"), wording.Say("We could not save your answer just now."),
	wording.Say("Go back and press the button again.")}

// busy tells a person that an answer was not stored, in the words of their message.
func (s *Site) busy(r *http.Request, err error) (view, error) {
	q, e := s.Desk.Ask(r.Context(), r.PathValue("token")) // only reads
	if e != nil {
		return view{}, err
	}
	t := trouble{Sentence: notNow.Explain.In(q.Words), Hint: notNow.Button.In(q.Words), Shop: &q.Account}
	return view{page: "trouble", title: notNow.Heading.In(q.Words), code: http.StatusServiceUnavailable, data: t,
		words: q.Words, bare: true}, nil
}
