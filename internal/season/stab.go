package season

import (
	"cmp"
	"slices"
)

// span is a window in numbered days, both ends included.
type span struct{ first, last int }

// stab returns the fewest points such that every span holds one: by right end, a
// point at the end of each span that holds none yet. No fewer can do, because the
// spans that got a point are pairwise apart.
func stab(spans []span) (points []int) {
	order := slices.Clone(spans)
	slices.SortFunc(order, func(a, b span) int { return cmp.Compare(a.last, b.last) })
	for _, s := range order {
		if n := len(points); n == 0 || points[n-1] < s.first {
			points = append(points, s.last)
		}
	}
	return points
}
