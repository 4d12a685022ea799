package access

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// TestMain makes hashes cheap: these tests make some hundred.
func TestMain(m *testing.M) {
	memory = 1 << 10
	os.Exit(m.Run())
}

const good = "four words of mine"

// both runs a test on a fresh SQLite file and a fresh PostgreSQL database.
func both(t *testing.T, f func(t *testing.T, a *Access, clock *time.Time, mails *[]string)) {
	t.Helper()
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		now := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
		db.Now = func() time.Time { return now }
		db.LoseFirst = false // the list below would hold the mails of both runs
		var mails []string
		f(t, &Access{DB: db, Key: []byte("a key"), Base: "https://x.example.org",
			Post: func(_ context.Context, _ *store.Tx, _ coach.Account, email, _, _, text string) error {
				mails = append(mails, email+"\n"+text)
				return nil
			}}, &now, &mails)
	})
}

func secretOf(t *testing.T, link, kind string) string {
	t.Helper()
	_, secret, ok := strings.Cut(link, "/"+kind+"/")
	if !ok {
		t.Fatalf("no %s link in %q", kind, link)
	}
	return strings.TrimSpace(strings.SplitN(secret, "\n", 2)[0])
}

// An account that came later, from a file or an archive, has a link of its own.
func TestFirstMemberOfAnotherAccount(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, _ *[]string) {
		manager(t, a)
		if err := a.DB.Update(t.Context(), func(tx *store.Tx) error {
			return tx.SaveAccount(t.Context(), coach.Account{ID: "second", Name: "B Shop", Postal: "2 Road"})
		}); err != nil {
			t.Fatal(err)
		}
		if link, err := a.First(t.Context(), "main"); err != nil || link != "" {
			t.Errorf("an account with members: %q %v", link, err)
		}
		if _, err := a.First(t.Context(), "third"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("no account: %v", err)
		}
		link, err := a.First(t.Context(), "second")
		if err != nil {
			t.Fatal(err)
		}
		secret := secretOf(t, link, "first")
		if err := a.Setup(t.Context(), secret, coach.Account{}, "Bo", "bo@example.org", good); err != nil {
			t.Fatal(err)
		}
		if w := enter(t, a, "bo@example.org", good); w.Account != "second" || w.Role != Manager {
			t.Errorf("%+v", w)
		}
		if err := a.Setup(t.Context(), secret, coach.Account{}, "X", "x@example.org",
			good); fault.KindOf(err) != fault.NotFound {
			t.Errorf("used twice: %v", err)
		}
	})
}

// manager makes the first member and signs in.
func manager(t *testing.T, a *Access) Who {
	t.Helper()
	link, err := a.First(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Setup(t.Context(), secretOf(t, link, "first"), coach.Account{Name: "A Shop", Postal: "1 Road"}, "Ana",
		"Ana@Example.org ", good); err != nil {
		t.Fatal(err)
	}
	return enter(t, a, "ana@example.org", good)
}

func enter(t *testing.T, a *Access, email, password string) Who {
	t.Helper()
	secret, err := a.Enter(t.Context(), email, password, "192.0.2.1", "a browser", "")
	if err != nil {
		t.Fatal(err)
	}
	w, err := a.Session(t.Context(), secret)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestFirstMember(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, _ *[]string) {
		old, _ := a.First(t.Context(), "")
		if err := a.Setup(t.Context(), "forged", coach.Account{Name: "A", Postal: "1"}, "X", "x@example.org",
			good); fault.KindOf(err) != fault.NotFound {
			t.Errorf("a forged link: %v", err)
		}
		w := manager(t, a)
		if w.Role != Manager || w.Account != "main" || w.Email != "ana@example.org" {
			t.Errorf("%+v", w)
		}
		if err := a.Setup(t.Context(), secretOf(t, old, "first"), coach.Account{Name: "A", Postal: "1"}, "X", "x@example.org",
			good); err == nil {
			t.Error("an older link made a second first member")
		}
		if link, err := a.First(t.Context(), ""); link != "" || err != nil {
			t.Errorf("a link after there is a member: %q %v", link, err)
		}
	})
}

