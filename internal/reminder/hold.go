package reminder

import (
	"slices"

	"sealmanac/internal/coach"
)

// Why a message waits for a person's decision.
const (
	HoldPaused  = "paused"  // its account sends nothing yet, or for now
	HoldUnusual = "unusual" // the day would send far more than is usual
)

// The bounds of an ordinary day. Our defaults; common practice, no source.
const (
	UsualMessages = 50 // messages of a day
	UsualToOne    = 10 // of them to one person
	UsualDays     = 10 // how many sending days tell what is usual for an account
)

// Ordinary reports whether a notice counts towards an unusual day and waits on one. A
// danger and the reminder of an agreed day do not, nor does what a person sends by hand.
func (n *Notice) Ordinary() bool {
	return n.Task != coach.SafetyStop && n.Task != coach.BookedVisit && !n.IsLot()
}

// Unusual reports whether a day of total messages, most of them to one person, is to be
// held for a decision: it passes UsualMessages or UsualToOne, and twice the median of the
// last UsualDays sending days. With fewer days on record the fixed figures alone hold.
// past are the messages of earlier sending days, the latest first.
func Unusual(total, most int, past []int) bool {
	if total <= UsualMessages && most <= UsualToOne {
		return false
	}
	if len(past) < UsualDays {
		return true
	}
	return float64(total) > 2*median(past[:UsualDays])
}

// median returns the middle of some numbers, the mean of the two middle ones when they
// are even in count.
func median(xs []int) float64 {
	s := slices.Sorted(slices.Values(xs))
	k := len(s) / 2
	if len(s)%2 == 1 {
		return float64(s[k])
	}
	return float64(s[k-1]+s[k]) / 2
}
