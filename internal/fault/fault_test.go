package fault

import (
	"errors"
	"fmt"
	"testing"
)

func TestChain(t *testing.T) {
	inner := New(NotFound, "there is no coach x", "List them.")
	wrapped := inner
	In("store.Coach", &wrapped)
	In("desk.Open", &wrapped)
	for name, err := range map[string]error{
		"chain": wrapped, "fmt": fmt.Errorf("opening: %w", wrapped), "joined": errors.Join(errors.New("other"), wrapped),
	} {
		if KindOf(err) != NotFound || HintOf(err) != "List them." || SentenceOf(err) != "there is no coach x" ||
			!errors.Is(err, inner) {
			t.Errorf("%s: kind %v, hint %q, sentence %q", name, KindOf(err), HintOf(err), SentenceOf(err))
		}
	}
	if want := "desk.Open: store.Coach: there is no coach x"; wrapped.Error() != want {
		t.Errorf("%q, want %q", wrapped.Error(), want)
	}
	if got := Plain(wrapped); got != "there is no coach x" {
		t.Errorf("plain: %q", got)
	}
	if got := Plain(&Error{Op: "store.Ping", Msg: "the database does not answer",
		Err: errors.New("refused")}); got != "the database does not answer: refused" {
		t.Errorf("plain: %q", got)
	}
	if KindOf(errors.New("x")) != Internal || HintOf(nil) != "" {
		t.Error("errors from outside are internal and have no hint")
	}
	var none error
	if In("op", &none); none != nil {
		t.Error("In made an error of nil")
	}
}
