package api_test

import (
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// A program cannot end a safety stop by a line of work either: only what was seen does.
func TestOnlyALookEndsAStop(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	held := func() (on bool) {
		if err := x.db.View(t.Context(), func(tx *store.Tx) error {
			c, _, err := tx.Coach(t.Context(), "one", "zf-1")
			_, on = c.DangerOn("s", today)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return on
	}
	say := func(path, body string) (int, string) {
		code, _, said := x.do(key, "POST", "/coaches/zf-1/"+path, body)
		return code, said
	}
	if code, said := say("readings", `{"day":"2026-03-01","slide":"s","kind":"light","value":"yes"}`); code >= 300 ||
		!held() {
		t.Fatalf("%d %s", code, said)
	}
	for _, kind := range []string{"inspect", "water_test", "safety_stop"} {
		code, said := say("services", `{"day":"2026-03-02","slide":"s","kind":"`+kind+`"}`)
		if code < 400 || code > 422 || !held() {
			t.Errorf("%s: %d %s", kind, code, said)
		}
		if kind == string(coach.Inspect) && !strings.Contains(said, "only a look") {
			t.Errorf("%s", said)
		}
	}
	// Nor does a record that says so.
	_, _, body := x.do(key, "GET", "/coaches/zf-1", "")
	tree := field(t, body, "record").(map[string]any)
	tree["services"] = []any{map[string]any{"date": "2026-03-02", "kind": string(coach.Inspect), "by": "shop"}}
	if code, _, said := x.do(key, "PUT", "/coaches/zf-1", text(t, tree)); code != 200 || !held() {
		t.Errorf("%d %s", code, said)
	}
	if code, said := say("readings", `{"day":"2026-03-03","slide":"s","kind":"light","value":"no"}`); code >= 300 ||
		held() {
		t.Errorf("the look: %d %s", code, said)
	}
}

// Who asked for a day waits until it was agreed or the work was done; that the plan says
// something else meanwhile, such as a safety stop, settles nothing.
func TestWhoWaitsIsListed(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		for task, kind := range map[string]reminder.AnswerKind{"replace_bulb|s/outer/top|2019-05-01": reminder.Done,
			"inspect|s|2019-05-01": reminder.Book} {
			if err := tx.AddAnswer(t.Context(), "one", "zf-1", marker+"@example.org",
				reminder.Answer{TaskKey: task, Kind: kind, Day: today - 1}); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	waits := func(want ...string) {
		t.Helper()
		_, _, said := x.do(key, "GET", "/requests", "")
		if items, _ := field(t, said, "items").([]any); len(items) != len(want) {
			t.Errorf("%s, want %v", said, want)
		}
		for _, w := range want {
			if !strings.Contains(said, w) {
				t.Errorf("%s lacks %s", said, w)
			}
		}
	}
	waits("replace_bulb|", "inspect|")
	x.do(key, "POST", "/coaches/zf-1/readings", `{"day":"2026-03-01","slide":"s","kind":"light","value":"yes"}`)
	waits("replace_bulb|", "inspect|", `"reason":"safety_stop"`) // a danger is a call at once
	if code, _, said := x.do(key, "POST", "/coaches/zf-1/services", `{"day":"2026-03-03","slide":"s","run":"outer/top","kind":"replace_seal"}`); code != 422 || !strings.Contains(said, "the coach's record") {
		t.Errorf("a renewal without its part: %d %s", code, said)
	}
	_, _, body := x.do(key, "GET", "/coaches/zf-1", "")
	fitted := regexp.MustCompile(`"fitted":"[0-9-]+"`).ReplaceAllString(text(t, field(t, body, "record")),
		`"fitted":"2026-03-03"`)
	if code, _, said := x.do(key, "PUT", "/coaches/zf-1", fitted); code != 200 {
		t.Fatalf("%d %s", code, said)
	}
	waits("inspect|", "safety_stop|")
	x.do(key, "POST", "/coaches/zf-1/visits", `{"day":"2026-04-01"}`)
	waits("safety_stop|")
}

// No answer of a program, and no link of a mail, silences a safety stop: its mail waits on.
func TestStopsAreNotAnswered(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	key := x.keys["one"]
	if code, _, said := x.do(key, "POST", "/coaches/zf-1/readings",
		`{"day":"2026-03-02","slide":"s","kind":"soft_floor","value":"yes"}`); code >= 300 {
		t.Fatalf("%d %s", code, said)
	}
	_, _, said := x.do(key, "GET", "/tasks?coach=zf-1", "")
	task := regexp.MustCompile(`"key":"(safety_stop[^"]*)"`).FindStringSubmatch(said)
	if task == nil {
		t.Fatal(said)
	}
	for _, answer := range []string{`"answer":"done"`, `"answer":"later","until":"2028-01-01"`} {
		if code, _, said := x.do(key, "POST", "/coaches/zf-1/tasks/answer",
			`{"key":"`+task[1]+`",`+answer+`}`); code != 422 ||
			!strings.Contains(said, "only an inspection ends it") {
			t.Errorf("%s: %d %s", answer, code, said)
		}
	}
	n := reminder.Notice{Key: "stop", Account: "one", Coach: "zf-1", Task: coach.SafetyStop, TaskKey: task[1],
		Person: "o@example.org", MessageID: "<stop@b>", LinkID: strings.Repeat("ab", 16), Target: today, Subject: "s",
		Text: "t", HTML: "h"}
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today, []reminder.Notice{n})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	_, token, _ := strings.Cut(x.desk.Signer.Links(&n)[reminder.Later], "/a/")
	if _, err := x.desk.Answer(t.Context(), token, desk.Details{}); fault.KindOf(err) != fault.Invalid {
		t.Errorf("put off by a link: %v", err)
	}
}

// A record that leaves out or renames a stopped slide would let the room move again: no
// channel takes it, until somebody looked. Its label may change.
func TestRenamedSlideKeepsItsStop(t *testing.T) {
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			x := newRig(t, storetest.Fresh(t, kind))
			key := x.keys["one"]
			say := func(value string) {
				t.Helper()
				if code, _, said := x.do(key, "POST", "/coaches/zf-1/readings", `{"day":"2026-03-0`+map[string]string{"yes": "1",
					"no": "2"}[value]+`","slide":"s","kind":"light","value":"`+value+`"}`); code >= 300 {
					t.Fatalf("%d %s", code, said)
				}
			}
			say("yes")
			_, _, body := x.do(key, "GET", "/coaches/zf-1", "")
			tree := field(t, body, "record").(map[string]any)
			slide := tree["slides"].([]any)[0].(map[string]any)
			slide["label"] = "The big room"
			if code, _, said := x.do(key, "PUT", "/coaches/zf-1", text(t, tree)); code != 200 {
				t.Errorf("another label: %d %s", code, said)
			}
			slide["slide"] = "big"
			renamed := text(t, tree)
			if code, _, said := x.do(key, "PUT", "/coaches/zf-1", renamed); code != 422 || !strings.Contains(said,
				"slide s of zf-1 is stopped because of light through the seal") {
				t.Errorf("another short name: %d %s", code, said)
			}
			other := text(t, map[string]any{"coach": "zf-9", "slides": []any{slide}, "stays": tree["stays"]})
			_, _, said := x.do(key, "POST", "/coaches/bulk", `{"coaches":[`+renamed+`,`+other+`]}`)
			if n, _ := field(t, said, "saved").(float64); n != 1 || !strings.Contains(said, "Keep the slide's short name") {
				t.Errorf("in a bulk: %s", said)
			}
			items := intake.ReadTrees(intake.Options{Today: today, Places: x.desk.Places},
				[]intake.Text{intake.TextOf([]byte(renamed))})
			if _, err := x.desk.Import(t.Context(), "one",
				intake.Content{Coaches: []coach.Coach{items[0].Coach}}); fault.KindOf(err) != fault.Invalid {
				t.Errorf("in a file: %v", err)
			}
			say("no")
			if code, _, said := x.do(key, "PUT", "/coaches/zf-1", renamed); code != 200 {
				t.Errorf("after a look: %d %s", code, said)
			}
		})
	}
}

