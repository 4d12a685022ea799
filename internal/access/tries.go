package access

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"hash/maphash"
	"net/netip"
	"strings"
	"sync"
	"time"
)

// How many tries there are in ten minutes. A member is held with the host that guesses:
// nobody can lock another out from elsewhere. Guesses from many hosts at one member are
// held too, but not in browsers in which that member has signed in before.
const (
	perHost   = 60
	perPair   = 10 // of one host at one member
	perMember = 100
	perKnown  = 10 // of a browser that the member has used
	refill    = 10 * time.Minute
)

// slots bounds what is held in mind. Who shares a slot shares its tries; the seed is
// random, so that nobody can aim at the slot of another.
const slots = 1 << 16

// tries counts attempts by key. The zero value is ready to use.
type tries struct {
	mu   sync.Mutex
	seed maphash.Seed
	held []slot
}

// slot tells which share of its tries a key has used up, and when it last tried.
type slot struct {
	used float64
	at   time.Time
}

// allow lets so many tries through at once, and then as many in ten minutes.
func (t *tries) allow(key string, most int) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.held == nil {
		t.seed, t.held = maphash.MakeSeed(), make([]slot, slots)
	}
	s := &t.held[maphash.String(t.seed, key)%slots]
	now := time.Now()
	s.used = max(0, s.used-float64(now.Sub(s.at))/float64(refill))
	s.at = now
	const rounding = 1e-9
	if s.used+1/float64(most) > 1+rounding {
		return false
	}
	s.used += 1 / float64(most)
	return true
}

// network returns the part of a host's address by which it is counted: one IPv6 network
// of 64 bits is one customer's.
func network(host string) string {
	a, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

// Remember returns what a browser keeps by which it is known as one in which a member
// has signed in.
func (a *Access) Remember(email string) string {
	b := make([]byte, 16)
	_, _ = rand.Read(b) // never fails
	id := base64.RawURLEncoding.EncodeToString(b)
	return id + "." + a.seal(email, id)
}

// knows returns the name of a browser in which a member has signed in before, or "".
func (a *Access) knows(email, kept string) string {
	id, seal, _ := strings.Cut(kept, ".")
	if len(a.Key) == 0 || id == "" || !hmac.Equal([]byte(seal), []byte(a.seal(email, id))) {
		return ""
	}
	return id
}

func (a *Access) seal(email, id string) string {
	m := hmac.New(sha256.New, a.Key)
	m.Write([]byte("known browser\x00" + strings.ToLower(strings.TrimSpace(email)) + "\x00" + id))
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil))
}

// mayTry reports whether somebody may try a member's password now.
func (a *Access) mayTry(email, host, kept string) bool {
	if id := a.knows(email, kept); id != "" {
		return a.tries.allow("browser|"+id, perKnown)
	}
	host = network(host)
	return a.tries.allow("host|"+host, perHost) && a.tries.allow("pair|"+host+"|"+email, perPair) &&
		a.tries.allow("member|"+email, perMember)
}
