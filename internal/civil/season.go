package civil

// Season is the part of every year in which a coach is used: it opens and
// closes on days of the year and may span the new year. The zero value means
// "no season": the coach is used, or stands, the same all year.
type Season struct {
	Opens  MonthDay // first day of use
	Closes MonthDay // last day of use
}

// IsZero reports whether there is no season.
func (s Season) IsZero() bool { return s.Opens.IsZero() }

// Holds reports whether d is a day of use. Without a season it is false.
func (s Season) Holds(d Date) bool {
	if s.IsZero() {
		return false
	}
	return s.Closes.NextFrom(s.Opens.LastUntil(d)) >= d
}

// OpeningBefore returns the opening that serves a need of day d: the opening of
// the season that d lies in, or the next opening when d lies outside one.
// Without a season it returns 0.
func (s Season) OpeningBefore(d Date) Date {
	switch {
	case s.IsZero():
		return 0
	case s.Holds(d):
		return s.Opens.LastUntil(d)
	default:
		return s.Opens.NextFrom(d)
	}
}
