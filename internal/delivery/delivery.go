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
	// Settle records the outcome; a notice to be tried again rests for wait.
	Settle(ctx context.Context, account coach.AccountID, key string, s reminder.State, reply string, wait time.Duration) error
}

// Verdict is what an attempt means for the next one.
type Verdict string

// The verdicts.
const (
	Taken  Verdict = "accepted" // the server has it
	Later  Verdict = "retry"    // not now
	Never  Verdict = "given_up" // this recipient, or this message, never
	Ours   Verdict = "login"    // our own login or TLS set-up: the notice is not to blame
	Idle   Verdict = "idle"     // nothing to send: settled, or somebody else has it
	Broken Verdict = "broken"   // the store failed; the job runs again
)

// Verdicts are the outcomes of an attempt, for the metrics.
var Verdicts = []Verdict{Taken, Later, Never, Ours, Idle, Broken}

// LoginError says that the server refused us rather than the message.
type LoginError struct{ Err error }

// Error returns the server's words after what we tried.
func (e *LoginError) Error() string {
	return "the mail server refuses us before any recipient is named: " + e.Err.Error()
}

// Unwrap returns the server's refusal.
func (e *LoginError) Unwrap() error { return e.Err }

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
	if e, ok := errors.AsType[*smtp.SMTPError](err); ok && e.Code >= 500 && e.Code < 600 {
		return Never
	}
	return Later
}

// waits are the pauses between attempts: quick at first, for greylisting, then
// about four days in all (RFC 5321 4.5.4.1 asks for at least 30 minutes between
// tries and four to five days).
var waits = []time.Duration{5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour}

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
func Step(ctx context.Context, out Outbox, ch Channel, account coach.AccountID, key string, attempt int, log *slog.Logger) (Verdict, error) {
	n, ok, open, err := out.Claim(ctx, account, key)
	switch {
	case err != nil:
		return Broken, err
	case !ok && open:
		return Later, fmt.Errorf("notice %s is with another worker or not due yet", key)
	case !ok:
		return Idle, nil
	}
	reply, sendErr := ch.Send(ctx, &n)
	v := Judge(sendErr)
	state := map[Verdict]reminder.State{Taken: reminder.Accepted, Never: reminder.GivenUp, Later: reminder.Retry, Ours: reminder.Retry}[v]
	wait := Wait(attempt)
	switch {
	case v == Later && attempt >= MaxAttempts:
		v, state = Never, reminder.GivenUp
	case v == Ours:
		wait = PauseOurs
	}
	if sendErr != nil {
		reply = Words(sendErr)
	}
	// The outcome is recorded even when the job was told to stop meanwhile: the
	// server may have taken the message already.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 15*time.Second)
	defer cancel()
	if err := out.Settle(ctx, account, key, state, reply, wait); err != nil {
		log.Error("outcome not recorded; the notice may be sent again with the same Message-ID", "notice", n.MessageID, "verdict", v, "err", err)
		return Broken, err
	}
	attrs := []any{"message_id", n.MessageID, "channel", ch.Name(), "verdict", string(v), "reply", reply}
	if state == reminder.Retry {
		attrs = append(attrs, "again_in", wait)
	}
	if v == Taken {
		log.Info("notice", attrs...)
	} else {
		log.Warn("notice not taken; 'sealmanac check' tries the mail server", attrs...)
	}
	return v, sendErr
}
