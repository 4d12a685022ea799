package httpkit

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"syscall"
	"time"
)

// ErrInside is returned for an address inside the operator's own network.
var ErrInside = errors.New("it leads into a private network")

// inside are ranges that the standard library does not call private but that lead
// nowhere outside, or back inside: this network, shared space (RFC 6598), test
// networks (RFC 2544), reserved, and IPv4 wrapped in IPv6 (RFC 6052, RFC 3056).
var inside = []netip.Prefix{netip.MustParsePrefix("0.0.0.0/8"), netip.MustParsePrefix("100.64.0.0/10"),
	netip.MustParsePrefix("198.18.0.0/15"), netip.MustParsePrefix("240.0.0.0/4"),
	netip.MustParsePrefix("64:ff9b::/96"), netip.MustParsePrefix("2002::/16")}

// Outside reports whether an address may be reached for somebody else's sake: no
// private, loopback, link-local, multicast or unspecified one.
func Outside(a netip.Addr) bool {
	a = a.Unmap()
	return a.IsValid() && a.IsGlobalUnicast() && !a.IsPrivate() && !a.IsLoopback() && !a.IsLinkLocalUnicast() &&
		!slices.ContainsFunc(inside, func(p netip.Prefix) bool {
			return p.Contains(a)
		})
}

// Guarded returns a client for addresses that users give us. The address that is
// really connected to is checked, after the name was looked up, so that a name
// that changes its address gains nothing. Redirects are not followed. Hosts on the
// allow list, as the operator wrote them, may be inside.
func Guarded(allow []string, timeout time.Duration) *http.Client {
	plain := &net.Dialer{Timeout: timeout / 2}
	guarded := &net.Dialer{Timeout: timeout / 2, Control: func(_, address string, _ syscall.RawConn) error {
		ap, err := netip.ParseAddrPort(address)
		if err != nil || !Outside(ap.Addr()) {
			return ErrInside
		}
		return nil
	}}
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		if host, _, err := net.SplitHostPort(address); err == nil && slices.Contains(allow, host) {
			return plain.DialContext(ctx, network, address)
		}
		return guarded.DialContext(ctx, network, address)
	}
	return &http.Client{
		Timeout: timeout,
		Transport: &http.Transport{DialContext: dial, TLSHandshakeTimeout: timeout / 2, ResponseHeaderTimeout: timeout,
			MaxIdleConnsPerHost: 2, IdleConnTimeout: time.Minute},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// maxFetch bounds what is read from an address that a user gave.
const maxFetch = 4 << 20

// Get returns the body at an address; any answer but 200, and a body over 4 MiB,
// is an error.
func Get(ctx context.Context, c *http.Client, address string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	res, err := c.Do(req)
	if err != nil {
		if errors.Is(err, ErrInside) {
			return nil, ErrInside
		}
		return nil, err
	}
	defer res.Body.Close() //nolint:errcheck // read only
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("it answers %s", res.Status)
	}
	b, err := io.ReadAll(io.LimitReader(res.Body, maxFetch+1))
	if err == nil && len(b) > maxFetch {
		return nil, fmt.Errorf("it is larger than %d MiB", maxFetch>>20)
	}
	return b, err
}
