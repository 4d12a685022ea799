package desk

import (
	"context"
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/exposure"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

var (
	today = civil.Of(2026, 3, 3)
	sid   = strings.Repeat("ab", 16)
)

const scenario = `
shop: {name: A Shop, postal: 1 Road, zone: America/Denver}
coaches:
  - coach: a
    people: [{name: Ann, email: ann@example.org}]
    stays: [{place: "Yuma, AZ", from: 2024-01-01}]
    slides:
      - slide: s
        edges:
          - {edge: outer/top, construction: track, fitted: 2024-01-01, parts: [{part: bulb, material: tpv}]}
          - {edge: outer/rear, construction: track, fitted: 2024-01-01, parts: [{part: bulb, material: tpv}]}
`

// fresh is a desk with the scenario's coach on a database, able to date coaches.
func fresh(t *testing.T, db *store.DB) *Desk {
	t.Helper()
	now := func() time.Time { return today.Time().Add(18 * time.Hour) }
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	tables := testkit.Tables(t)
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(tables), Domain: "example.org"}
	d := &Desk{DB: db, Signer: &Signer{Key: []byte(strings.Repeat("k", 32)), BaseURL: "https://x.example.org"}, Snooze: 21,
		Places: tables, Now: now,
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}
	c := intake.Read(intake.Options{Today: today, Places: tables}, nil,
		intake.File{Name: "a.yaml", Data: []byte(scenario)})
	if _, err := d.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
	if err := d.Start(t.Context(), "main", "t"); err != nil {
		t.Fatal(err)
	}
	return d
}

// setup is a fresh desk on SQLite with two open notices about one task.
func setup(t *testing.T) (*Desk, reminder.Notice) {
	t.Helper()
	d := fresh(t, storetest.Fresh(t, "sqlite"))
	return d, withNotices(t, d)
}

// withNotices adds two open notices about one task, and returns the first.
func withNotices(t *testing.T, d *Desk) reminder.Notice {
	t.Helper()
	key := func(run string) string { return "lubricate|s/outer/" + run + "|2024-01-01" }
	n := reminder.Notice{Key: "n", Account: "main", Coach: "a", Person: "ann@example.org", Task: coach.Lubricate,
		TaskKey: key("top"), Covers: []string{key("top") + "#0", key("aft") + "#0", "inspect|s|2024-01-01#0"},
		Target: today, NotBefore: today.Time(), LinkID: sid, MessageID: "<" + sid + "@x>", Subject: "Condition"}
	other := n
	other.Key, other.LinkID, other.MessageID = "m", strings.Repeat("cd", 16), "<m@x>"
	err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today, []reminder.Notice{n, other})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func token(t *testing.T, d *Desk, n reminder.Notice, k reminder.AnswerKind) string {
	t.Helper()
	link := d.Signer.Links(&n)[k]
	tok, ok := strings.CutPrefix(link, "https://x.example.org/a/")
	if !ok {
		t.Fatalf("link %q", link)
	}
	return tok
}

type known struct {
	services []coach.Service
	answers  []reminder.Answer
	out      map[string]bool
	states   map[string]string
}

func look(t *testing.T, d *Desk) (k known) {
	t.Helper()
	err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		cs, err := tx.Coaches(t.Context(), "main")
		if err != nil {
			return err
		}
		k.services = cs[0].Services
		as, err := tx.Answers(t.Context(), "main", "")
		if err != nil {
			return err
		}
		k.answers = as["a"]
		k.out, err = tx.OptOuts(t.Context(), "main")
		if err != nil {
			return err
		}
		ns, err := tx.Notices(t.Context(), "main", 10)
		k.states = map[string]string{}
		for _, n := range ns {
			k.states[n.Key] = n.State
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestAskingChangesNothing(t *testing.T) {
	d, n := setup(t)
	for _, kind := range reminder.AnswerKinds {
		if q, err := d.Ask(t.Context(), token(t, d, n, kind)); err != nil || q.Kind != kind || q.Account.Name != "A Shop" {
			t.Errorf("%s: %+v %v", kind, q, err)
		}
	}
	if k := look(t, d); len(k.services)+len(k.answers)+len(k.out) != 0 {
		t.Errorf("asking changed something: %+v", k)
	}
}

func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		kind     reminder.AnswerKind
		services int
		answers  int
		out      bool
	}{{reminder.Done, 2, 2, false}, {reminder.Book, 0, 2, false}, {reminder.Later, 0, 2, false},
		{reminder.Stop, 0, 0, true}} {
		t.Run(string(c.kind), func(t *testing.T) {
			d, n := setup(t)
			for range 2 { // twice does no more than once
				if _, err := d.Answer(t.Context(), token(t, d, n, c.kind), Details{}); err != nil {
					t.Fatal(err)
				}
			}
			k := look(t, d)
			if len(k.services) != c.services || len(k.answers) != c.answers || k.out["ann@example.org"] != c.out {
				t.Errorf("%+v", k)
			}
			if k.states["m"] != "withdrawn" {
				t.Errorf("another open message about it is %s", k.states["m"])
			}
			if c.kind == reminder.Later && k.answers[0].Until != today+21 {
				t.Errorf("quiet until %v", k.answers[0].Until)
			}
			if c.kind == reminder.Done && (k.services[0].Day != today || k.services[0].By != "owner") {
				t.Errorf("service %+v", k.services[0])
			}
		})
	}
}

func TestBadTokens(t *testing.T) {
	d, n := setup(t)
	good := token(t, d, n, reminder.Done)
	raw, _ := base64.RawURLEncoding.DecodeString(good)
	flipped := append([]byte(nil), raw...)
	flipped[0] = 3 // "done" into "stop"
	old := d.Signer.Token(reminder.Done, sid, today-1)
	gone := d.Signer.Token(reminder.Done, strings.Repeat("ee", 16), today+9)
	foreign := (&Signer{Key: []byte("another key")}).Token(reminder.Done, sid, today+9)
	for name, tok := range map[string]string{"empty": "", "garbage": "xx!", "cut": good[:20], "long": good + "AA",
		"changed": base64.RawURLEncoding.EncodeToString(flipped), "expired": old, "unknown notice": gone,
		"foreign key": foreign} {
		if _, err := d.Answer(t.Context(), tok, Details{}); fault.KindOf(err) != fault.NotFound ||
			!strings.Contains(fault.SentenceOf(err), "not valid") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if k := look(t, d); len(k.answers)+len(k.out) != 0 {
		t.Errorf("a bad token did something: %+v", k)
	}
}

func TestTokensCannotBeGuessed(t *testing.T) {
	s := &Signer{Key: []byte(strings.Repeat("k", 32))}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.Byte(), 0, 60).Draw(t, "bytes")
		if l, err := s.Read(base64.RawURLEncoding.EncodeToString(b), today); err == nil {
			t.Fatalf("read %+v", l)
		}
	})
}

func TestImportNeedsAnAccount(t *testing.T) {
	d, _ := setup(t)
	c := intake.Content{Coaches: []coach.Coach{{ID: "z"}}}
	if _, err := d.Import(context.Background(), "nobody", c); fault.KindOf(err) != fault.NotFound ||
		fault.HintOf(err) == "" {
		t.Errorf("got %v", err)
	}
	if _, err := d.Import(context.Background(), "main", c); err != nil {
		t.Error(err)
	}
}
