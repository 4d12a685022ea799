package web

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Where the stays of a snowbird repeat, the board, the hour of sending and the years on
// the coach's page agree on where it stands.
func TestRepeatingStays(t *testing.T) {
	x := newRig(t)
	text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	before, after, _ := strings.Cut(text, "  stays:\n")
	_, after, _ = strings.Cut(after, "  slides:\n")
	text = before + "  stays:\n"
	for _, s := range []string{`"Madison, WI", from: 2022-01-01, until: 2023-10-27`,
		`"Yuma, AZ", from: 2023-10-28, until: 2024-04-09`, `"Madison, WI", from: 2024-04-10, until: 2024-10-27`} {
		text += "  - {place: " + s + ", shelter: open, slides: in, cycles: 20/year}\n"
	}
	text += "  slides:\n" + after
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
		bad.Err() != nil {
		t.Fatalf("%v %v\n%s", err, bad, text)
	}
	tools, err := x.desk.ToolsFor(t.Context(), "one")
	if err != nil {
		t.Fatal(err)
	}
	none := func(context.Context, *store.Tx, []reminder.Notice) error { return nil }
	_, made, err := cycle.Pass(t.Context(), x.db, tools, "one", civil.Of(2026, 3, 24), none)
	if err != nil || len(made) == 0 {
		t.Fatalf("%d messages, %v", len(made), err)
	}
	for _, n := range made {
		if at := n.NotBefore.UTC().Format("15:04"); at != "16:00" { // nine o'clock in Arizona
			t.Errorf("%s leaves at %s UTC", n.Task, at)
		}
	}
	c := x.as("manager@one.example.org")
	if _, page, _ := x.send(c, "GET /board", nil, nil); !strings.Contains(page, "Yuma, AZ") || strings.Contains(page,
		"Madison, WI") {
		t.Error("the board has it elsewhere")
	}
	code, page, _ := x.send(c, "GET /coach/{coach}", map[string]string{"coach": "zf-1"}, nil)
	if n := strings.Count(page, "<title>Yuma, AZ, "); code != http.StatusOK || n < 4 {
		t.Errorf("%d: the coach's years show %d winters at Yuma", code, n)
	}
}
