package api_test

import (
	"fmt"
	"testing"

	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// A task tells where it stands, by what people answered and which days are agreed, also
// before the next pass: a program must not ask again for what was put off.
func TestTasksTellTheirState(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		key := x.keys["one"]
		tasks := func() map[string]map[string]any {
			t.Helper()
			_, _, said := x.do(key, "GET", "/tasks?coach=zf-1&limit=500", "")
			items, _ := field(t, said, "items").([]any)
			out := map[string]map[string]any{}
			for _, it := range items {
				m, _ := it.(map[string]any)
				out[fmt.Sprint(m["kind"])] = m
			}
			return out
		}
		check := func(kind, state string, until any) {
			t.Helper()
			if m := tasks()[kind]; m["state"] != state || m["postponed_until"] != until {
				t.Errorf("%s stands at %v until %v, want %s %v", kind, m["state"], m["postponed_until"], state, until)
			}
		}
		answer := func(kind string, k reminder.AnswerKind, person string, day, until int) {
			t.Helper()
			a := reminder.Answer{TaskKey: fmt.Sprint(tasks()[kind]["key"]), Kind: k, Day: today.Add(day)}
			if until != 0 {
				a.Until = today.Add(until)
			}
			if err := db.Update(t.Context(), func(tx *store.Tx) error {
				return tx.AddAnswer(t.Context(), "one", "zf-1", person, a)
			}); err != nil {
				t.Fatal(err)
			}
		}
		const kind = "inspect"
		check(kind, "open", nil)
		answer(kind, reminder.Later, "a@example.org", -30, 0) // over: it was put off until no later day
		check(kind, "open", nil)
		answer(kind, reminder.Later, "b@example.org", -1, 10)
		check(kind, "postponed", "2026-03-13")
		code, _, said := x.do(key, "POST", "/coaches/zf-1/tasks/answer",
			fmt.Sprintf(`{"key":%q,"answer":"later","until":"2027-03-01"}`, tasks()[kind]["key"]))
		if code != 200 || field(t, said, "state") != "postponed" || field(t, said, "postponed_until") != "2027-03-01" {
			t.Errorf("%d %s", code, said)
		}
		check(kind, "postponed", "2027-03-01")
		answer(kind, reminder.Book, "b@example.org", -1, 0)
		check(kind, "appointment_requested", "2027-03-01")
		answer("replace_bulb", reminder.Done, "b@example.org", -1, 0)
		check("replace_bulb", "done_reported", nil)
		// An aim that is not the present one is answered with the task as it stands.
		code, _, said = x.do(key, "POST", "/coaches/zf-1/tasks/answer",
			fmt.Sprintf(`{"key":%q,"target":"2020-01-01","answer":"done"}`, tasks()[kind]["key"]))
		if code != 412 || field(t, said, "present", "state") != "appointment_requested" || field(t, said, "sent",
			"target") != "2020-01-01" {
			t.Errorf("%d %s", code, said)
		}
		if code, _, said := x.do(key, "POST", "/coaches/zf-1/visits", `{"day":"2026-04-01"}`); code != 200 {
			t.Fatalf("%d %s", code, said)
		}
		check(kind, "appointment_agreed", "2027-03-01")
		check("clean_and_condition", "open", nil) // the owner does that
	})
}
