package httpkit

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"
)

func TestOutside(t *testing.T) {
	for text, want := range map[string]bool{
		"93.184.216.34": true, "2606:4700::1": true, "127.0.0.1": false, "::1": false, "10.1.2.3": false, "172.16.0.1": false,
		"192.168.1.1": false, "169.254.169.254": false,
		"100.64.0.1": false, "0.1.2.3": false, "198.18.0.1": false, "250.0.0.1": false, "64:ff9b::a00:1": false,
		"2002:a00:1::1": false, "0.0.0.0": false, "::": false, "fe80::1": false, "fd00::1": false, "224.0.0.1": false,
		"255.255.255.255": false, "::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false,
	} {
		if got := Outside(netip.MustParseAddr(text)); got != want {
			t.Errorf("%s: %v", text, got)
		}
	}
}

func TestGuardedGet(t *testing.T) {
	hits := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		hits++
		switch r.URL.Path {
		case "/big":
			_, _ = w.Write([]byte(strings.Repeat("x", maxFetch+1)))
		case "/away":
			http.Redirect(w, r, "/", http.StatusFound)
		default:
			_, _ = w.Write([]byte("fine"))
		}
	}))
	defer srv.Close()
	_, port, _ := strings.Cut(strings.TrimPrefix(srv.URL, "http://"), ":")
	strict := Guarded(nil, 5*time.Second)
	for _, host := range []string{"127.0.0.1", "localhost", "[::ffff:127.0.0.1]", "0.0.0.0"} {
		if _, err := Get(t.Context(), strict, "http://"+host+":"+port+"/"); !errors.Is(err, ErrInside) {
			t.Errorf("%s: %v", host, err)
		}
	}
	if hits != 0 {
		t.Fatalf("%d requests went inside", hits)
	}
	open := Guarded([]string{"127.0.0.1"}, 5*time.Second)
	if b, err := Get(t.Context(), open, srv.URL+"/"); err != nil || string(b) != "fine" {
		t.Errorf("allowed: %q %v", b, err)
	}
	for _, path := range []string{"/big", "/away"} {
		if _, err := Get(t.Context(), open, srv.URL+path); err == nil {
			t.Errorf("%s was read", path)
		}
	}
	if _, err := Get(t.Context(), strict, srv.URL); !errors.Is(err, ErrInside) {
		t.Errorf("a host of another client's list: %v", err)
	}
}
