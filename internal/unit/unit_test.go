package unit

import (
	"math"
	"strings"
	"testing"
)

func TestParseLength(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Length
	}{
		{"19 mm", 19}, {"2.5cm", 25}, {"3/4 in", 19.05}, {"1-1/4 in", 31.75}, {"1 1/4 in", 31.75},
		{"12 ft", 3657.6}, {"6 ft 8 in", 2032}, {`6'8"`, 2032}, {"0 mm", 0}, {"10 MM", 10}, {`3/4"`, 19.05},
	} {
		got, err := ParseLength(c.in)
		if err != nil || math.Abs(float64(got-c.want)) > 1e-9 {
			t.Errorf("ParseLength(%q) = %v, %v; want %v", c.in, got, err, c.want)
		}
	}
	for _, in := range []string{"", "19", "3/0 in", "-3 mm", "1e400 mm", "nan mm", "3 furlongs", "8 in 6 ft", "1/2/3 in",
		"mm", "1.5-1/4 in"} {
		if got, err := ParseLength(in); err == nil {
			t.Errorf("ParseLength(%q) = %v, want an error", in, got)
		}
	}
}

func TestFormatLength(t *testing.T) {
	for _, c := range []struct {
		l    Length
		s    System
		want string
	}{
		{19.05, Imperial, "3/4 in"}, {31.75, Imperial, "1-1/4 in"}, {304.8, Imperial, "12 in"}, {0, Imperial, "0 in"},
		{19.05, Metric, "19.1 mm"}, {12, Metric, "12 mm"}, {25.4, "", "1 in (25.4 mm)"},
	} {
		if got := c.l.Format(c.s); got != c.want {
			t.Errorf("%v in %q = %q, want %q", float64(c.l), c.s, got, c.want)
		}
	}
}

func TestParseOthers(t *testing.T) {
	if r, err := ParseRate("2/week"); err != nil || math.Abs(float64(r)-2.0/7) > 1e-12 {
		t.Errorf("rate %v %v", r, err)
	}
	for _, in := range []string{"2", "-1/day", "2/fortnight", "", "inf/day"} {
		if _, err := ParseRate(in); err == nil {
			t.Errorf("ParseRate(%q) passed", in)
		}
	}
	if f, err := ParseFraction("35 %"); err != nil || math.Abs(float64(f)-.35) > 1e-12 {
		t.Errorf("fraction %v %v", f, err)
	}
	for _, in := range []string{"1.2", "120 %", "", "nan"} {
		if _, err := ParseFraction(in); err == nil {
			t.Errorf("ParseFraction(%q) passed", in)
		}
	}
	if c, err := ParseCelsius("158 F"); err != nil || math.Abs(float64(c)-70) > 1e-9 {
		t.Errorf("celsius %v %v", c, err)
	}
	for _, in := range []string{"70", "", "C", "400 C"} {
		if _, err := ParseCelsius(in); err == nil {
			t.Errorf("ParseCelsius(%q) passed", in)
		}
	}
}

func FuzzParseLength(f *testing.F) {
	for _, s := range []string{"3/4 in", "6 ft 8 in", "19mm", `1'2"`, "1-1/4 in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := ParseLength(s)
		if err != nil {
			if !strings.Contains(err.Error(), "mm") {
				t.Errorf("the report does not say what is allowed: %v", err)
			}
			return
		}
		if l < 0 || math.IsNaN(float64(l)) || math.IsInf(float64(l), 0) {
			t.Errorf("ParseLength(%q) = %v", s, l)
		}
	})
}

// A bare number takes the unit of the page, everything else stays as it was written.
func TestComplete(t *testing.T) {
	for _, c := range []struct {
		s          System
		text, want string
	}{
		{Imperial, "7/8", "7/8 in"}, {Imperial, " 1-1/4 ", "1-1/4 in"}, {Imperial, "1 1/4", "1 1/4 in"},
		{Imperial, "0.875", "0.875 in"}, {Imperial, "⅞", "7/8 in"},
		{Metric, "17", "17 mm"}, {Imperial, "17 mm", "17 mm"}, {Imperial, `7/8"`, `7/8"`}, {Metric, "6 ft 8", "6 ft 8"},
		{"", "17", "17"}, {Imperial, "", ""},
		{Imperial, "1/0", "1/0"}, {Imperial, "-3", "-3"}, {Metric, "wide", "wide"},
	} {
		if got := c.s.Complete(c.text); got != c.want {
			t.Errorf("Complete(%q) in %q = %q, want %q", c.text, c.s, got, c.want)
		}
	}
	for text, want := range map[string]string{"68": "68 F", "-4": "-4 F", "20 C": "20 C", "": ""} {
		if got := Imperial.CompleteTemp(text); got != want {
			t.Errorf("CompleteTemp(%q) = %q, want %q", text, got, want)
		}
	}
	if got := Metric.CompleteTemp("20"); got != "20 C" {
		t.Errorf("%q", got)
	}
}
