package cutting

import (
	"slices"
	"sort"
)

// bound returns a number of coils that no way of cutting goes below: the pieces
// that no remnant can hold need lower of them, and all pieces together at least
// the length that the remnants do not have.
func bound(o Order, order, remnants []int) int {
	longest, stock, sum := 0, 0, 0
	for _, r := range remnants {
		longest, stock = max(longest, r), stock+r
	}
	var only []int
	for _, i := range order {
		if o.Pieces[i] > o.Coil {
			continue // from a remnant, or not at all
		}
		sum += o.Pieces[i]
		if o.Pieces[i] > longest {
			only = append(only, i)
		}
	}
	n := lower(o, only)
	if sum > stock && o.Coil > 0 {
		n = max(n, (sum-stock+o.Coil-1)/o.Coil)
	}
	return n
}

// lower is the second bound of Martello and Toth (1990) for pieces cut from coils
// alone: for every length k up to half a coil, pieces longer than coil-k have a
// coil each, pieces longer than half a coil too, and what of the pieces from k up
// to half does not fit beside the latter needs more.
func lower(o Order, order []int) int {
	sum := make([]int, len(order)+1) // of the first pieces; order is falling
	for n, i := range order {
		sum[n+1] = sum[n] + o.Pieces[i]
	}
	// longer returns how many pieces are longer than l.
	longer := func(l int) int {
		return sort.Search(len(order), func(n int) bool { return o.Pieces[order[n]] <= l })
	}
	half, best, last := longer(o.Coil/2), 0, -1
	for _, i := range append(slices.Clone(order[half:]), -1) {
		k := 0
		if i >= 0 {
			k = o.Pieces[i]
		}
		if k == last {
			continue
		}
		last = k
		alone := longer(o.Coil - k)
		beside := (half-alone)*o.Coil - (sum[half] - sum[alone])
		more := 0
		if small := sum[longer(k-1)] - sum[half]; small > beside {
			more = (small - beside + o.Coil - 1) / o.Coil
		}
		best = max(best, half+more)
	}
	return best
}

// search completes coils one after the other.
type search struct {
	o     Order
	order []int // pieces, longest first
	used  []bool
	bars  [][]int
	best  [][]int
	goal  int // a number of coils to beat
	least int // and one that cannot be beaten
	left  int // length of the unused pieces
	steps int
}

// complete looks for fewer than most coils; nil when it found none. Each coil
// begins with the longest piece left, filled as full as it goes first.
func complete(o Order, order []int, most int) []Bar {
	s := &search{o: o, order: order, used: make([]bool, len(order)), goal: most, least: lower(o, order), steps: steps}
	for _, i := range order {
		s.left += o.Pieces[i]
	}
	s.coil()
	if s.best == nil {
		return nil
	}
	var bars []Bar
	for _, pieces := range s.best {
		b := Bar{Length: o.Coil, New: true, Left: o.Coil, Pieces: pieces}
		for _, i := range pieces {
			b.Left -= o.Pieces[i]
		}
		bars = append(bars, b)
	}
	return bars
}

// coil fills the next coil in every useful way; it returns true when the search
// is over.
func (s *search) coil() bool {
	first := -1
	for k := range s.order {
		if !s.used[k] {
			first = k
			break
		}
	}
	if first < 0 {
		s.goal, s.best = len(s.bars), nil
		for _, b := range s.bars {
			s.best = append(s.best, append([]int(nil), b...))
		}
		return s.goal <= s.least
	}
	if len(s.bars)+(s.left+s.o.Coil-1)/s.o.Coil >= s.goal {
		return false
	}
	return s.fill(first, s.o.Coil, nil)
}

// fill puts piece k into the present coil and then tries the later ones, the
// longest that fits first; a piece as long as one just left out is left out too.
func (s *search) fill(k, free int, bar []int) bool {
	if s.steps--; s.steps < 0 {
		return true
	}
	i := s.order[k]
	s.used[k], s.left = true, s.left-s.o.Pieces[i]
	bar, free = append(bar, i), free-s.o.Pieces[i]
	last, fits := -1, false
	over := false
	for m := k + 1; m < len(s.order) && !over; m++ {
		if p := s.o.Pieces[s.order[m]]; !s.used[m] && p <= free && p != last {
			last, fits = p, true
			over = s.fill(m, free, bar)
		}
	}
	if !over && !fits { // nothing more goes in: a full coil
		s.bars = append(s.bars, bar)
		over = s.coil()
		s.bars = s.bars[:len(s.bars)-1]
	}
	s.used[k], s.left = false, s.left+s.o.Pieces[i]
	return over
}
