package httpkit

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// limit stands for the server's time limits, which are long.
const limit = 150 * time.Millisecond

func limited(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	srv := httptest.NewUnstartedServer(Wrap(h, slog.New(slog.DiscardHandler)))
	srv.Config.ReadTimeout, srv.Config.WriteTimeout = limit, limit
	srv.Start()
	t.Cleanup(srv.Close)
	return srv.URL
}

// The time for a body ends with the body: a request that takes longer goes on, and its
// answer arrives.
func TestLongRequestIsAnswered(t *testing.T) {
	url := limited(t, func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		select {
		case <-r.Context().Done():
			err = errors.Join(err, context.Cause(r.Context()))
		case <-time.After(3 * limit):
		}
		fmt.Fprintf(w, "%s %v", b, err)
	})
	for _, method := range []string{"GET", "POST"} {
		body := map[string]string{"GET": "", "POST": "a body"}[method]
		for range 2 { // also the next one on the same connection
			req, _ := http.NewRequest(method, url, strings.NewReader(body))
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Errorf("%s: %v", method, err)
				continue
			}
			said, err := io.ReadAll(resp.Body)
			_ = resp.Body.Close() // was only read
			if want := body + " <nil>"; err != nil || string(said) != want {
				t.Errorf("%s: %q %v", method, said, err)
			}
		}
	}
}

// A body that does not come to an end is still cut off.
func TestSlowBodyIsCut(t *testing.T) {
	read := make(chan error, 1)
	url := limited(t, func(_ http.ResponseWriter, r *http.Request) {
		_, err := io.ReadAll(r.Body)
		read <- err
	})
	c, err := net.Dial("tcp", strings.TrimPrefix(url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close() //nolint:errcheck // the test is over
	if _, err := io.WriteString(c, "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\nhalf"); err != nil {
		t.Fatal(err)
	}
	if err := <-read; err == nil {
		t.Error("half a body was read as a whole one")
	}
}

// Who is told to come back later is told when.
func TestUnavailableSaysWhen(t *testing.T) {
	for _, c := range []struct {
		status     int
		said, want string
	}{{http.StatusServiceUnavailable, "", "5"}, {http.StatusServiceUnavailable, "60", "60"},
		{http.StatusConflict, "", ""}} {
		rec := httptest.NewRecorder()
		Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			if c.said != "" {
				w.Header().Set("Retry-After", c.said)
			}
			w.WriteHeader(c.status)
		}), slog.New(slog.DiscardHandler)).ServeHTTP(rec, httptest.NewRequest("GET", "/", nil))
		if got := rec.Header().Get("Retry-After"); got != c.want {
			t.Errorf("%d with %q: Retry-After %q", c.status, c.said, got)
		}
	}
}