func TestPasswords(t *testing.T) {
	if _, err := hashPassword("short"); fault.KindOf(err) != fault.Invalid {
		t.Errorf("a short password: %v", err)
	}
	defer func(m uint32) { memory = m }(memory)
	memory = 64 << 10 // the figure that is served
	h, err := hashPassword(good)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := hashPassword(good)
	if h == again || !strings.HasPrefix(h, "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Errorf("%s", h)
	}
	if !fits(good, h) || fits(good+" ", h) || fits("", h) || fits(good, "") || fits(good, "$argon2id$v=19$m=x$a$b") ||
		fits("", nobody) {
		t.Error("a wrong password fits, or the right one does not")
	}
	// RFC 9106, appendix-like check: the reference implementation's published vector for
	// argon2id with these parameters (phc-winner-argon2, src/test.c: version 19, t=2,
	// m=2^16, p=1, password "password", salt "somesalt").
	if !fits("password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc") {
		t.Error("the reference implementation's hash does not fit")
	}
}

func TestMembersAndRoles(t *testing.T) {
	both(t, func(t *testing.T, a *Access, clock *time.Time, mails *[]string) {
		ana := manager(t, a)
		if _, err := a.Invite(t.Context(), ana, "bo@example.org", Technician); err != nil || len(*mails) != 1 {
			t.Fatalf("%v, %d mails", err, len(*mails))
		}
		secret := secretOf(t, (*mails)[0], "join")
		if _, err := a.Join(t.Context(), secret, "Bo", "short"); fault.KindOf(err) != fault.Invalid {
			t.Errorf("a short password: %v", err)
		}
		if _, err := a.Join(t.Context(), secret, "Bo", good+" bo"); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Join(t.Context(), secret, "Bo", good+" bo"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("an invitation worked twice: %v", err)
		}
		bo := enter(t, a, "bo@example.org", good+" bo")
		for name, err := range map[string]error{
			"invite":  second(a.Invite(t.Context(), bo, "x@example.org", Viewer)),
			"role":    a.SetRole(t.Context(), bo, "ana@example.org", Viewer),
			"remove":  a.Remove(t.Context(), bo, "ana@example.org"),
			"key":     second(a.MakeToken(t.Context(), bo, "x", []string{"read"}, 9)),
			"end key": a.RevokeToken(t.Context(), bo, "x"),
		} {
			if fault.KindOf(err) != fault.Denied {
				t.Errorf("a technician may %s: %v", name, err)
			}
		}
		if err := a.SetRole(t.Context(), ana, "ana@example.org", Viewer); fault.KindOf(err) != fault.Conflict {
			t.Errorf("the last manager stepped down: %v", err)
		}
		if err := a.Remove(t.Context(), ana, "bo@example.org"); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Enter(t.Context(), "bo@example.org", good+" bo", "192.0.2.1", "",
			""); fault.KindOf(err) != fault.Denied {
			t.Errorf("a removed member signs in: %v", err)
		}
		// An invitation runs out.
		if _, err := a.Invite(t.Context(), ana, "cy@example.org", Viewer); err != nil {
			t.Fatal(err)
		}
		*clock = clock.Add(8 * 24 * time.Hour)
		if _, err := a.Join(t.Context(), secretOf(t, (*mails)[1], "join"), "Cy", good); fault.KindOf(err) != fault.NotFound {
			t.Errorf("an invitation of eight days ago: %v", err)
		}
		rows, err := a.Changes(t.Context(), ana, clock.Add(time.Hour).UnixMicro(), 50)
		if err != nil || len(rows) != 5 || rows[0].What != "invited" || rows[4].What != "first member" {
			t.Errorf("%v %+v", err, rows)
		}
	})
}

func second[T any](_ T, err error) error { return err }

