package unit

import "testing"

// What telephones write in place of a keyboard's signs is read as those.
func TestTypedSigns(t *testing.T) {
	for text, want := range map[string]Length{"1½ in": 38.1, "11⁄16″": 17.4625, "3’ 4”": 1016, "1-1/4 in": 31.75,
		"6 ft 8 in": 2032, "11 ft": 3352.8} {
		if got, err := ParseLength(text); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
	if got, err := ParseLength("1/0 in"); err == nil {
		t.Errorf("1/0 in is %v", got)
	}
}
