// Package unit names the physical quantities of the program as types, reads
// them as people write them and prints them in the units a person chose.
//
// It is pure, imports nothing of ours and is used by every other package.
package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Length is a length in millimetres. Stored lengths are finite and >= 0.
type Length float64

// The lengths people use, in millimetres (exact by the 1959 yard and pound agreement).
const (
	Millimetre Length = 1
	Centimetre Length = 10
	Inch       Length = 25.4
	Foot       Length = 304.8
)

// Celsius is a temperature in degrees Celsius.
type Celsius float64

// Kelvin returns c on the absolute scale: T = c + 273.15.
func (c Celsius) Kelvin() float64 { return float64(c) + 273.15 }

// Days is a span in days of 24 hours; fractions are allowed.
type Days float64

// Year is the mean Gregorian year in days.
const Year Days = 365.2425

// System is the set of units a person reads.
type System string

// The two systems a person may choose between.
const (
	Imperial System = "in"
	Metric   System = "mm"
)

// Format prints l for a person: inches to the nearest sixteenth, or
// millimetres to the nearest tenth. An empty system prints both.
func (l Length) Format(s System) string {
	switch s {
	case Metric:
		return strconv.FormatFloat(math.Round(float64(l)*10)/10, 'f', -1, 64) + " mm"
	case Imperial:
		return l.inches()
	default:
		return l.Format(Imperial) + " (" + l.Format(Metric) + ")"
	}
}

func (l Length) inches() string {
	n := int(math.Round(float64(l/Inch) * 16))
	whole, part := n/16, n%16
	if part == 0 {
		return strconv.Itoa(whole) + " in"
	}
	den := 16
	for part%2 == 0 {
		part, den = part/2, den/2
	}
	if whole == 0 {
		return fmt.Sprintf("%d/%d in", part, den)
	}
	return fmt.Sprintf("%d-%d/%d in", whole, part, den)
}

// Feet returns l in feet.
func (l Length) Feet() float64 { return float64(l / Foot) }

// Metres returns l in metres.
func (l Length) Metres() float64 { return float64(l) / 1000 }

// LengthForm is what ParseLength accepts, in words for a report.
const LengthForm = "a number with mm, cm, in or ft, such as 19 mm, 3/4 in, 1-1/4 in or 6 ft 8 in"

var lengthUnits = map[string]Length{
	"mm": Millimetre, "cm": Centimetre, "in": Inch, "inch": Inch, "inches": Inch, `"`: Inch,
	"ft": Foot, "foot": Foot, "feet": Foot, "'": Foot,
}

// ParseLength reads a length with its unit: "19 mm", "2.5cm", "3/4 in",
// "1-1/4 in", "12 ft", "6 ft 8 in". A number without a unit is refused, since
// guessing it wrong is off by a factor of 25. The result is rounded to a millionth of
// a millimetre, so that 6 ft 8 in and 80 in are the same.
func ParseLength(s string) (Length, error) {
	bad := func() error { return fmt.Errorf("%q is not a length: write %s", s, LengthForm) }
	rest := strings.TrimSpace(typed.Replace(strings.ToLower(s)))
	if rest == "" {
		return 0, bad()
	}
	var total Length
	last := Length(math.Inf(1))
	for rest != "" {
		num, tail := splitNumber(rest)
		word, next := splitWord(tail)
		u, ok := lengthUnits[word]
		n, err := parseNumber(num)
		if !ok || err != nil || u >= last {
			return 0, bad()
		}
		last = u
		total += Length(n) * u
		rest = strings.TrimSpace(next)
	}
	if math.IsInf(float64(total), 0) || total < 0 {
		return 0, bad()
	}
	return Length(math.Round(float64(total)*1e6) / 1e6), nil // 6 ft 8 in are 80 in
}

// Complete returns a text with the system's unit when it is a bare number, as people write
// it into a box that shows its unit. A system that is not known adds nothing.
func (s System) Complete(text string) string {
	t := strings.TrimSpace(typed.Replace(text))
	num, rest := splitNumber(t)
	if _, err := parseNumber(num); err != nil || rest != "" || s == "" {
		return text
	}
	return num + " " + string(s)
}

// CompleteTemp is Complete for temperatures: °F beside inches, °C beside millimetres.
func (s System) CompleteTemp(text string) string {
	if _, err := strconv.ParseFloat(strings.TrimSpace(text), 64); err != nil || s == "" {
		return text
	}
	return strings.TrimSpace(text) + " " + map[System]string{Imperial: "F", Metric: "C"}[s]
}

