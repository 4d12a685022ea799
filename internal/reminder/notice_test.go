package reminder_test

import (
	"os"
	"regexp"
	"slices"
	"testing"

	"sealmanac/internal/reminder"
)

var constant = regexp.MustCompile(`(?m)^\t\w+ +Reason += "(\w+)"`)

// Every reason that the code can give is in the list, which metrics start from.
func TestReasonsAreAll(t *testing.T) {
	code, err := os.ReadFile("reminder.go")
	if err != nil {
		t.Fatal(err)
	}
	var want []reminder.Reason
	for _, m := range constant.FindAllStringSubmatch(string(code), -1) {
		want = append(want, reminder.Reason(m[1]))
	}
	got := slices.Clone(reminder.Reasons)
	slices.Sort(got)
	slices.Sort(want)
	if len(want) < 15 || !slices.Equal(got, want) {
		t.Errorf("the list has %v, the code %v", got, want)
	}
}

func TestShort(t *testing.T) {
	for id, want := range map[string]string{"": "", "ab12": "ab12", "0123456789abcdef": "0123456789ab"} {
		if got := reminder.Short(id); got != want {
			t.Errorf("%q: %q", id, got)
		}
	}
}