func TestSessionsAndResets(t *testing.T) {
	both(t, func(t *testing.T, a *Access, clock *time.Time, mails *[]string) {
		ana := manager(t, a)
		one, _ := a.Enter(t.Context(), "ana@example.org", good, "192.0.2.1", "one", "")
		two, _ := a.Enter(t.Context(), "ana@example.org", good, "192.0.2.1", "two", "")
		if err := a.EndSession(t.Context(), ana, ""); err != nil {
			t.Fatal(err)
		}
		for _, s := range []string{one, two, "", "forged"} {
			if _, err := a.Session(t.Context(), s); fault.KindOf(err) != fault.Denied {
				t.Errorf("an ended or forged session works: %v", err)
			}
		}
		p, err := a.People(t.Context(), ana)
		if err != nil || len(p.Sessions) != 1 {
			t.Errorf("%d sessions, %v", len(p.Sessions), err)
		}
		// A new password by mail ends all sessions; unknown addresses say the same.
		if err := a.Forgot(t.Context(), "nobody@example.org", "192.0.2.1"); err != nil || len(*mails) != 0 {
			t.Errorf("%v, %d mails", err, len(*mails))
		}
		if err := a.Forgot(t.Context(), "ana@example.org", "192.0.2.1"); err != nil {
			t.Fatal(err)
		}
		secret := secretOf(t, (*mails)[0], "reset")
		if _, err := a.Join(t.Context(), secret, "X", good); fault.KindOf(err) != fault.NotFound {
			t.Errorf("a reset link joins: %v", err)
		}
		three, _ := a.Enter(t.Context(), "ana@example.org", good, "192.0.2.1", "three", "")
		if _, err := a.Reset(t.Context(), secret, "another four words"); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Session(t.Context(), three); fault.KindOf(err) != fault.Denied {
			t.Errorf("a session outlived the new password: %v", err)
		}
		if _, err := a.Enter(t.Context(), "ana@example.org", good, "192.0.2.1", "", ""); fault.KindOf(err) != fault.Denied {
			t.Errorf("the old password works: %v", err)
		}
		four, err := a.Enter(t.Context(), "ana@example.org", "another four words", "192.0.2.1", "", "")
		if err != nil {
			t.Fatal(err)
		}
		*clock = clock.Add(15 * 24 * time.Hour)
		if _, err := a.Session(t.Context(), four); fault.KindOf(err) != fault.Denied {
			t.Errorf("a session of a fortnight ago: %v", err)
		}
	})
}

// Guesses are held by host and member together: nobody can lock a member out from
// elsewhere. Guesses from many hosts are held too, but not where the member has signed
// in before.
func TestTriesAreLimited(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, _ *[]string) {
		manager(t, a)
		try := func(password, host, kept string) string {
			_, err := a.Enter(t.Context(), "ana@example.org", password, host, "", kept)
			return fault.SentenceOf(err)
		}
		const often = "too many tries"
		guess := func(host string, n int) (last string) {
			for range n {
				last = try("wrong", host, "")
			}
			return last
		}
		if guess("192.0.2.9", perPair) == often || guess("192.0.2.9", 1) != often {
			t.Error("a host has not ten tries")
		}
		if got := try(good, "192.0.2.9", ""); got != often {
			t.Errorf("the host that guessed is let in: %q", got)
		}
		if got := try(good, "192.0.2.1", ""); got != "" {
			t.Errorf("the member is locked out by another host: %q", got)
		}
		if got := try(good, "192.0.2.9", a.Remember("Ana@example.org ")); got != "" {
			t.Errorf("a known browser is locked out: %q", got)
		}
		forged := []string{a.Remember("bo@example.org"), (&Access{Key: []byte("other")}).Remember("ana@example.org"),
			(&Access{}).Remember("ana@example.org"), "x", ".", "x."}
		for _, kept := range forged {
			if got := try(good, "192.0.2.9", kept); got != often {
				t.Errorf("the browser of somebody else, %q, is let in: %q", kept, got)
			}
		}
		if guess("2001:db8:1:2::1", perPair) == often || guess("2001:db8:1:2:ffff::9", 1) != often || guess("2001:db8:1:3::1",
			1) == often {
			t.Error("one IPv6 network is not one host")
		}
	})
}

