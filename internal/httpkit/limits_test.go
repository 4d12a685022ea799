package httpkit

import (
	"fmt"
	"testing"
	"time"
)

// Strangers with many addresses fill no memory, make the limits forget nobody, and keep
// newcomers out of nothing.
func TestLimitsHold(t *testing.T) {
	var l Limits
	now := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	allow := func(key string) bool {
		_, ok := l.Allow(key, 10, 10*time.Minute, now)
		return ok
	}
	for allow("victim") {
	}
	for i := range 20_000 {
		allow(fmt.Sprint("stranger ", i))
	}
	if allow("victim") {
		t.Error("the victim's tries are back")
	}
	refused := 0
	for i := range 1000 {
		if !allow(fmt.Sprint("newcomer ", i)) {
			refused++
		}
	}
	if refused > 1 { // the slot of the victim
		t.Errorf("%d of 1000 newcomers are refused", refused)
	}
	now = now.Add(59 * time.Second) // a minute brings one of ten back
	if allow("victim") {
		t.Error("the victim's try is back too early")
	}
	now = now.Add(time.Second)
	if !allow("victim") || allow("victim") {
		t.Error("a minute did not bring one try back")
	}
	now = now.Add(-time.Hour)
	if allow("victim") {
		t.Error("a clock that was set back gave tries")
	}
	now = now.Add(2 * time.Hour)
	if left, ok := l.Allow("victim", 10, 10*time.Minute, now); left != 9 || !ok {
		t.Errorf("%d are left after an hour, %t", left, ok)
	}
	if len(l.table) != slots {
		t.Errorf("%d are held in mind", len(l.table))
	}
}