// A record does not end a stop by a line of work, nor by leaving the reading out; a look
// does, and new parts do. Each room is told when it is held and when it is free.
func TestRecordsEndNoStop(t *testing.T) {
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			x := newRig(t, storetest.Fresh(t, kind))
			key := x.keys["one"]
			put := func(part, items string, want int) {
				t.Helper()
				if code, _, said := x.do(key, "PUT", "/coaches/zf-1/record/"+part, `{"items":`+items+`}`); code != want {
					t.Errorf("%s %s: %d %s", part, items, code, said)
				}
			}
			if code, _, said := x.do(key, "POST", "/coaches/zf-1/readings",
				`{"day":"2026-03-01","slide":"s","kind":"light","value":"yes"}`); code != 200 {
				t.Fatalf("%d %s", code, said)
			}
			put("services", `[{"kind":"replace_seal","date":"2026-03-02","by":"shop"}]`, 422)
			put("services", `[{"kind":"refit","date":"2026-03-02","slide":"s","by":"shop"}]`, 422)
			put("services", `[{"kind":"clean","date":"2026-03-02","by":"shop"}]`, 200)
			put("readings", `[{"kind":"light","date":"2026-03-02","slide":"s","value":"no"}]`, 200) // somebody looked
			put("readings", `[{"kind":"soft_floor","date":"2026-03-03","slide":"s","value":"yes"}]`, 200)
			put("readings", `[{"kind":"light","date":"2026-03-02","slide":"s","value":"no"},{"kind":"soft_floor","date":"2026-03-03","slide":"s","value":"yes"}]`, 200)
			put("readings", `[{"kind":"light","date":"2026-03-02","slide":"s","value":"no"}]`, 422)
			put("readings", `[{"kind":"light","date":"2026-03-02","slide":"s","value":"no"},{"kind":"soft_floor","date":"2026-03-03","slide":"s","value":"no"}]`, 200)
			_, _, said := x.do(key, "GET", "/changes?limit=1000", "")
			if set, free := strings.Count(said, `"type":"sealmanac.hold.set"`),
				strings.Count(said, `"type":"sealmanac.hold.cleared"`); set != 2 || free != 2 {
				t.Errorf("held %d times and free %d times: %s", set, free, said)
			}
		})
	}
}
