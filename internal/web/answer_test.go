package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// spoken gives the rig its languages.
func (x *rig) spoken() {
	x.t.Helper()
	x.desk.Words = &wording.Catalogue{}
	for tag, po := range config.Words {
		if bad := x.desk.Words.Add(tag, po); len(bad) > 0 {
			x.t.Fatal(bad)
		}
	}
}

// told is a message that the owner of account one got; where are edges of slide s.
func (x *rig) told(n int, task coach.TaskKind, language string, where ...string) reminder.Notice {
	x.t.Helper()
	id := fmt.Sprintf("%032x", n)
	m := reminder.Notice{
		Key:        id,
		Account:    "one",
		Coach:      "zf-1",
		Person:     marker + "@example.org",
		PersonName: marker + " owner",
		Task:       task,
		Language:   language,
		Target: civil.Of(
			2026,
			3,
			17,
		),
		NotBefore: x.db.Now(),
		LinkID:    id,
		MessageID: "<" + id + "@x>",
		Subject:   "subject of " + string(task),
		Why:       "It is time.",
	}
	for _, w := range where {
		key := string(task) + "|s/" + w + "|2022-05-01"
		m.TaskKey, m.Run, m.Covers = key, "s/"+w, append(m.Covers, key+"#0")
	}
	err := x.db.Update(context.Background(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(context.Background(), civil.Of(2026, 3, 3), []reminder.Notice{m})
		return err
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return m
}

// link returns the path of an answer to a message.
func (x *rig) link(n reminder.Notice, k reminder.AnswerKind) string {
	return strings.TrimPrefix(x.desk.Signer.Links(&n)[k], x.desk.Signer.BaseURL)
}

// press sends an answer and returns the page.
func (x *rig) press(path string, form url.Values) (int, string) {
	x.t.Helper()
	if form == nil {
		form = url.Values{}
	}
	code, body, _ := x.send(http.DefaultClient, "POST "+path, nil, form)
	return code, body
}

// mails returns the texts of the mails to the shop, by subject.
func (x *rig) mails() map[string]string {
	x.t.Helper()
	out := map[string]string{}
	rows, err := x.desk.Notices(context.Background(), "one", 100)
	if err != nil {
		x.t.Fatal(err)
	}
	for _, r := range rows {
		if r.Person == "one@example.org" {
			out[r.Subject] = r.Text
		}
	}
	return out
}

// What a confirmation says is what is on record, in the person's language.
func TestConfirmationsSayWhatIsStored(t *testing.T) {
	x := newRig(t)
	x.spoken()
	if err := x.desk.Pin(t.Context(), "one", "m", "zf-1",
		desk.DayChange{Day: civil.Of(2026, 4, 1), At: 9*60 + 30}); err != nil {
		t.Fatal(err)
	}
	care := x.told(1, coach.Lubricate, "en", "outer/top")
	renew := x.told(2, coach.ReplaceBulb, "en", "outer/top")
	visit := x.told(3, coach.BookedVisit, "en")
	for i, c := range []struct {
		n         reminder.Notice
		kind      reminder.AnswerKind
		form      url.Values
		want, not []string
	}{
		{care, reminder.Done, url.Values{"day": {"2026-02-20"}, "product": {"petroleum"}},
			[]string{"done on February 20, 2026. The next reminder counts from that day.",
				"wash it off with mild soap and water", "makers of your coach"}, []string{"today"}},
		{care, reminder.Done, url.Values{"day": {"2026-03-01"}},
			[]string{"You told us this before, and that day stays on record."}, []string{"March 1", "petroleum", "Petroleum"}},
		{renew, reminder.Done, nil, []string{"until then its date stays"}, []string{"We recorded", "counts from"}},
		{renew, reminder.Later, nil, []string{"We will remind you again after March 24, 2026."}, []string{"Until"}},
		{renew, reminder.Book, nil, []string{"booked in already, for April 1, 2026 at 09:30"},
			[]string{"Somebody will get in touch"}},
		{visit, reminder.Book, nil, []string{"Until then March 17, 2026 stays agreed."}, nil},
		{x.told(4, coach.ReplaceSeal, "es", "outer/top"), reminder.Later, nil, []string{"después del 24 de marzo de 2026"},
			nil},
		{x.told(5, coach.Inspect, "fr", "outer/top"), reminder.Later, nil, []string{"après le 24 mars 2026"}, nil},
		{x.told(6, coach.WaterTest, "fr", "outer/top"), reminder.Done, url.Values{"day": {"2026-03-01"}},
			[]string{"le 1er mars 2026"}, nil},
	} {
		path := x.link(c.n, c.kind)
		_, question, _ := x.send(http.DefaultClient, "GET "+path, nil, nil)
		for _, no := range []string{"We record the day"} {
			if c.n.Task == coach.ReplaceBulb && strings.Contains(question, no) {
				t.Errorf("%d: a replacement, which has no day, says %q", i, no)
			}
		}
		code, page := x.press(path, c.form)
		if code != http.StatusOK {
			t.Fatalf("%d: %d %s", i, code, page)
		}
		for _, w := range c.want {
			if !strings.Contains(page, w) {
				t.Errorf("%d: no %q in\n%s", i, w, page)
			}
		}
		for _, w := range c.not {
			if strings.Contains(page, w) {
				t.Errorf("%d: %q in\n%s", i, w, page)
			}
		}
	}
	if _, ok := x.mails()["Petroleum or solvent on the seals: zebrafinch coach"]; !ok {
		t.Errorf("the shop is not told of the petroleum: %v", x.mails())
	}
}

// A coach that moved needs a place that is known; the shop accepts it with one press.
func TestMovedNeedsItsPlace(t *testing.T) {
	x := newRig(t)
	x.spoken()
	n := x.told(1, coach.Lubricate, "es", "outer/top")
	path := x.link(n, reminder.Moved)
	for typed, want := range map[string][]string{
		"":              {"Por favor díganos dónde"},
		"Tuson, AZ":     {`value="Tuson, AZ"`, `name="choice" value="Tucson, AZ"`, "No encontramos"},
		"Springfield":   {`value="Springfield"`, `value="Springfield, MO"`, "varios lugares"},
		"Qxzy Nowhere!": {`value="Qxzy Nowhere!"`, "No encontramos"},
	} {
		code, page := x.press(path, url.Values{"where": {typed}})
		if code != http.StatusUnprocessableEntity || !strings.Contains(page, `role="alert"`) {
			t.Fatalf("%q: %d %s", typed, code, page)
		}
		for _, w := range want {
			if !strings.Contains(page, w) {
				t.Errorf("%q: no %q in\n%s", typed, w, page)
			}
		}
	}
	if rs, err := x.desk.Requests(t.Context(), "one"); err != nil || len(rs) != 0 || len(x.mails()) != 0 {
		t.Fatalf("%v: an unclear place reached the shop: %v %v", err, rs, x.mails())
	}
	code, page := x.press(path, url.Values{"where": {"Tuson, AZ"}, "choice": {"Tucson, AZ"}})
	if code != http.StatusOK || !strings.Contains(page, "Tucson, AZ") {
		t.Errorf("%d %s", code, page)
	}
	mail := x.mails()["Coach has moved: zebrafinch coach"]
	for _, w := range []string{"Tucson, AZ", "https://x.example.org/calls", "https://x.example.org/coach/zf-1"} {
		if !strings.Contains(mail, w) {
			t.Errorf("no %q in the mail:\n%s", w, mail)
		}
	}
	if strings.Contains(mail, "import") || strings.Contains(mail, "'sealmanac") {
		t.Errorf("the mail tells to run a command:\n%s", mail)
	}
	tech := x.as("technician@one.example.org")
	if _, calls, _ := x.send(tech, "GET /calls", nil, nil); !strings.Contains(calls, "Accept: parked in Tucson, AZ") ||
		!strings.Contains(calls, `name="since" value="2026-03-03"`) {
		t.Fatalf("%s", calls)
	}
	accept := url.Values{"place": {"Tucson, AZ"}, "since": {"2026-02-20"}}
	if code, body, to := x.send(tech, "POST /coach/zf-1/moved", nil, accept); code != http.StatusSeeOther ||
		to != "/calls?done=moved" {
		t.Fatalf("%d %s %s", code, to, body)
	}
	c := x.coach()
	if len(c.Stays) != 2 || c.Stays[0].Until != civil.Of(2026, 2, 19) || c.Stays[1].From != civil.Of(2026, 2, 20) ||
		c.Stays[1].Site.Name != "Tucson, AZ" ||
		c.Stays[1].Cycles != c.Stays[0].Cycles {
		t.Errorf("%+v", c.Stays)
	}
	if text, _, err := x.desk.Text(t.Context(), "one", "zf-1"); err != nil || !strings.Contains(text, "Tucson, AZ") {
		t.Errorf("%v: %s", err, text)
	}
	if ks := x.kinds(); ks[len(ks)-1] != "coach.saved" && !slices.Contains(ks, "coach.saved") {
		t.Errorf("%v", ks)
	}
	if _, changes, _ := x.send(x.as("manager@one.example.org"), "GET /changes", nil, nil); !strings.Contains(
		changes,
		"accepted a move",
	) {
		t.Error("the list of changes does not say it")
	}
	if rs, err := x.desk.Requests(t.Context(), "one"); err != nil || len(rs) != 0 {
		t.Errorf("%v: still asked: %v", err, rs)
	}
	if code, _, _ := x.send(tech, "POST /coach/zf-1/moved", nil, accept); code != http.StatusConflict {
		t.Errorf("accepted twice: %d", code)
	}
}

// Once a coach is sold its page, card, calendar and links ask for nothing; whoever said it
// can take it back for 30 days.
func TestSoldEndsEverything(t *testing.T) {
	x := newRig(t)
	x.spoken()
	n := x.told(1, coach.Lubricate, "en", "outer/top")
	k := x.coach()
	owner := "/o/" + x.desk.Signer.OwnerToken("one", &k)
	code, page := x.press(x.link(n, reminder.Sold), nil)
	if code != http.StatusOK || !strings.Contains(page, "The coach is still mine") {
		t.Fatalf("%d %s", code, page)
	}
	undo := x.link(n, reminder.NotSold)
	before := x.state("one")
	for _, path := range []string{owner, owner + "/card", owner + "/calendar.ics", x.link(n, reminder.Done),
		x.link(n, reminder.Book), x.link(n, reminder.Moved)} {
		code, page, _ := x.send(http.DefaultClient, "GET "+path, nil, nil)
		if code != http.StatusGone || !strings.Contains(page, "This coach was sold on March 3, 2026.") ||
			!strings.Contains(page, "The coach is still mine") ||
			strings.Contains(page, "press\" href") {
			t.Errorf("%s: %d\n%s", path, code, page)
		}
		if strings.HasPrefix(path, "/a/") {
			if code, _ := x.press(path, url.Values{"where": {"Tucson, AZ"}}); code != http.StatusGone {
				t.Errorf("POST %s: %d", path, code)
			}
		}
	}
	if code, _, _ := x.send(http.DefaultClient, "GET "+x.link(n, reminder.Stop), nil, nil); code != http.StatusOK {
		t.Errorf("stopping: %d", code)
	}
	if after := x.state("one"); after != before {
		t.Errorf("an ended link changed something:\n%s\n%s", before, after)
	}
	for range 2 { // pressed twice
		if code, page := x.press(undo, nil); code != http.StatusOK ||
			!strings.Contains(page, "The coach is still yours.") {
			t.Fatalf("%d %s", code, page)
		}
	}
	if x.coach().Sold != 0 {
		t.Error("it is still sold")
	}
	if code, _, _ := x.send(http.DefaultClient, "GET "+owner, nil, nil); code != http.StatusOK {
		t.Errorf("the owner's page: %d", code)
	}
	if ks := x.kinds(); !slices.Contains(ks, "coach.transferred") || ks[len(ks)-1] != "coach.transfer_undone" ||
		slices.Contains(ks[:len(ks)-1], "coach.transfer_undone") {
		t.Errorf("%v", ks)
	}
	if _, changes, _ := x.send(x.as("manager@one.example.org"), "GET /changes", nil, nil); !strings.Contains(
		changes,
		"not sold after all",
	) {
		t.Error("the list of changes does not say it")
	}
	// What the sale withdrew comes again with the next pass.
	if res := x.pass(civil.Of(2026, 3, 3)); len(res.Notices()) == 0 {
		t.Error("no message comes again")
	}
	// On the 30th day it can be taken back, on the 31st not.
	x.press(x.link(n, reminder.Sold), nil)
	for days, want := range map[int]bool{30: true, 31: false} {
		at := time.Date(2026, 3, 3+days, 18, 0, 0, 0, time.UTC)
		x.desk.Now = func() time.Time { return at }
		_, page, _ := x.send(http.DefaultClient, "GET "+owner, nil, nil)
		if strings.Contains(page, "The coach is still mine") != want {
			t.Errorf("after %d days: %s", days, page)
		}
		if code, _, _ := x.send(http.DefaultClient, "GET "+undo, nil, nil); (code == http.StatusOK) != want {
			t.Errorf("after %d days the link: %d", days, code)
		}
	}
}

// Reminders that were stopped can be switched on again where that was confirmed, and on
// the owner's page.
func TestStopAndRestart(t *testing.T) {
	x := newRig(t)
	n := x.told(1, coach.Lubricate, "en", "outer/top")
	k := x.coach()
	owner := "/o/" + x.desk.Signer.OwnerToken("one", &k)
	off := func() bool {
		var outs map[string]bool
		if err := x.db.View(t.Context(), func(tx *store.Tx) (err error) {
			outs, err = tx.OptOuts(t.Context(), "one")
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return outs[marker+"@example.org"]
	}
	_, confirmed := x.press(x.link(n, reminder.Stop), nil)
	_, page, _ := x.send(http.DefaultClient, "GET "+owner, nil, nil)
	if !off() || !strings.Contains(page, "Your reminders are off.") {
		t.Fatalf("%t %s", off(), page)
	}
	for _, p := range []string{confirmed, page} {
		x.press(x.link(n, reminder.Stop), nil)
		_, rest, ok := strings.Cut(p, `action="/a/`)
		token, _, _ := strings.Cut(rest, `"`)
		if !ok || !strings.Contains(p, "Reminders on again</button>") {
			t.Fatalf("no way back:\n%s", p)
		}
		if code, said := x.press("/a/"+token, nil); code != http.StatusOK || off() ||
			!strings.Contains(said, "Reminders are on again.") {
			t.Errorf("%d %t %s", code, off(), said)
		}
	}
	if ks := x.kinds(); ks[len(ks)-1] != "notice.opted_in" {
		t.Errorf("%v", ks)
	}
	if _, page, _ = x.send(http.DefaultClient, "GET "+owner, nil, nil); strings.Contains(page, "reminders are off") {
		t.Errorf("%s", page)
	}
}

// The owner's page shows what was answered and does not ask for it again.
func TestOwnerSeesTheAnswers(t *testing.T) {
	x := newRig(t)
	rows, err := x.desk.Notices(t.Context(), "one", 10)
	if err != nil || len(rows) != 1 {
		t.Fatal(err, len(rows))
	}
	n, err := rows[0].Notice()
	if err != nil {
		t.Fatal(err)
	}
	other := n // another message about the same came after it and is not answered
	other.Key, other.LinkID, other.MessageID = "later", strings.Repeat("9", 32), "<later@x>"
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.AddNotices(t.Context(), civil.Of(2026, 3, 3), []reminder.Notice{other}); err != nil {
			return err
		}
		_, err := tx.SQL().ExecContext(t.Context(), `UPDATE notice SET state = 'accepted' WHERE account_id = 'one'`)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	k := x.coach()
	look := func() string {
		t.Helper()
		_, page, _ := x.send(http.DefaultClient, "GET /o/"+x.desk.Signer.OwnerToken("one", &k), nil, nil)
		return page
	}
	if page := look(); !strings.Contains(page, "Book the shop</a>") {
		t.Fatalf("nothing is asked:\n%s", page)
	}
	x.press(x.link(n, reminder.Book), nil)
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.SQL().ExecContext(t.Context(), `UPDATE notice SET answered_at = NULL WHERE account_id = 'one'`)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if page := look(); !strings.Contains(page, "You asked for an appointment on March 3, 2026.") ||
		strings.Contains(page, "Book the shop</a>") {
		t.Errorf("%s", page)
	}
	moved := x.told(1, coach.Lubricate, "en", "outer/top")
	x.press(x.link(moved, reminder.Moved), url.Values{"where": {"Tucson, AZ"}})
	if page := look(); !strings.Contains(page, "You told us on March 3, 2026 that it stands in Tucson, AZ now.") {
		t.Errorf("%s", page)
	}
}

// A mail to the shop has what a call needs, and says what the person meant.
func TestMailsToTheShop(t *testing.T) {
	x := newRig(t)
	text, version, err := x.desk.Text(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	text = strings.Replace(
		text,
		"email: "+marker+"@example.org",
		"email: "+marker+"@example.org\n    phone: 541-555-0100",
		1,
	)
	for _, run := range []string{"outer/rear", "inner/top", "inner/rear"} {
		text = strings.Replace(
			text,
			"    - edge: outer/top\n",
			"    - {edge: "+run+", construction: push_on, fitted: 2022-05-01, parts: [{part: bulb, material: epdm_sponge}]}\n  "+
				"  - edge: outer/top\n",
			1,
		)
	}
	if _, bad, err := x.desk.SaveText(t.Context(), "one", "m", "zf-1", version, "x.yaml", []byte(text)); err != nil ||
		bad.Err() != nil {
		t.Fatal(err, bad, text)
	}
	x.press(x.link(x.told(1, coach.ReplaceBulb, "en", "outer/top", "outer/aft", "inner/top"), reminder.Book), nil)
	x.press(x.link(x.told(2, coach.BookedVisit, "en"), reminder.Book), nil)
	x.press(x.link(x.told(3, coach.SafetyStop, "en", "outer/top"), reminder.Book), nil)
	x.press(x.link(x.told(4, coach.Lubricate, "en", "outer/top"), reminder.Sold), nil)
	mails := x.mails()
	for subject, want := range map[string]string{
		"Appointment asked for: zebrafinch coach: subject of replace_bulb": "outer top edge, outer rear edge, inner top " +
			"edge|zebrafinch coach (zf-1)|asks for an appointment",
		"Cannot come on March 17, 2026: zebrafinch coach": "cannot come on March 17, 2026 and needs " +
			"another day|stays agreed until",
		"Safety stop, please call: zebrafinch coach": "answered the safety stop and wants a call",
		"Coach sold: zebrafinch coach":               "can undo it for 30 days",
	} {
		mail, ok := mails[subject]
		for _, w := range append(strings.Split(want, "|"), "541-555-0100", "https://x.example.org/coach/zf-1",
			marker+"@example.org") {
			if !strings.Contains(mail, w) {
				t.Errorf("%q (%t): no %q in\n%s", subject, ok, w, mail)
			}
		}
		for _, no := range []string{"'sealmanac", "mport", "s/outer", "Booking asked for"} {
			if strings.Contains(mail+subject, no) {
				t.Errorf("%q: %q in\n%s", subject, no, mail)
			}
		}
	}
	if len(mails) != 4 {
		t.Errorf("%d mails: %v", len(mails), mails)
	}
}

// A link that does not work answers in the language of its person, with the shop to ask.
func TestBrokenLinksSpeak(t *testing.T) {
	x := newRig(t)
	x.spoken()
	if err := x.db.Update(t.Context(), func(tx *store.Tx) error {
		a, err := tx.Account(t.Context(), "one", false)
		if err != nil {
			return err
		}
		a.Phone = "541-555-0199"
		return tx.SaveAccount(t.Context(), a)
	}); err != nil {
		t.Fatal(err)
	}
	n := x.told(1, coach.Lubricate, "es", "outer/top")
	old := "/a/" + x.desk.Signer.Token(reminder.Done, n.LinkID, civil.Of(2026, 3, 1))
	get := func(path, language string) (int, string) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), "GET", x.srv.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept-Language", language)
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close() //nolint:errcheck // read whole
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(b)
	}
	if code, page := get(old, "en"); code != http.StatusNotFound || !strings.Contains(page, "Este enlace") ||
		!strings.Contains(page, "541-555-0199") ||
		!strings.Contains(page, `lang="es"`) {
		t.Errorf("%d %s", code, page)
	}
	for _, path := range []string{"/a/broken", "/o/broken", "/o/broken/card", "/o/broken/calendar.ics"} {
		if code, page := get(path, "fr-CA,fr;q=0.9,en;q=0.5"); code != http.StatusNotFound ||
			!strings.Contains(page, "Ce lien") ||
			strings.Contains(page, "Shop one") {
			t.Errorf("%s: %d %s", path, code, page)
		}
	}
	if code, page := get("/a/broken", "de"); code != http.StatusNotFound ||
		!strings.Contains(page, "This link is not valid") {
		t.Errorf("%d %s", code, page)
	}
	stop := x.told(2, coach.SafetyStop, "es", "outer/top")
	if code, page := get(x.link(stop, reminder.Later), "en"); code != http.StatusBadRequest ||
		!strings.Contains(page, "Llame al taller") ||
		!strings.Contains(page, "541-555-0199") {
		t.Errorf("%d %s", code, page)
	}
}
