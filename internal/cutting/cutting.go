// Package cutting cuts pieces from stock: remnants first, then as few new coils
// as it can, with a lower bound beside the answer.
//
// It is pure arithmetic on whole numbers of any one unit of length; it imports
// nothing of ours and knows no vocabulary. Package season calls it.
package cutting

import (
	"cmp"
	"slices"
)

// Bar is one length of stock with the pieces cut from it.
type Bar struct {
	Length int
	New    bool  // a coil, not a remnant
	Pieces []int // indexes into Order.Pieces, in the order they are cut
	Left   int   // Length less the pieces
}

// Order is what is to be cut from what. All lengths are whole numbers of one
// unit, greater than 0.
type Order struct {
	Pieces   []int
	Remnants []int // at hand, used before a coil is opened
	Coil     int   // length of a new coil; every coil is alike
}

// Cut is an answer.
type Cut struct {
	Bars    []Bar // those that are cut into: remnants first, then coils
	TooLong []int // indexes of pieces longer than any stock
	Coils   int   // new coils opened
	Bound   int   // no way of cutting opens fewer coils than this
}

// Optimal reports whether no way of cutting opens fewer coils.
func (c Cut) Optimal() bool { return c.Coils == c.Bound }

// exactPieces is how many pieces the search for something better than first-fit
// decreasing takes on, and steps how long it looks. Both keep it below some
// milliseconds; the answer stays the same on every machine.
const (
	exactPieces = 40
	steps       = 200_000
)

// Make cuts an order: first-fit decreasing over the remnants, shortest first, and
// then over coils; when that opens more coils than the bound and the order is
// small, by a search that completes one coil after the other. First-fit
// decreasing opens at most 11/9 of the fewest coils and 6/9 more (Dósa 2007).
func Make(o Order) Cut {
	var c Cut
	longest := o.Coil
	for _, r := range o.Remnants {
		longest = max(longest, r)
	}
	var order []int
	for i, p := range o.Pieces {
		if p > longest {
			c.TooLong = append(c.TooLong, i)
		} else {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(o.Pieces[b], o.Pieces[a]) })
	remnants := slices.Sorted(slices.Values(o.Remnants))
	c.Bound = bound(o, order, remnants)
	rest := c.useRemnants(o, order, remnants)
	coils := firstFit(o, rest)
	if len(rest) <= exactPieces && len(coils) > lower(o, rest) {
		if better := complete(o, rest, len(coils)); better != nil {
			coils = better
		}
	}
	c.Coils = len(coils)
	c.Bars = append(c.Bars, coils...)
	return c
}

// useRemnants cuts what fits from the remnants and returns the pieces left. A
// piece longer than a coil can only come from a remnant and is taken first, as
// order is falling.
func (c *Cut) useRemnants(o Order, order, remnants []int) (rest []int) {
	bars := make([]Bar, len(remnants))
	for i, r := range remnants {
		bars[i] = Bar{Length: r, Left: r}
	}
	for _, i := range order {
		k := slices.IndexFunc(bars, func(b Bar) bool { return b.Left >= o.Pieces[i] })
		switch {
		case k >= 0:
			bars[k].Pieces, bars[k].Left = append(bars[k].Pieces, i), bars[k].Left-o.Pieces[i]
		case o.Pieces[i] > o.Coil: // another piece took its remnant
			c.TooLong = append(c.TooLong, i)
		default:
			rest = append(rest, i)
		}
	}
	for _, b := range bars {
		if len(b.Pieces) > 0 {
			c.Bars = append(c.Bars, b)
		}
	}
	return rest
}

// firstFit is first-fit decreasing over new coils. A tree over the coils' free
// lengths finds the first that fits in logarithmic time.
func firstFit(o Order, order []int) []Bar {
	size := 1
	for size < len(order) {
		size *= 2
	}
	free := make([]int, 2*size) // free[1] is the root: the most free length below it
	for i := range free {
		free[i] = o.Coil
	}
	var bars []Bar
	for _, i := range order {
		k := 1
		for k < size {
			if k *= 2; free[k] < o.Pieces[i] {
				k++
			}
		}
		leaf := k - size
		if leaf == len(bars) {
			bars = append(bars, Bar{Length: o.Coil, New: true, Left: o.Coil})
		}
		b := &bars[leaf]
		b.Pieces, b.Left = append(b.Pieces, i), b.Left-o.Pieces[i]
		for free[k] = b.Left; k > 1; {
			k /= 2
			free[k] = max(free[2*k], free[2*k+1])
		}
	}
	return bars
}
