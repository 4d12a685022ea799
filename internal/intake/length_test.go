package intake

import (
	"testing"

	"sealmanac/internal/unit"
)

// A length that was written comes back as a person would write it, to the same bits.
func TestLengthsReadAsWritten(t *testing.T) {
	for in, want := range map[string]string{"12 ft": "144 in", "11/16 in": "11/16 in", "17 mm": "17 mm",
		"12.35 ft": "12.35 ft", "1.7 cm": "17 mm", "0.53 in": "0.53 in"} {
		l, err := unit.ParseLength(in)
		if err != nil {
			t.Fatal(err)
		}
		got := LengthText(l)
		if back, err := unit.ParseLength(got); err != nil || back != l {
			t.Errorf("%s is written %s and read %v, %v", in, got, back, err)
		}
		if len(got) > len(want)+2 {
			t.Errorf("%s is written %s; want as short as %s", in, got, want)
		}
	}
}
