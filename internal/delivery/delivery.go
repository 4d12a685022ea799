// Package delivery sends one notice, once, and judges the outcome: accepted,
// later, never, or "our own login is wrong".
//
// It imports reminder and row 0. Packages below it (delivery/mail) are one
// channel each; daemon runs Step as a job and owns the clock between attempts.
package delivery

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
)

// Channel makes one attempt to send one notice and returns the server's words.
type Channel interface {
	Name() string
	Send(ctx context.Context, n *reminder.Notice) (reply string, err error)
}

// Outbox is what Step needs of the store.
type Outbox interface {
	// Claim gives a notice to the caller. open tells, when it was not given,
	// whether it still waits for somebody.
	Claim(ctx context.Context, account coach.AccountID, key string) (n reminder.Notice, ok, open bool, err error)
	// Extend keeps a claimed notice with the caller for another while.
	Extend(ctx context.Context, n *reminder.Notice) error
	// Settle records the outcome; a notice to be tried again rests for wait. It fails
	// with reminder.ErrSettled when there is nothing to record for this try any more.
	Settle(ctx context.Context, n *reminder.Notice, s reminder.State, reply string, wait time.Duration) error
}

// Verdict is what an attempt means for the next one.
type Verdict string

// The verdicts.
const (
	Taken  Verdict = "accepted" // the server has it
	Later  Verdict = "retry"    // not now
	Never  Verdict = "given_up" // this recipient, or this message, never
	Busy   Verdict = "busy"     // our own limits: the notice waits and the try does not count
	Ours   Verdict = "login"    // our own login or TLS set-up: the notice is not to blame
	Idle   Verdict = "idle"     // nothing to send: settled, or somebody else has it
	Broken Verdict = "broken"   // the store failed; the job runs again
)

// Verdicts are the outcomes of an attempt, for the metrics.
var Verdicts = []Verdict{Taken, Later, Never, Busy, Ours, Idle, Broken}

// LoginError says that the server refused us rather than the message.
type LoginError struct{ Err error }

// Error returns the server's words after what we tried.
func (e *LoginError) Error() string {
	return "the mail server refuses us before any recipient is named: " + e.Err.Error()
}

// Unwrap returns the server's refusal.
func (e *LoginError) Unwrap() error { return e.Err }

// UnreachedError says that no recipient was named to this server: another one may
// be tried at once, without a message arriving twice.
type UnreachedError struct{ Err error }

// Error returns what happened.
func (e *UnreachedError) Error() string { return e.Err.Error() }

// Unwrap returns the cause.
func (e *UnreachedError) Unwrap() error { return e.Err }

// BusyError says that our own limits let nothing more out just now.
type BusyError struct{ Wait time.Duration }

// Error says how long to wait.
func (e *BusyError) Error() string {
	return fmt.Sprintf("our own limits ask to wait %v", e.Wait)
}

// Judge turns a channel's error into a verdict. Permanent replies (RFC 5321
// 4.2.1, 5yz) end the notice; everything not recognised is Later: a repeated
// message is cheaper than a lost one.
func Judge(err error) Verdict {
	if err == nil {
		return Taken
	}
	if _, ok := errors.AsType[*LoginError](err); ok {
		return Ours
	}
	if _, ok := errors.AsType[*BusyError](err); ok {
		return Busy
	}
	if e, ok := errors.AsType[*smtp.SMTPError](err); ok && e.Code >= 500 && e.Code < 600 {
		return Never
	}
	return Later
}

// waits are the pauses between attempts: quick at first, for greylisting, then
// about four days in all (RFC 5321 4.5.4.1 asks for at least 30 minutes between
// tries and four to five days).
var waits = []time.Duration{5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour,
	4 * time.Hour}

const laterWait = 8 * time.Hour

// MaxAttempts is how often a notice is tried: the waits, then eleven times eight
// hours, 96 hours in all.
const MaxAttempts = 18

// PauseOurs is the pause after a refusal of our own login or set-up.
const PauseOurs = 15 * time.Minute

// Words returns what a server said, with its reply code and enhanced code.
func Words(err error) string {
	if e, ok := errors.AsType[*smtp.SMTPError](err); ok {
		text := fmt.Sprintf("%d %d.%d.%d %s", e.Code, e.EnhancedCode[0], e.EnhancedCode[1], e.EnhancedCode[2], e.Message)
		if e.EnhancedCode[0] < 1 {
			text = fmt.Sprintf("%d %s", e.Code, e.Message)
		}
		if _, login := errors.AsType[*LoginError](err); login {
			return "before any recipient was named: " + text
		}
		return text
	}
	return err.Error()
}

