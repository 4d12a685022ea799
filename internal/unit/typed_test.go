package unit

import "testing"

// What telephones write in place of a keyboard's signs is read as those.
func TestTypedSigns(t *testing.T) {
	for text, want := range map[string]Length{"1½ in": 1.5 * Inch, "11⁄16″": Inch * 11 / 16, "3’ 4”": 3*Foot + 4*Inch, "1-1/4 in": 1.25 * Inch} {
		if got, err := ParseLength(text); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
	if got, err := ParseLength("1/0 in"); err == nil {
		t.Errorf("1/0 in is %v", got)
	}
}
