package returns

import (
	"log/slog"
	"net"
	"testing"
	"time"

	"sealmanac/internal/desk"
)

// A conversation that says a little now and then ends all the same.
func TestConversationsEnd(t *testing.T) {
	s, err := Start(Options{Listen: "127.0.0.1:0", Domain: "returns.example.org",
		Desk: &taker{got: map[string]desk.Return{}}, Log: slog.New(slog.DiscardHandler),
		Read: func(string) (string, bool) { return "", false }, Longest: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	c, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	begun := time.Now()
	go func() {
		for range 600 {
			if _, err := c.Write([]byte("NOOP\r\n")); err != nil {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	buf := make([]byte, 4096)
	for {
		if _, err := c.Read(buf); err != nil {
			break
		}
	}
	if took := time.Since(begun); took < 200*time.Millisecond || took > 5*time.Second {
		t.Errorf("the conversation lasted %v", took)
	}
}