// Who has many hosts gets no more than so many tries at one member; the member's own
// browser is let in all the same.
func TestManyHostsAreLimited(t *testing.T) {
	a := &Access{Key: []byte("k")}
	n := 0
	for i := range 2 * perMember {
		if a.mayTry("ana@example.org", fmt.Sprint("192.0.2.", i), "") {
			n++
		}
	}
	if n != perMember {
		t.Errorf("%d tries", n)
	}
	if a.mayTry("ana@example.org", "198.51.100.1", "") || !a.mayTry("ana@example.org", "198.51.100.1",
		a.Remember("ana@example.org")) {
		t.Error("the member's own browser is not told from another")
	}
	kept := a.Remember("bo@example.org")
	for range perKnown {
		a.mayTry("bo@example.org", "192.0.2.1", kept)
	}
	if a.mayTry("bo@example.org", "192.0.2.1", kept) {
		t.Error("a known browser guesses without end")
	}
}

// Who is removed, or no longer a manager, loses the keys that they made; others keep
// theirs. Calendars are only read: they end with the member.
func TestKeysEndWithTheirMaker(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, mails *[]string) {
		ana := manager(t, a)
		joined := func(email string) Who {
			if _, err := a.Invite(t.Context(), ana, email, Manager); err != nil {
				t.Fatal(err)
			}
			if _, err := a.Join(t.Context(), secretOf(t, (*mails)[len(*mails)-1], "join"), "X", good+" too"); err != nil {
				t.Fatal(err)
			}
			return enter(t, a, email, good+" too")
		}
		key := func(w Who) string {
			secret, err := a.MakeToken(t.Context(), w, "CRM", []string{"read", "write"}, 3650)
			if err != nil {
				t.Fatal(err)
			}
			if err := a.DB.Update(t.Context(), func(tx *store.Tx) error {
				return tx.AddCalendar(t.Context(), store.Calendar{Account: "main", Hash: w.Email, ID: w.Email, Kind: "shop",
					MadeBy: w.Email})
			}); err != nil {
				t.Fatal(err)
			}
			return secret
		}
		bo, cy := joined("bo@example.org"), joined("cy@example.org")
		of := map[string]string{"ana": key(ana), "bo": key(bo), "cy": key(cy)}
		works := func(want ...string) {
			t.Helper()
			for who, secret := range of {
				_, err := a.Bearer(t.Context(), secret)
				if (err == nil) != slices.Contains(want, who) {
					t.Errorf("the key of %s: %v", who, err)
				}
			}
		}
		calendars := func(want int) {
			t.Helper()
			if err := a.DB.View(t.Context(), func(tx *store.Tx) error {
				cs, err := tx.Calendars(t.Context(), "main")
				if len(cs) != want {
					t.Errorf("%d calendars, want %d", len(cs), want)
				}
				return err
			}); err != nil {
				t.Fatal(err)
			}
		}
		if err := a.SetRole(t.Context(), ana, bo.Email, Manager); err != nil {
			t.Fatal(err)
		}
		works("ana", "bo", "cy")
		if err := a.SetRole(t.Context(), ana, bo.Email, Technician); err != nil {
			t.Fatal(err)
		}
		works("ana", "cy")
		calendars(3)
		if err := a.Remove(t.Context(), ana, cy.Email); err != nil {
			t.Fatal(err)
		}
		works("ana")
		calendars(2)
	})
}

