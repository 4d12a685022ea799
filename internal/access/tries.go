package access

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/netip"
	"strings"
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

// allow counts a try of a key that has so many at once.
func (a *Access) allow(key string, most int) bool {
	_, ok := a.tries.Allow(key, most, refill, time.Now())
	return ok
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
		return a.allow("browser|"+id, perKnown)
	}
	host = network(host)
	return a.allow("host|"+host, perHost) && a.allow("pair|"+host+"|"+email, perPair) &&
		a.allow("member|"+email, perMember)
}