// typed are the signs that telephones and word processors put in place of those of a
// keyboard.
var typed = strings.NewReplacer("\u201d", `"`, "\u201c", `"`, "\u2033", `"`, "\u2019", "'", "\u2032", "'", "\u2044",
	"/",
	"\u00bd", " 1/2", "\u00bc", " 1/4", "\u00be", " 3/4", "\u215b", " 1/8", "\u215c", " 3/8", "\u215d", " 5/8", "\u215e",
	" 7/8")

// splitNumber cuts s after its leading digits, points, slashes, hyphens and
// spaces.
func splitNumber(s string) (num, rest string) {
	i := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("0123456789./- ", r) })
	if i < 0 {
		return s, ""
	}
	return strings.TrimSpace(s[:i]), s[i:]
}

func splitWord(s string) (word, rest string) {
	if s != "" && (s[0] == '"' || s[0] == '\'') {
		return s[:1], s[1:]
	}
	i := strings.IndexFunc(s, func(r rune) bool { return r < 'a' || r > 'z' })
	if i < 0 {
		return s, ""
	}
	return s[:i], s[i:]
}

// parseNumber reads 12, 12.5, 3/4, 1-1/4 or 1 1/4.
func parseNumber(s string) (float64, error) {
	if strings.HasPrefix(s, "-") {
		return 0, fmt.Errorf("%q is below zero", s)
	}
	whole, frac, mixed := strings.Cut(strings.ReplaceAll(s, "-", " "), " ")
	if !mixed {
		whole, frac = "", whole
	}
	n := 0.0
	if whole != "" {
		w, err := strconv.ParseUint(whole, 10, 32)
		if err != nil || !strings.Contains(frac, "/") {
			return 0, fmt.Errorf("%q is not a number", s)
		}
		n = float64(w)
	}
	frac = strings.TrimSpace(frac)
	a, b, isFrac := strings.Cut(frac, "/")
	if !isFrac {
		f, err := strconv.ParseFloat(frac, 64)
		return f, err
	}
	p, err1 := strconv.ParseUint(a, 10, 32)
	q, err2 := strconv.ParseUint(b, 10, 32)
	if err1 != nil || err2 != nil || q == 0 {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return n + float64(p)/float64(q), nil
}

// PerDay is a rate in events per day, >= 0.
type PerDay float64

// RateForm is what ParseRate accepts, in words for a report.
const RateForm = "a number per day, week, month or year, such as 2/week"

var spans = map[string]float64{"day": 1, "week": 7, "month": float64(Year) / 12, "year": float64(Year)}

// ParseRate reads "2/week", "0.5/day", "25/year" or a bare "0".
func ParseRate(s string) (PerDay, error) {
	num, per, _ := strings.Cut(strings.TrimSpace(s), "/")
	n, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	d, ok := spans[strings.TrimSpace(per)]
	if err == nil && n == 0 && per == "" {
		return 0, nil
	}
	if err != nil || !ok || n < 0 || math.IsInf(n, 0) || math.IsNaN(n) {
		return 0, fmt.Errorf("%q is not a rate: write %s", s, RateForm)
	}
	return PerDay(n / d), nil
}

// Fraction is a share in [0, 1].
type Fraction float64

// ParseFraction reads "35 %" or "0.35"; values outside [0, 1] are refused.
func ParseFraction(s string) (Fraction, error) {
	t, percent := strings.CutSuffix(strings.TrimSpace(s), "%")
	f, err := strconv.ParseFloat(strings.TrimSpace(t), 64)
	if percent {
		f /= 100
	}
	if err != nil || !(f >= 0 && f <= 1) {
		return 0, fmt.Errorf("%q is not a share: write a number from 0 to 1, or 0 %% to 100 %%", s)
	}
	return Fraction(f), nil
}

// ParseCelsius reads "70 C" or "158 F"; a number without a scale is refused.
func ParseCelsius(s string) (Celsius, error) {
	t := strings.TrimSpace(strings.ToUpper(strings.ReplaceAll(s, "°", "")))
	bad := func() error {
		return fmt.Errorf("%q is not a temperature: write a number with C or F, such as 21 C or 70 F", s)
	}
	if len(t) < 2 {
		return 0, bad()
	}
	f, err := strconv.ParseFloat(strings.TrimSpace(t[:len(t)-1]), 64)
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return 0, bad()
	}
	switch t[len(t)-1] {
	case 'C':
	case 'F':
		f = (f - 32) / 1.8
	default:
		return 0, bad()
	}
	if f < -90 || f > 200 {
		return 0, fmt.Errorf("%q is outside -90 C to 200 C", s)
	}
	return Celsius(f), nil
}
