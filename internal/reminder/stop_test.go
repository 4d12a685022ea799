package reminder

import (
	"testing"
	"time"
)

// A safety message leaves at once from 7:00 until 21:00, on any day, else at 7:00.
func TestStopTime(t *testing.T) {
	loc, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour, minute, 0, 0, loc) }
	for _, c := range []struct{ now, want time.Time }{
		{at(27, 6, 59), at(27, 7, 0)},
		{at(27, 7, 0), at(27, 7, 0)},
		{at(28, 12, 30), at(28, 12, 30)}, // a Saturday
		{at(29, 20, 59), at(29, 20, 59)}, // a Sunday
		{at(29, 21, 0), at(30, 7, 0)},
		{at(29, 23, 59), at(30, 7, 0)},
		{at(30, 0, 0), at(30, 7, 0)},
	} {
		if got := StopTime(c.now.UTC(), loc); !got.Equal(c.want) {
			t.Errorf("%v: %v, want %v", c.now, got.In(loc), c.want)
		}
	}
	// The night in which the clocks go forward: 7:00 of the new time.
	if got := StopTime(time.Date(2026, 3, 7, 22, 0, 0, 0, loc), loc); got.In(loc).Hour() != 7 || got.In(loc).Day() != 8 {
		t.Errorf("the night of the change: %v", got.In(loc))
	}
}

func TestTel(t *testing.T) {
	for phone, want := range map[string]string{
		"(541) 555-0101": "tel:5415550101", "+1 541 555 0101": "tel:+15415550101", "": "", "ask for Ann": "",
		"541.555.0101": "tel:5415550101",
	} {
		if got := string(Tel(phone)); got != want {
			t.Errorf("%q: %q, want %q", phone, got, want)
		}
	}
}
