package delivery

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

// outbox is a store of one notice whose calls may fail.
type outbox struct {
	open     bool
	settled  reminder.State
	reply    string
	claimErr error
	saveErr  error
}

func (o *outbox) Claim(context.Context, coach.AccountID, string) (reminder.Notice, bool, bool, error) {
	return reminder.Notice{MessageID: "<x@y>"}, !o.open && o.claimErr == nil, o.open, o.claimErr
}

func (o *outbox) Settle(_ context.Context, _ coach.AccountID, _ string, s reminder.State, reply string, _ time.Duration) error {
	o.settled, o.reply = s, reply
	return o.saveErr
}

type channel func() (string, error)

func (channel) Name() string                                             { return "test" }
func (c channel) Send(context.Context, *reminder.Notice) (string, error) { return c() }

func TestStep(t *testing.T) {
	no := func(code int) error { return &smtp.SMTPError{Code: code, Message: "words"} }
	for _, c := range []struct {
		name    string
		send    error
		last    bool
		out     outbox
		verdict Verdict
		state   reminder.State
		failed  bool
	}{
		{"accepted", nil, false, outbox{}, Taken, reminder.Accepted, false},
		{"later", no(451), false, outbox{}, Later, reminder.Retry, true},
		{"later, last try", no(451), true, outbox{}, Never, reminder.GivenUp, true},
		{"never", no(550), false, outbox{}, Never, reminder.GivenUp, true},
		{"our login", &LoginError{no(535)}, true, outbox{}, Ours, reminder.Retry, true},
		{"network", errors.New("reset"), false, outbox{}, Later, reminder.Retry, true},
		{"another worker has it", nil, false, outbox{open: true}, Later, "", true},
		{"store down at claim", nil, false, outbox{claimErr: fault.New(fault.Unavailable, "down", "")}, Broken, "", true},
		{"store down at settle", nil, false, outbox{saveErr: fault.New(fault.Unavailable, "down", "")}, Broken, reminder.Accepted, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := c.out
			attempt := 1
			if c.last {
				attempt = MaxAttempts
			}
			v, err := Step(t.Context(), &out, channel(func() (string, error) { return "250 ok", c.send }), "a", "k", attempt, slog.New(slog.DiscardHandler))
			if v != c.verdict || out.settled != c.state || (err != nil) != c.failed {
				t.Errorf("%s, settled %q, %v", v, out.settled, err)
			}
		})
	}
}

func TestWaitsSpanFourDays(t *testing.T) {
	var sum time.Duration
	for n := 1; n < MaxAttempts; n++ {
		if n > 1 && Wait(n) < Wait(n-1) {
			t.Errorf("wait %d is shorter than the one before", n)
		}
		sum += Wait(n)
	}
	if sum < 94*time.Hour || sum > 100*time.Hour {
		t.Errorf("the waits span %v, want about four days", sum)
	}
}
