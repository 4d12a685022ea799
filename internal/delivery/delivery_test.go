package delivery

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

// outbox is a store of one notice whose calls may fail.
type outbox struct {
	notice   reminder.Notice
	open     bool
	settled  reminder.State
	reply    string
	claimErr error
	saveErr  error
}

func (o *outbox) Claim(context.Context, coach.AccountID, string) (reminder.Notice, bool, bool, error) {
	n := o.notice
	n.MessageID = "<x@y>"
	return n, !o.open && o.claimErr == nil, o.open, o.claimErr
}

func (o *outbox) Extend(context.Context, *reminder.Notice) error { return nil }

func (o *outbox) Settle(_ context.Context, _ *reminder.Notice, s reminder.State, reply string, _ time.Duration) error {
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
		{"our own limits", &BusyError{Wait: time.Second}, true, outbox{}, Busy, reminder.Retry, true},
		{"network", errors.New("reset"), false, outbox{}, Later, reminder.Retry, true},
		{"another worker has it", nil, false, outbox{open: true}, Later, "", true},
		{"store down at claim", nil, false, outbox{claimErr: fault.New(fault.Unavailable, "down", "")}, Broken, "", true},
		{"store down at settle", nil, false, outbox{saveErr: fault.New(fault.Unavailable, "down", "")}, Broken,
			reminder.Accepted, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := c.out
			attempt := 1
			if c.last {
				attempt = MaxAttempts
			}
			synctest.Test(t, func(t *testing.T) { // a store that is away is waited for: minutes of the bubble's clock
				v, err := Step(t.Context(), &out, channel(func() (string, error) {
					return "250 ok", c.send
				}), "a", "k", attempt, slog.New(slog.DiscardHandler))
				if v != c.verdict || out.settled != c.state || (err != nil) != c.failed {
					t.Errorf("%s, settled %q, %v", v, out.settled, err)
				}
			})
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
	if sum < 94*time.Hour || sum > reminder.SureDays*24*time.Hour {
		t.Errorf("the waits span %v, want about the %d days for which the words of a message hold", sum, reminder.SureDays)
	}
}

// A reminder of an agreed day is not tried again once that day would be over.
func TestVisitsAreNotToldAfterwards(t *testing.T) {
	for days, want := range map[int]reminder.State{0: reminder.Retry, -2: reminder.GivenUp} {
		synctest.Test(t, func(t *testing.T) {
			out := &outbox{notice: reminder.Notice{Task: coach.BookedVisit, Target: civil.FromTime(time.Now()).Add(days)}}
			_, _ = Step(t.Context(), out, channel(func() (string, error) {
				return "", errors.New("reset")
			}), "a", "k", 1, slog.New(slog.DiscardHandler))
			if out.settled != want {
				t.Errorf("%d days from the visit: %s, want %s", days, out.settled, want)
			}
		})
	}
}

// A worker that is at it says so; the store coming back ends the wait to record.
func TestBeatsAndRecords(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := &beating{away: 3}
		v, err := Step(t.Context(), o, channel(func() (string, error) {
			time.Sleep(10 * Beat)
			return "250 ok", nil
		}), "a", "k", 1, slog.New(slog.DiscardHandler))
		if v != Taken || err != nil || o.beats < 9 || o.beats > 10 || o.asked != 4 {
			t.Errorf("%s %v, %d beats, asked %d times", v, err, o.beats, o.asked)
		}
	})
}

type beating struct {
	outbox
	beats, asked, away int
}

func (o *beating) Extend(context.Context, *reminder.Notice) error { o.beats++; return nil }

func (o *beating) Settle(
	ctx context.Context, n *reminder.Notice, s reminder.State, reply string, w time.Duration,
) error {
	if o.asked++; o.asked <= o.away {
		return fault.New(fault.Unavailable, "down", "")
	}
	return o.outbox.Settle(ctx, n, s, reply, w)
}

// A commit whose answer was lost is on record. The store says so when the outcome is
// recorded again, however deep in its chain of errors, and that ends the matter.
func TestSettledIsDecided(t *testing.T) {
	inner := &fault.Error{Kind: fault.Conflict, Msg: "notice k is not being sent", Err: reminder.ErrSettled}
	settled := &fault.Error{Op: "store.Settle", Kind: fault.Conflict, Err: inner}
	for name, says := range map[string][]error{
		"the answer was lost": {context.DeadlineExceeded, settled}, "taken over": {settled},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &settling{says: says}
				ch := channel(func() (string, error) { return "250 ok", nil })
				v, err := Step(t.Context(), o, ch, "a", "k", 1, slog.New(slog.DiscardHandler))
				if v != Taken || err != nil || o.asked != len(says) {
					t.Errorf("%s %v, asked %d times", v, err, o.asked)
				}
			})
		})
	}
}

// settling is an outbox that answers Settle with its errors in turn, and stays with the
// last one.
type settling struct {
	outbox
	says  []error
	asked int
}

func (o *settling) Settle(context.Context, *reminder.Notice, reminder.State, string, time.Duration) error {
	o.asked++
	return o.says[min(o.asked, len(o.says))-1]
}

// A channel that panics takes its worker along: nobody keeps the notice any more, so that
// another worker can take it over.
func TestPanicEndsTheBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		o := &beating{}
		func() {
			defer func() { _ = recover() }() // as the job library does
			ch := channel(func() (string, error) { panic("a fault in a channel") })
			_, _ = Step(ctx, o, ch, "a", "k", 1, slog.New(slog.DiscardHandler))
		}()
		time.Sleep(10 * Beat)
		if o.beats > 0 {
			t.Errorf("%d beats after the worker died", o.beats)
		}
	})
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{"250 angenommen f\xfcr Sie": "250 angenommen f?r Sie",
		"a\x00b\x1b[1mc": "ab[1mc", "Grüße\nzwei": "Grüße\nzwei", "0123456789abc": "0123456789"} {
		if got := Clean(in, 10+10*len(want)/11); got != want && len(in) != 13 || len(in) == 13 && Clean(in, 10) != want {
			t.Errorf("%q: %q", in, got)
		}
	}
}

// The permanent replies are 500 to 599 (RFC 5321 4.2.1, 5yz); all else is tried again.
func TestPermanentReplies(t *testing.T) {
	for code, want := range map[int]Verdict{250: Later, 421: Later, 499: Later, 500: Never, 501: Never, 550: Never,
		599: Never, 600: Later} {
		if got := Judge(&smtp.SMTPError{Code: code}); got != want {
			t.Errorf("%d: %s, want %s", code, got, want)
		}
	}
}