// Who invites does not learn that an address signs in to another account; the person
// does.
func TestInvitingTellsNothingOfOtherAccounts(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, mails *[]string) {
		ana := manager(t, a)
		if err := a.DB.Update(t.Context(), func(tx *store.Tx) error {
			if err := tx.SaveAccount(t.Context(), coach.Account{ID: "second", Name: "B Shop", Postal: "2 Road"}); err != nil {
				return err
			}
			return tx.AddMember(t.Context(), store.Member{Account: "second", Email: "bo@example.org", Role: string(Viewer)})
		}); err != nil {
			t.Fatal(err)
		}
		for _, email := range []string{"bo@example.org", "nobody@example.org"} {
			if link, err := a.Invite(t.Context(), ana, email, Viewer); err != nil || link != "" {
				t.Errorf("%s: %q, %v", email, link, err)
			}
		}
		if p, err := a.People(t.Context(), ana); err != nil || len(p.Invitations) != 2 {
			t.Errorf("%d invitations, %v", len(p.Invitations), err)
		}
		if len(*mails) != 2 || strings.Contains((*mails)[0], "/join/") || !strings.Contains((*mails)[0], "another account") ||
			!strings.Contains((*mails)[1], "/join/") {
			t.Errorf("%q", *mails)
		}
		if _, err := a.Invite(t.Context(), ana, "ana@example.org", Viewer); fault.KindOf(err) != fault.Conflict {
			t.Errorf("a member of this account: %v", err)
		}
	})
}

// A member changes the password with the present one; the other sessions end.
func TestChangePassword(t *testing.T) {
	both(t, func(t *testing.T, a *Access, _ *time.Time, _ *[]string) {
		ana := manager(t, a)
		mine, _ := a.Enter(t.Context(), ana.Email, good, "192.0.2.1", "", "")
		me, err := a.Session(t.Context(), mine)
		if err != nil {
			t.Fatal(err)
		}
		other, _ := a.Enter(t.Context(), ana.Email, good, "192.0.2.1", "", "")
		for name, err := range map[string]error{
			"a wrong one":  a.ChangePassword(t.Context(), me, "wrong", "another four words"),
			"a short one":  a.ChangePassword(t.Context(), me, good, "short"),
			"a common one": a.ChangePassword(t.Context(), me, good, "password12345"),
		} {
			if k := fault.KindOf(err); k != fault.Denied && k != fault.Invalid {
				t.Errorf("%s: %v", name, err)
			}
		}
		if err := a.ChangePassword(t.Context(), me, good, "another four words"); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Session(t.Context(), mine); err != nil {
			t.Errorf("the own session ended: %v", err)
		}
		if _, err := a.Session(t.Context(), other); fault.KindOf(err) != fault.Denied {
			t.Errorf("another session lives on: %v", err)
		}
		enter(t, a, ana.Email, "another four words")
		if _, err := a.Enter(t.Context(), ana.Email, good, "192.0.2.1", "", ""); fault.KindOf(err) != fault.Denied {
			t.Errorf("the old one works: %v", err)
		}
		for range perPair {
			err = a.ChangePassword(t.Context(), me, "wrong", "another four words")
		}
		if fault.SentenceOf(err) != "too many tries" {
			t.Errorf("guesses have no end: %v", err)
		}
	})
}

// A session ends thirty days after it began, however often it is used.
func TestSessionsEnd(t *testing.T) {
	both(t, func(t *testing.T, a *Access, clock *time.Time, _ *[]string) {
		manager(t, a)
		secret, _ := a.Enter(t.Context(), "ana@example.org", good, "192.0.2.1", "", "")
		begun := *clock
		for d := range 30 {
			*clock = begun.Add(time.Duration(d) * 24 * time.Hour)
			if _, err := a.Session(t.Context(), secret); err != nil {
				t.Fatalf("day %d: %v", d, err)
			}
		}
		*clock = begun.Add(atMost - time.Second)
		if _, err := a.Session(t.Context(), secret); err != nil {
			t.Errorf("a second before: %v", err)
		}
		*clock = begun.Add(atMost)
		if _, err := a.Session(t.Context(), secret); fault.KindOf(err) != fault.Denied {
			t.Errorf("after thirty days: %v", err)
		}
	})
}

func TestEasyPasswords(t *testing.T) {
	for _, p := range []string{"aaaaaaaaaaaa", "password1234", "Password123!", "P@ssw0rd2024", "qwertyuiop12",
		"123456789012", "letmeinletmein", "sealmanac2026", "ana@example.org", "heronbay heronbay",
		strings.Repeat("password", 25)} {
		if _, err := hashPassword(p, "ana@example.org", "Ana", "heronbay"); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q is taken: %v", p, err)
		}
	}
	for _, p := range []string{good, "another four words", "mdfoiu4wkjds", "correct horse battery staple",
		strings.Repeat("ab3 ", 50)} {
		if easy(p, []string{"ana@example.org", "Ana"}) {
			t.Errorf("%q is refused", p)
		}
	}
}

