package desk_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// packed is an archive of files, with a manifest that fits them.
func packed(t testing.TB, files map[string]string) []byte {
	t.Helper()
	sums := map[string]string{}
	for name, text := range files {
		sum := sha256.Sum256([]byte(text))
		sums[name] = hex.EncodeToString(sum[:])
	}
	m, err := json.Marshal(map[string]any{"format": "sealmanac-archive-1", "files": sums})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	put := func(name, text string) {
		w, err := z.Create(name)
		if err == nil {
			_, err = w.Write([]byte(text))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range files {
		put(name, text)
	}
	put("manifest.json", string(m))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// FuzzArchive restores what it is given as the rows of an account and of a table of an
// archive that is whole: whatever stands in them is taken whole, or refused whole.
func FuzzArchive(f *testing.F) {
	const account = `{"name":"A Shop","postal":"1 Road","email":"","phone":"","zone":"","language":""}`
	f.Add(account, "coach", `{"coach_id":"a","label":"A"}`)
	f.Add(account+"\n"+account, "attachment", `{"coach_id":"a","attachment_id":"x","body":"files/x","thumb":7}`)
	f.Add(`{"name":{"a":[1]}}`, "notice", "null\n[]\n7")
	f.Add(`{"account_id":"other","name":1e400}`, "account; DROP TABLE account", `{"a\" = 1 --":1}`)
	f.Add(strings.Repeat(`{"a":`, 1000), "member", strings.Repeat("[", 3000))
	f.Add(account, "event", strings.Repeat("\x00", 3<<20)) // packs to 3 kB
	f.Add("{"+strings.Repeat(`"a":1,`, 3000)+`"b":1}`, "audit", strings.Repeat("\n", 10_000))
	d := &desk.Desk{DB: storetest.Fresh(f, "sqlite"), Now: civil.Of(2026, 2, 10).Time, Places: testkit.Tables(f)}
	n := 0
	f.Fuzz(func(t *testing.T, accounts, table, rows string) {
		n++
		id := coach.AccountID(fmt.Sprint("a", n))
		data := packed(t, map[string]string{"account.jsonl": accounts, table + ".jsonl": rows})
		testkit.Bound(t, 32<<20+200*uint64(len(accounts)+len(rows)+len(table)), func() {
			err := d.Restore(t.Context(), id, bytes.NewReader(data), int64(len(data)), false)
			if _, _, gone := d.Shop(t.Context(), id); (gone == nil) != (err == nil) {
				t.Errorf("restored: %v; the account: %v", err, gone)
			}
		})
	})
}

// FuzzZIP restores bytes that may be no archive at all.
func FuzzZIP(f *testing.F) {
	f.Add(packed(f, map[string]string{"account.jsonl": `{"name":"A Shop"}`}))
	f.Add(packed(f, map[string]string{"../account.jsonl": "", "files/x": strings.Repeat("\x00", 1<<20)}))
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\xff", 18)))
	d := &desk.Desk{DB: storetest.Fresh(f, "sqlite"), Now: civil.Of(2026, 2, 10).Time}
	f.Fuzz(func(t *testing.T, data []byte) {
		// A ZIP packs zeros to a thousandth.
		testkit.Bound(t, 32<<20+5000*uint64(len(data)), func() {
			if err := d.Restore(t.Context(), "a", bytes.NewReader(data), int64(len(data)), false); err == nil {
				if err := d.Pause(t.Context(), "a", "x"); err != nil {
					t.Errorf("restored, and not there: %v", err)
				}
			}
		})
	})
}

// FuzzLinks reads tokens and return paths that may be forged: whatever is taken is one
// that was made here, letter for letter, and for this purpose.
func FuzzLinks(f *testing.F) {
	s := &desk.Signer{Key: []byte("a key of 32 bytes, or thereabouts"), BaseURL: "https://x.example.org"}
	const id = "00112233445566778899aabbccddeeff"
	day := civil.Of(2026, 2, 10)
	for _, k := range reminder.AnswerKinds {
		f.Add(s.Token(k, id, day))
	}
	f.Add(s.ReturnPath(id))
	f.Add(strings.ToUpper(s.ReturnPath(id)))
	f.Add(s.OwnerToken("main", &coach.Coach{ID: "heron-01", People: []coach.Person{{Name: "A", Email: "a@example.org"}}}))
	f.Add(strings.Repeat("A", 50) + "=")
	f.Add(strings.Repeat(".", 100_000))
	f.Fuzz(func(t *testing.T, text string) {
		testkit.Bound(t, 1<<20+50*uint64(len(text)), func() {
			if l, err := s.Read(text, day); err == nil {
				made := false
				for last := day; last <= day+800; last++ {
					made = made || s.Token(l.Kind, l.ID, last) == text
				}
				if !made {
					t.Errorf("a forged token is taken: %q", text)
				}
			}
			if got, ok := s.ReadReturnPath(text); ok && !strings.EqualFold(s.ReturnPath(got), text) {
				t.Errorf("a forged return path is taken: %q", text)
			}
			if _, err := s.Read(text, day+1_000_000); err == nil {
				t.Errorf("a link works for ever: %q", text)
			}
		})
	})
}
