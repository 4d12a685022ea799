package httpkit

import (
	"hash/maphash"
	"sync"
	"time"
)

// slots bounds what Limits holds in mind, to 1.5 MiB. Keys that share a slot share what
// is left; the seed is random, so that nobody can aim at the slot of another.
const slots = 1 << 16

// Limits counts attempts by key. Strangers with many keys fill no memory, and make it
// forget nobody's attempts. The zero value is ready to use.
type Limits struct {
	mu    sync.Mutex
	seed  maphash.Seed
	table []slot
}

// slot tells which share of its attempts a key has used up, and when it last tried.
type slot struct {
	used float64
	at   time.Time
}

// Allow counts an attempt of a key that has so many at once, and as many again within a
// time. It reports how many are left, and whether this one was among them.
func (l *Limits) Allow(key string, most int, within time.Duration, now time.Time) (left int, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.table == nil {
		l.seed, l.table = maphash.MakeSeed(), make([]slot, slots)
	}
	s := &l.table[maphash.String(l.seed, key)%slots]
	if passed := now.Sub(s.at); passed > 0 { // a clock that is set back refills nothing
		s.used = max(0, s.used-float64(passed)/float64(within))
		s.at = now
	}
	const rounding = 1e-9
	each := 1 / float64(most)
	if s.used+each <= 1+rounding {
		s.used += each
		ok = true
	}
	return int((1-s.used)*float64(most) + rounding*float64(most)), ok
}
