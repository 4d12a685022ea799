package reminder

import (
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/rulebook"
)

// An answer holds until the day before its end, the strongest of those that hold counts,
// and an agreed day counts most.
func TestStands(t *testing.T) {
	r := &rulebook.Rulebook{Tasks: map[coach.TaskKind]rulebook.Task{coach.Inspect: {Shop: true}}}
	r.Manners.BookingDays = 14
	day := civil.Of(2026, 3, 3)
	later := func(until civil.Date) Answer { return Answer{TaskKey: "k", Kind: Later, Day: day - 40, Until: until} }
	book := func(on civil.Date) Answer { return Answer{TaskKey: "k", Kind: Book, Day: on} }
	for name, c := range map[string]struct {
		kind    coach.TaskKind
		answers []Answer
		pins    []coach.Pin
		want    Standing
		until   civil.Date
	}{
		"nothing was said":       {kind: coach.Inspect, want: StandsOpen},
		"put off until tomorrow": {coach.Inspect, []Answer{later(day + 1)}, nil, StandsPutOff, day + 1},
		"put off until today":    {coach.Inspect, []Answer{later(day)}, nil, StandsOpen, 0},
		"put off by two":         {coach.Inspect, []Answer{later(day + 9), later(day + 5)}, nil, StandsPutOff, day + 9},
		"another task was put off": {coach.Inspect, []Answer{{TaskKey: "other", Kind: Later, Until: day + 5}}, nil,
			StandsOpen, 0},
		"asked 13 days ago":   {coach.Inspect, []Answer{book(day - 13)}, nil, StandsAsked, 0},
		"asked 14 days ago":   {coach.Inspect, []Answer{book(day - 14)}, nil, StandsOpen, 0},
		"asked, then put off": {coach.Inspect, []Answer{book(day - 1), later(day + 5)}, nil, StandsAsked, day + 5},
		"said to be done": {coach.Inspect, []Answer{later(day + 5), {TaskKey: "k", Kind: Done, Day: day - 400}},
			nil, StandsSaid, day + 5},
		"a danger is not put off": {coach.SafetyStop, []Answer{later(day + 5)}, nil, StandsOpen, 0},
		"a danger said to be over": {coach.SafetyStop, []Answer{{TaskKey: "k", Kind: Done, Day: day - 1}}, nil, StandsAsked,
			0},
		"booked today": {coach.Inspect, []Answer{book(day - 1)}, []coach.Pin{{Coach: "c", Day: day}},
			StandsBooked, 0},
		"booked yesterday":        {coach.Inspect, nil, []coach.Pin{{Coach: "c", Day: day - 1}}, StandsOpen, 0},
		"another coach is booked": {coach.Inspect, nil, []coach.Pin{{Coach: "d", Day: day}}, StandsOpen, 0},
		"owners do it":            {coach.Clean, nil, []coach.Pin{{Coach: "c", Day: day}}, StandsOpen, 0},
		"booked for something else": {coach.Inspect, nil, []coach.Pin{{Coach: "c", Day: day, Task: coach.WaterTest}},
			StandsOpen, 0},
	} {
		got, until := Stands(r, Question{Coach: "c", Kind: c.kind, Key: "k", Target: day}, c.pins, c.answers, day)
		if got != c.want || until != c.until {
			t.Errorf("%s: %s until %s, want %s until %s", name, got, until, c.want, c.until)
		}
	}
}
