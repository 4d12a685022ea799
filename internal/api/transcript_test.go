package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/httpkit"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
	"sealmanac/internal/webhook"
)

// refused waits until a try to reach an endpoint has failed: the next one comes only
// after a while, so that what is heard then is in a known order.
func refused(t *testing.T, x *rig, name string) {
	t.Helper()
	for end := time.Now().Add(15 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		var e store.Endpoint
		if err := x.db.View(t.Context(), func(tx *store.Tx) (err error) {
			e, err = tx.EndpointByID(t.Context(), "one", name)
			return err
		}); err != nil || time.Now().After(end) {
			t.Fatalf("no try failed: %+v %v", e, err)
		}
		if e.Tries > 0 {
			return
		}
	}
}

// The first hour of a CRM, kept as testdata/api/first-hour.txt: connect, backfill,
// events to the example receiver under deploy, book, two days away, catch up.
func TestTranscript(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	var out strings.Builder
	key := x.keys["one"]
	say := func(method, path, body string) string {
		t.Helper()
		code, _, got := x.do(key, method, path, body)
		fmt.Fprintf(&out, "> %s %s\n", method, path)
		if body != "" {
			fmt.Fprintf(&out, "> %s\n", body)
		}
		fmt.Fprintf(&out, "< %d\n", code)
		var v any
		if json.Unmarshal([]byte(got), &v) == nil {
			b, _ := json.MarshalIndent(v, "< ", "  ")
			lines := strings.Split(string(b), "\n")
			if len(lines) > 24 {
				lines = append(lines[:22], fmt.Sprintf("<   (%d lines more)", len(lines)-22))
			}
			fmt.Fprintf(&out, "< %s\n", strings.Join(lines, "\n"))
		}
		out.WriteString("\n")
		return got
	}
	note := func(s string) { out.WriteString("# " + s + "\n\n") }
	note("Connect: what does the account contain?")
	say("GET", "/account", "")
	say("GET", "/coaches?limit=1", "")
	note("Backfill: get the present place in the list of changes, then all records, then the changes from that place on.")
	say("GET", "/changes?after=now", "")
	say("POST", "/coaches/bulk", `{"coaches":[{"coach":"b-1","label":"The Hales' coach","class":"class_c","use":"weekend","people":[{"name":"Jo Hale","email":"jo@example.org"}],"stays":[{"place":"Bend, OR","from":"2024-01-01","cycles":"2/week"}],"slides":[]}]}`)
	note("Live: the example receiver accepts events at its own address.")
	bin := filepath.Join(t.TempDir(), "receiver")
	if b, err := exec.Command("go", "build", "-o", bin, "../../deploy/receiver").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close()
	got := say("POST", "/endpoints", fmt.Sprintf(`{"url":"http://%s/events","kinds":["visit.agreed","visit.moved","reading.recorded"]}`, addr))
	secret, _ := field(t, got, "key").(string)
	name, _ := field(t, got, "endpoint").(string)
	start := func() (lines chan string, stop func()) {
		cmd := exec.Command(bin, "-listen", addr, "-key", secret)
		p, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines = make(chan string, 100)
		go func() {
			s := bufio.NewScanner(p)
			for s.Scan() {
				lines <- s.Text()
			}
		}()
		<-lines // listening
		return lines, func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }
	}
	hear := func(lines chan string, n int) {
		t.Helper()
		for range n {
			select {
			case line := <-lines:
				fmt.Fprintf(&out, "receiver: %s\n", line)
			case <-time.After(15 * time.Second):
				t.Fatal("the receiver heard nothing")
			}
		}
		out.WriteString("\n")
	}
	ctx, cancel := context.WithCancel(t.Context())
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		(&webhook.Sender{DB: x.db, Client: httpkit.Guarded([]string{"127.0.0.1"}, 2*time.Second),
			Source: "https://x.example.org", Log: slog.New(slog.DiscardHandler), Look: 20 * time.Millisecond}).Run(ctx)
	}()
	defer func() { cancel(); <-sent }()
	lines, stop := start()
	say("POST", "/coaches/zf-1/readings", `{"day":"2026-03-02","slide":"s","edge":"outer/top","part":"bulb","kind":"bulb_height","value":"15 mm"}`)
	hear(lines, 1)
	note("Record an agreed day. The people of the coach are reminded of it.")
	say("POST", "/coaches/zf-1/visits", `{"day":"2026-04-01"}`)
	hear(lines, 1)
	note("The receiver is down for two days, and things happen.")
	stop()
	say("POST", "/coaches/zf-1/visits", `{"was":"2026-04-01","day":"2026-04-08"}`)
	say("POST", "/coaches/zf-1/readings", `{"day":"2026-03-03","slide":"s","edge":"outer/top","part":"wiper","kind":"shore_a","value":"70"}`)
	refused(t, x, name)
	note("The receiver is back. Ask for everything since a time again; " +
		"the receiver recognizes by the id what it has seen.")
	lines, stop = start()
	defer stop()
	say("POST", "/endpoints/"+name+"/replay", `{"since":"2026-03-03T18:00:00Z"}`)
	hear(lines, 3)
	note("Or read the list of changes, which has no gaps.")
	say("GET", "/changes?limit=2", "")
	text := strings.ReplaceAll(out.String(), addr, "crm.example.org")
	for pattern, with := range map[string]string{`whsec_[A-Za-z0-9+/=]+`: "whsec_...", `ep_[0-9a-f]{16}`: "ep_...",
		`token [0-9a-f]{8}`: "token ...", `"\d{4}-\d\d-\d\dT[0-9:.]+Z"`: `"(instant)"`, `"\\"[0-9a-z]+\\""`: `"(version)"`,
		`"waiting": \d+`: `"waiting": (some)`} {
		text = regexp.MustCompile(pattern).ReplaceAllString(text, with)
	}
	testkit.Golden(t, "api/first-hour.txt", text)
}
