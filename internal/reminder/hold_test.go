package reminder

import (
	"slices"
	"testing"

	"sealmanac/internal/coach"
)

// A day is unusual past either fixed figure, and past twice the median of ten days.
func TestUnusual(t *testing.T) {
	ten := func(n int) []int { return slices.Repeat([]int{n}, UsualDays) }
	for _, c := range []struct {
		name        string
		total, most int
		past        []int
		want        bool
	}{
		{"nothing", 0, 0, nil, false},
		{"fifty, ten to one", 50, 10, nil, false},
		{"fifty-one", 51, 1, nil, true},
		{"eleven to one", 11, 11, nil, true},
		{"nine days do not tell what is usual", 60, 1, slices.Repeat([]int{60}, 9), true},
		{"ten days do", 60, 1, ten(60), false},
		{"twice the median", 60, 1, ten(30), false},
		{"over twice the median", 61, 1, ten(30), true},
		{"few, though over twice the median", 50, 10, ten(1), false},
		{"many to one, as always", 22, 22, ten(11), false},
		{"many to one, over twice as usual", 23, 23, ten(11), true},
		{"the mean of the two middle days", 63, 1, []int{1, 1, 1, 1, 30, 32, 90, 90, 90, 90}, true},
		{"the mean of the two middle days, just", 62, 1, []int{1, 1, 1, 1, 30, 32, 90, 90, 90, 90}, false},
		{"an eleventh day does not count", 61, 1, append(ten(30), 1000), true},
	} {
		if got := Unusual(c.total, c.most, c.past); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestOrdinary(t *testing.T) {
	for kind, want := range map[coach.TaskKind]bool{coach.Clean: true, coach.ReplaceSeal: true, coach.SafetyStop: false,
		coach.BookedVisit: false} {
		if n := (Notice{Task: kind}); n.Ordinary() != want {
			t.Errorf("%s: %v", kind, n.Ordinary())
		}
	}
	if n := (Notice{Task: LotTask, TaskKey: LotKey("x")}); n.Ordinary() {
		t.Error("a message about a lot counts towards an unusual day")
	}
}
