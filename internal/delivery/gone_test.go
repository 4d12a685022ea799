package delivery

import (
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"sealmanac/internal/reminder"
)

// A mail server that is gone for two days, or refuses everything for so long, costs
// no notice: the attempts go on, and the first one after its return gets through.
func TestServerGoneForTwoDays(t *testing.T) {
	for _, c := range []struct {
		name string
		gone error
	}{{"nobody listens", &UnreachedError{errors.New("connection refused")}},
		{"our login is refused", &LoginError{errors.New("535")}}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				back := time.Now().Add(48 * time.Hour)
				out := &outbox{}
				send := channel(func() (string, error) {
					if time.Now().Before(back) {
						return "", c.gone
					}
					return "250 ok", nil
				})
				// as the job library repeats it: an attempt that was not the notice's fault is not counted
				for attempt := 1; ; attempt++ {
					v, _ := Step(t.Context(), out, send, "a", "k", attempt, slog.New(slog.DiscardHandler))
					switch v {
					case Taken:
						if late := time.Since(back); late > 13*time.Hour || out.settled != reminder.Accepted {
							t.Errorf("accepted %v after the server came back, state %s", late, out.settled)
						}
						return
					case Later:
						time.Sleep(Wait(attempt))
					case Ours:
						attempt--
						time.Sleep(PauseOurs)
					default:
						t.Fatalf("attempt %d at %v: %s", attempt, time.Since(back), v)
					}
				}
			})
		})
	}
}