// Clean makes somebody else's words fit for every database: valid UTF-8, without
// control characters but line breaks and tabs, at most n characters.
func Clean(s string, n int) string {
	r := []rune(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "?")))
	return string(r[:min(n, len(r))])
}

// Wait returns the pause after the given number of attempts, at least 1.
func Wait(attempts int) time.Duration {
	if attempts >= 1 && attempts <= len(waits) {
		return waits[attempts-1]
	}
	return laterWait
}

// Step claims a notice, sends it and records the outcome. attempt counts from 1;
// after MaxAttempts there is no other. The error is the attempt's, for the job's record; it
// is nil when the notice was accepted or there was nothing to do.
func Step(
	ctx context.Context, out Outbox, ch Channel, account coach.AccountID, key string, attempt int, log *slog.Logger,
) (Verdict, error) {
	n, ok, open, err := out.Claim(ctx, account, key)
	switch {
	case err != nil:
		return Broken, err
	case !ok && open:
		return Later, fmt.Errorf("notice %s is with another worker or not due yet", key)
	case !ok:
		return Idle, nil
	}
	reply, sendErr := attend(ctx, out, ch, &n)
	v := Judge(sendErr)
	state := map[Verdict]reminder.State{Taken: reminder.Accepted, Never: reminder.GivenUp, Later: reminder.Retry,
		Busy: reminder.Retry, Ours: reminder.Retry}[v]
	wait := Wait(attempt)
	switch {
	case v == Later && (attempt >= MaxAttempts || past(&n, wait)):
		v, state = Never, reminder.GivenUp
	case v == Ours:
		wait = PauseOurs
	case v == Busy:
		busy, _ := errors.AsType[*BusyError](sendErr)
		wait = busy.Wait
	}
	if sendErr != nil {
		reply = Words(sendErr)
	}
	reply = Clean(reply, 500)
	err = record(ctx, func(ctx context.Context) error { return out.Settle(ctx, &n, state, reply, wait) })
	if errors.Is(err, reminder.ErrSettled) {
		log.Info("the outcome is on record already, or another worker has the notice",
			"message_id", n.MessageID, "verdict", v)
	} else if err != nil {
		log.Error("outcome not recorded; the notice may be sent again with the same Message-ID", "notice", n.MessageID,
			"verdict", v, "err", err)
		return Broken, err
	}
	attrs := []any{"message_id", n.MessageID, "channel", ch.Name(), "verdict", string(v), "reply", reply}
	if state == reminder.Retry {
		attrs = append(attrs, "again_in", wait)
	}
	switch {
	case v == Busy:
		log.Debug("notice attempt", attrs...)
	case v == Taken:
		log.Info("notice attempt", attrs...)
	default:
		log.Warn("notice attempt failed; 'sealmanac check' tries the mail server", attrs...)
	}
	return v, sendErr
}

// past reports whether the next try at a reminder of an agreed day would come after
// that day. Other messages name no day that passes while they are tried: see
// reminder.SureDays.
func past(n *reminder.Notice, wait time.Duration) bool {
	return n.Task == coach.BookedVisit && n.Target != 0 && time.Now().Add(wait).After(n.Target.Add(1).In(time.UTC, 12, 0))
}

// Beat is how often a worker says that it still has a notice.
const Beat = 3 * time.Second

// attend makes the attempt and meanwhile keeps the notice with this worker: when
// the process dies, the beats end and another takes over soon.
func attend(ctx context.Context, out Outbox, ch Channel, n *reminder.Notice) (string, error) {
	beat, stop := context.WithCancel(ctx)
	done := make(chan struct{})
	defer func() { // also when the channel panics: a dead worker must not keep the notice
		stop()
		<-done
	}()
	go func() {
		defer close(done)
		tick := time.NewTicker(Beat)
		defer tick.Stop()
		for {
			select {
			case <-beat.Done():
				return
			case <-tick.C:
				_ = out.Extend(beat, n) // a beat that fails is made up for by the next
			}
		}
	}()
	return ch.Send(ctx, n)
}

// recordFor is how long an outcome waits for the store to come back.
const recordFor = 2 * time.Minute

// record writes an outcome down. It goes on when the job was told to stop
// meanwhile, and while the store is away: the server may have the message
// already, and only the record keeps it from being sent again.
func record(ctx context.Context, settle func(context.Context) error) (err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), recordFor)
	defer cancel()
	for pause := 100 * time.Millisecond; ; pause = min(2*pause, 2*time.Second) {
		if err = settle(ctx); err == nil || errors.Is(err, reminder.ErrSettled) {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(pause):
		}
	}
}