func TestTokens(t *testing.T) {
	both(t, func(t *testing.T, a *Access, clock *time.Time, _ *[]string) {
		ana := manager(t, a)
		secret, err := a.MakeToken(t.Context(), ana, "our CRM", []string{"read"}, 30)
		if err != nil {
			t.Fatal(err)
		}
		w, err := a.Bearer(t.Context(), secret)
		if err != nil || w.Account != "main" || !w.Scoped("read") || w.Scoped("write") || w.Role.May(Manager) {
			t.Errorf("%+v, %v", w, err)
		}
		a.Close()
		p, _ := a.People(t.Context(), ana)
		if len(p.Tokens) != 1 || p.Tokens[0].UsedAt == nil || strings.Contains(p.Tokens[0].Hash, secret) {
			t.Errorf("%+v", p.Tokens)
		}
		if err := a.RevokeToken(t.Context(), ana, p.Tokens[0].ID); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Bearer(t.Context(), secret); fault.KindOf(err) != fault.Denied {
			t.Errorf("a revoked key works: %v", err)
		}
		other, _ := a.MakeToken(t.Context(), ana, "short", []string{"read", "write"}, 1)
		*clock = clock.Add(25 * time.Hour)
		if _, err := a.Bearer(t.Context(), other); fault.KindOf(err) != fault.Denied {
			t.Errorf("a key of yesterday works: %v", err)
		}
	})
}

// The use of a key is noted every five minutes, and no request waits for that: on SQLite
// somebody else may be writing for a while.
func TestUseOfKeysIsNoted(t *testing.T) {
	both(t, func(t *testing.T, a *Access, clock *time.Time, _ *[]string) {
		ana := manager(t, a)
		secret, err := a.MakeToken(t.Context(), ana, "our CRM", []string{"read"}, 30)
		if err != nil {
			t.Fatal(err)
		}
		begun := *clock
		for _, c := range []struct {
			after time.Duration
			want  time.Duration // of the last note, after the beginning
		}{
			{0, 0}, {5*time.Minute - time.Microsecond, 0}, {5 * time.Minute, 5 * time.Minute},
			{10*time.Minute - time.Microsecond, 5 * time.Minute}, {11 * time.Minute, 11 * time.Minute},
		} {
			*clock = begun.Add(c.after)
			if _, err := a.Bearer(t.Context(), secret); err != nil {
				t.Fatal(err)
			}
			a.Close()
			p, err := a.People(t.Context(), ana)
			if err != nil || len(p.Tokens) != 1 || p.Tokens[0].UsedAt == nil {
				t.Fatalf("%+v %v", p.Tokens, err)
			}
			if got := time.UnixMicro(*p.Tokens[0].UsedAt).Sub(begun); got != c.want {
				t.Errorf("after %v it was noted as used after %v, want %v", c.after, got, c.want)
			}
		}
		*clock = begun.Add(time.Hour)
		writes, ends := make(chan struct{}), make(chan struct{})
		ended := make(chan error)
		go func() {
			ended <- a.DB.Update(t.Context(), func(tx *store.Tx) error {
				if err := tx.OptOut(t.Context(), "main", "x@example.org"); err != nil {
					return err
				}
				close(writes)
				<-ends
				return nil
			})
		}()
		<-writes
		for range 3 { // a request that waited would wait until the writer ends, which it does after these
			if _, err := a.Bearer(t.Context(), secret); err != nil {
				t.Errorf("while somebody writes: %v", err)
			}
		}
		close(ends)
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		a.Close()
		p, err := a.People(t.Context(), ana)
		if err != nil || time.UnixMicro(*p.Tokens[0].UsedAt).Sub(begun) != time.Hour {
			t.Errorf("the use was not noted afterwards: %+v %v", p.Tokens, err)
		}
	})
}
