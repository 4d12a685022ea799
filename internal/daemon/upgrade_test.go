package daemon

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// renamed says what migrations gave another name, so that the rows of before are found
// again: "table" or "table.column" in the names of before, and the name of now. An empty
// name means that it is gone, or that the migration writes other values there; the reason
// stands beside it, and what else checks them.
var renamed = map[string]string{
	"coach.doc":   "", // it is rewritten in the shape of schema 19; sameCoaches reads all of it
	"kept_answer": "idempotency_record", "quiet": "paused_account",
	"account.made_at": "created_at",
	"service.said_by": "recorded_by", "service.made_at": "created_at",
	"reading.said_by": "recorded_by", "reading.made_at": "changed_at",
	"coach_report.made_at": "changed_at",
	"answer.made_at":       "changed_at",
	"opt_out.made_at":      "created_at",
	"bad_address.words":    "reply", "bad_address.made_at": "changed_at",
	"pass.made_at":     "changed_at",
	"forecast.hold":    "undated_why",
	"life.made_at":     "changed_at",
	"rules.made_at":    "created_at",
	"workshop.made_at": "changed_at",
	"campaign.words":   "body", "campaign.said_by": "created_by", "campaign.made_at": "created_at",
	"notice.made_on": "created_on", "notice.settled_at": "finished_at",
	"member.made_at":   "created_at",
	"one_time.made_by": "created_by", "one_time.until_at": "expires_at",
	"session.made_at": "created_at", "session.until_at": "expires_at",
	"api_token.made_by": "created_by", "api_token.made_at": "created_at", "api_token.until_at": "expires_at",
	"attachment.made_by": "created_by", "attachment.made_at": "created_at",
	"event.made_at":    "created_at",
	"endpoint.trouble": "last_error", "endpoint.made_by": "created_by", "endpoint.made_at": "created_at",
	"calendar.made_by": "created_by", "calendar.made_at": "created_at",
	"calendar_entry.words": "description",
	"kept_answer.idem_key": "idempotency_key", "kept_answer.asked": "request_hash", "kept_answer.made_at": "claimed_at",
}

// nameNow returns what a column, or a table with a column of "", is called now; it is ""
// when it is gone.
func nameNow(table, column string) string {
	if to, ok := renamed[strings.TrimSuffix(table+"."+column, ".")]; ok {
		return to
	}
	return cmp.Or(column, table)
}

// Stores of every schema that ever landed, made by the programs of their time, come
// through the upgrade: nothing is lost, nobody is written to twice about the same thing,
// and what was handed out (links, addresses, keys) still opens the same.
func TestUpgrade(t *testing.T) {
	dir := testkit.File(t, "upgrade")
	files, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil || len(files) < 24 {
		t.Fatalf("%d fixtures: %v", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".json")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			checkUpgrade(t, filepath.Join(dir, name))
		})
	}
}

// checkMade checks the fixtures that the program at hand has just made.
func checkMade(t *testing.T, dir string) {
	files, _ := filepath.Glob(filepath.Join(dir, "*.json")) // the pattern is a sound one
	if len(files) < 1 {
		t.Error("nothing was made")
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".json")
		t.Run(name, func(t *testing.T) { checkUpgrade(t, filepath.Join(dir, name)) })
	}
}

func checkUpgrade(t *testing.T, name string) {
	text, err := os.ReadFile(name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var m manifest
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	conf, raw := openFixture(t, name, m.Database)
	db := raw()
	before := everything(t, db)
	now := manifest{Schema: m.Schema, Database: m.Database, Day: m.Day, Links: m.Links, Secrets: m.Secrets}
	if now.read(t, db); !reflect.DeepEqual(now, m) {
		t.Errorf("the fixture is not what its manifest says:\n%+v\n%+v", now, m)
	}
	_ = db.Close() // read only

	c := settings.Default()
	conf(&c)
	s, err := OpenStore(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	_ = s.Close() // opened anew below
	db = raw()
	nothingLost(t, before, everything(t, db))
	documentsAreOfToday(t, before["coach"], db)
	_ = db.Close() // read only

	day, err := civil.Parse(m.Day)
	if err != nil {
		t.Fatal(err)
	}
	f := runFixture(t, conf, dawn(day))
	defer f.close()
	f.sameCoaches(before["coach"])
	f.nextDays(&m, day)
	f.opens(&m)
}

// openFixture unpacks a fixture; raw opens it without a look at its schema.
func openFixture(t *testing.T, name, database string) (conf func(*settings.Config), raw func() *sql.DB) {
	t.Helper()
	file, err := os.Open(name + ".gz")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close() //nolint:errcheck // read only
	z, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if database == "sqlite" {
		path := filepath.Join(t.TempDir(), "x.db")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return func(c *settings.Config) { c.StorePath = path }, func() *sql.DB { return rawSQLite(t, path) }
	}
	dsn := testkit.Postgres(t)
	db := rawDB(t, "postgres", dsn)
	defer db.Close() //nolint:errcheck // what it did was checked
	if _, err := db.Exec(dumped(data)); err != nil {
		t.Fatal(err)
	}
	conf = func(c *settings.Config) { c.StoreKind, c.StoreDSN = "postgres", settings.Secret(dsn) }
	return conf, func() *sql.DB { return rawDB(t, "postgres", dsn) }
}

// dumped is a dump without what only its own server and client know: the settings at its
// head, and commands of the client.
func dumped(data []byte) string {
	if k := bytes.Index(data, []byte("\nCREATE ")); k >= 0 {
		data = data[k:]
	}
	if k := bytes.LastIndex(data, []byte("\n\\unrestrict")); k >= 0 {
		data = data[:k]
	}
	return "SET check_function_bodies = false;\n" + string(data)
}

// everything returns all rows of our tables.
func everything(t *testing.T, db *sql.DB) map[string][][]cell {
	t.Helper()
	out := map[string][][]cell{}
	for _, name := range ownTables(t, db) {
		out[name] = table(t, db, "SELECT * FROM "+name)
	}
	return out
}

// nothingLost looks for every row of before among those of now: the same in all columns
// that it had.
func nothingLost(t *testing.T, before, now map[string][][]cell) {
	t.Helper()
	for name, rows := range before {
		as := nameNow(name, "")
		if as == "" {
			continue
		}
		if _, ok := now[as]; !ok {
			t.Errorf("table %s is gone", name)
			continue
		}
		columns := map[string]bool{} // those of before that are still there, in the names of now
		keys := make([]string, len(rows))
		for i, row := range rows {
			var kept []cell
			for _, c := range row {
				if to := nameNow(name, c.column); to != "" {
					columns[to] = true
					kept = append(kept, cell{to, c.value})
				}
			}
			keys[i] = line(kept)
		}
		left := map[string]int{}
		for _, row := range now[as] {
			left[line(slices.DeleteFunc(row, func(c cell) bool { return !columns[c.column] }))]++
		}
		for _, key := range keys {
			if left[key]--; left[key] < 0 {
				t.Errorf("a row of %s is lost or changed: %.600s", name, key)
			}
		}
	}
}

// documentsAreOfToday checks that the migration rewrote every coach, and filled the columns
// by which coaches with a feed or with a reading that can mean danger are found. Documents
// of before were searched for their text.
func documentsAreOfToday(t *testing.T, before [][]cell, db *sql.DB) {
	t.Helper()
	if old := lines(t, db, `SELECT coach_id FROM coach WHERE doc NOT LIKE '{"v":1,"id":"%'`); len(old) > 0 {
		t.Errorf("these coaches were not rewritten: %v", old)
	}
	feed := regexp.MustCompile(`"Feed":"(https://[^"]*)"`)
	danger := regexp.MustCompile(`"Readings":\[.*"Kind":"(light|soft_floor|hose_test)"`)
	var want []string
	for _, row := range before {
		at := map[string]string{}
		for _, c := range row {
			at[c.column] = c.value
		}
		if !strings.HasPrefix(at["doc"], `{"ID"`) {
			return // of a schema that had the columns; they are compared with the rest
		}
		address, n := "", 0
		if m := feed.FindStringSubmatch(at["doc"]); m != nil {
			address = m[1]
		}
		if danger.MatchString(at["doc"]) {
			n = 1
		}
		if address != "" || n > 0 {
			want = append(want, fmt.Sprint(at["account_id"], " ", at["coach_id"], " ", n, " ", address))
		}
	}
	slices.Sort(want)
	for i, w := range want {
		want[i] = strings.TrimRight(w, " ")
	}
	got := lines(t, db, `SELECT account_id, coach_id, danger, feed FROM coach WHERE feed <> '' OR danger = 1`)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("feeds and dangers: %q, want %q", got, want)
	}
}

// line writes a row so that equal rows are equal lines.
func line(row []cell) string {
	var out []string
	for _, c := range row {
		out = append(out, c.column+"="+c.value)
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// sameCoaches reads every coach and finds in it all that its document of before said,
// wherever it stands now.
func (f *fixture) sameCoaches(rows [][]cell) {
	f.t.Helper()
	for _, row := range rows {
		at := map[string]string{}
		for _, c := range row {
			at[c.column] = c.value
		}
		var c coach.Coach
		err := f.DB.View(f.t.Context(), func(tx *store.Tx) (err error) {
			c, _, err = tx.Coach(f.t.Context(), coach.AccountID(at["account_id"]), coach.ID(at["coach_id"]))
			return err
		})
		if err != nil {
			f.t.Fatal(err)
		}
		whole, err := json.Marshal(c)
		if err != nil {
			f.t.Fatal(err)
		}
		have := said(f.t, whole)
		for word, n := range said(f.t, []byte(at["doc"])) {
			if have[word] < n {
				f.t.Errorf("%s says %q %d times, and said it %d times", c.ID, word, have[word], n)
			}
		}
	}
}

// said counts the words and numbers in a JSON text; those that say nothing are left out, as
// is the version of the document.
func said(t *testing.T, text []byte) map[string]int {
	t.Helper()
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for name, w := range v {
				if name != "v" {
					walk(w)
				}
			}
		case []any:
			for _, w := range v {
				walk(w)
			}
		default:
			if s := fmt.Sprint(v); v != nil && s != "" && s != "0" && s != "false" {
				out[s]++
			}
		}
	}
	walk(v)
	return out
}

// nextDays lets the upgraded program go on from the day on which the old one stopped, and
// checks what it sends.
func (f *fixture) nextDays(m *manifest, day civil.Date) {
	t, ctx := f.t, f.t.Context()
	t.Helper()
	before := f.notices(slices.Collect(maps.Keys(m.Notices)))
	silent := f.silent()
	m.unmailed = map[string]bool{}
	for why, reason := range silent {
		if reason == reminder.OptedOut || reason == reminder.BadAddress {
			m.unmailed[strings.Fields(why)[1]] = true
		}
	}
	pass := func(on civil.Date) {
		t.Helper()
		f.hand.Store(dawn(on).UnixNano())
		if _, _, err := f.RunPass(ctx, fixtureAccount, on); err != nil {
			t.Fatal(err)
		}
		f.nobodyTwice(m, before, on)
	}
	pass(day)
	for why, reason := range f.silent() {
		if was := silent[why]; was != reason && slices.Contains(firm, was) {
			t.Errorf("%s was %q before the upgrade and is %q on the same day", why, was, reason)
		}
	}
	f.hand.Store(dusk(day).UnixNano())
	f.deliver()
	f.nobodyTwice(m, before, day)
	arrived := map[string]int{}
	for _, mail := range f.box.Messages() {
		arrived["<"+must(mail.Header.MessageID())+">"]++
	}
	late := 0
	for key, old := range before {
		n := arrived[old.MessageID]
		switch {
		case n > 1, n > 0 && !open(old.State) && old.State != string(reminder.Withdrawn):
			t.Errorf("%s, which was %s, arrived %d times", key, old.State, n)
		case n == 1 && open(old.State):
			late++
		}
	}
	if late == 0 {
		t.Error("nothing of what waited at the upgrade arrived")
	}
	for _, days := range []int{1, 7, 21, 45} {
		pass(day.Add(days))
	}
	for _, row := range quietOnes(t, f) {
		if _, added, err := f.RunPass(ctx, coach.AccountID(row), day); err != nil || len(added) > 0 {
			t.Errorf("the quiet account %s writes %d messages: %v", row, len(added), err)
		}
	}
	f.hand.Store(dusk(day).UnixNano())
}

// firm are the reasons for silence that people gave about a task: they hold on after an
// upgrade.
var firm = []reminder.Reason{reminder.Snoozed, reminder.BookedAsked, reminder.DoneReported}

// silent returns why the last pass told people nothing, by coach, person and task.
func (f *fixture) silent() map[string]reminder.Reason {
	f.t.Helper()
	rows, err := f.Desk.Suppressed(f.t.Context(), fixtureAccount)
	if err != nil {
		f.t.Fatal(err)
	}
	out := map[string]reminder.Reason{}
	for _, r := range rows {
		out[r.Coach+" "+r.Person+" "+r.TaskKey] = reminder.Reason(r.Reason)
	}
	return out
}

func must[T any](v T, _ error) T { return v }

func open(state string) bool {
	return slices.Contains([]reminder.State{reminder.Queued, reminder.Sending, reminder.Retry}, reminder.State(state))
}

// quietOnes are the accounts of the fixture from which nothing may leave.
func quietOnes(t *testing.T, f *fixture) (out []string) {
	t.Helper()
	err := f.DB.View(t.Context(), func(tx *store.Tx) error {
		as, err := tx.Accounts(t.Context())
		if err != nil {
			return err
		}
		for _, a := range as {
			quiet, err := tx.Quiet(t.Context(), a.ID)
			if err != nil {
				return err
			}
			if quiet {
				out = append(out, string(a.ID))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if slices.Contains(out, string(fixtureAccount)) {
		t.Error("an account that wrote to people before does not any more")
	}
	return out
}

// notices returns notices by key.
func (f *fixture) notices(keys []string) map[string]store.NoticeRow {
	f.t.Helper()
	out := map[string]store.NoticeRow{}
	err := f.DB.View(f.t.Context(), func(tx *store.Tx) error {
		for _, k := range keys {
			row, err := tx.NoticeByKey(f.t.Context(), fixtureAccount, k)
			if err != nil {
				return fmt.Errorf("%s: %w", k, err)
			}
			out[k] = row
		}
		return nil
	})
	if err != nil {
		f.t.Fatal(err)
	}
	return out
}

// nobodyTwice holds all notices on a day against those of before the upgrade, and against
// what people had answered.
func (f *fixture) nobodyTwice(m *manifest, before map[string]store.NoticeRow, on civil.Date) {
	t := f.t
	t.Helper()
	for key, now := range f.notices(slices.Collect(maps.Keys(before))) {
		old := before[key]
		switch {
		case open(old.State), now.State == old.State && now.Tries == old.Tries:
		case old.State == string(reminder.Withdrawn) && !answeredBefore(t, m, &now, on):
			// It never left, and a pass may find that its reason is back.
		default:
			t.Errorf("on %s %s is %s after %d tries; it was %s after %d", on, key, now.State, now.Tries, old.State, old.Tries)
		}
	}
	rows, err := f.Desk.Notices(t.Context(), fixtureAccount, 1000)
	if err != nil {
		t.Fatal(err)
	}
	soon := must(civil.Parse(m.Day)).DaysUntil(on) <= 7
	for i := range rows {
		n := &rows[i]
		if _, known := before[n.Key]; known || strings.HasPrefix(n.TaskKey, "shop|") {
			continue
		}
		if answeredBefore(t, m, n, on) {
			t.Errorf("on %s %s is made although it was answered", on, n.Key)
		}
		for _, old := range before {
			same := old.State == string(reminder.Accepted) && old.Person == n.Person && old.Coach == n.Coach
			if same && again(t, n, &old, soon) {
				t.Errorf("on %s %s is made: %s was accepted", on, n.Key, old.Key)
			}
		}
	}
}

// again reports whether a message says what an earlier one said: the same step of the
// same task, whatever steps are called now. Contact limits do not hold back safety stops,
// so within days of the upgrade one for the same slide is the same one.
func again(t *testing.T, n, old *store.NoticeRow, soon bool) bool {
	t.Helper()
	said := covers(t, old)
	switch {
	case strings.Contains(n.Key, "~"): // begun anew after an answer had run out
		return false
	case slices.ContainsFunc(covers(t, n), func(c string) bool { return slices.Contains(said, c) }):
		return true
	case n.Task == string(coach.SafetyStop) && soon:
		return old.Task == n.Task && old.Run == n.Run
	}
	return n.TaskKey == old.TaskKey && n.Rung == old.Rung
}

func covers(t *testing.T, n *store.NoticeRow) (out []string) {
	t.Helper()
	if err := json.Unmarshal([]byte(n.Covers), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// answeredBefore reports whether a person wants no mail or cannot be mailed, or whether
// something that a message names was done, or put off beyond a day.
func answeredBefore(t *testing.T, m *manifest, n *store.NoticeRow, on civil.Date) bool {
	t.Helper()
	if m.unmailed[n.Person] {
		return true
	}
	return slices.ContainsFunc(m.Answers, func(line string) bool {
		w := strings.Fields(line + " -")
		named := slices.ContainsFunc(covers(t, n), func(c string) bool { return strings.HasPrefix(c, w[1]+"#") })
		if w[0] != n.Coach || !named || strings.HasPrefix(w[1], string(coach.SafetyStop)) {
			return false // a danger is not settled by a word
		}
		return w[2] == string(reminder.Done) || w[2] == string(reminder.Later) && on.String() < w[5]
	})
}

// meaning asks what a link means: its kind and its notice. A page's is its
// coach instead.
func (f *fixture) meaning(kind, token string) (string, error) {
	ctx := f.t.Context()
	switch kind {
	case "page":
		p, err := f.Desk.OwnerPage(ctx, token)
		return "page " + string(p.Coach.ID), err
	case "return":
		id, ok := f.Desk.Signer.ReadReturnPath(token)
		if !ok {
			return "nothing", nil
		}
		var row store.NoticeRow
		err := f.DB.View(ctx, func(tx *store.Tx) (err error) {
			row, err = tx.NoticeByLink(ctx, id)
			return err
		})
		return "return " + row.Key, err
	}
	q, err := f.Desk.Ask(ctx, token)
	return string(q.Kind) + " " + q.Notice.Key, err
}

// opens presses what the old program handed out.
func (f *fixture) opens(m *manifest) {
	t, ctx := f.t, f.t.Context()
	t.Helper()
	kinds := map[string]int{}
	for notice, ls := range m.Links {
		for _, l := range ls {
			kind, token, _ := strings.Cut(l, " ")
			kinds[kind]++
			about := notice
			if kind == "page" {
				about = strings.Split(notice, "|")[1]
			}
			meant, err := f.meaning(kind, token)
			stop := strings.Contains(notice, "|"+string(coach.SafetyStop)+"|")
			if stop && kind == string(reminder.Later) && fault.KindOf(err) == fault.Invalid {
				err = nil // a danger was put off by early versions; now the link says why it is not
			}
			if err != nil || meant != kind+" "+about {
				t.Errorf("%q of %s means %q now: %v", kind, notice, meant, err)
			}
		}
	}
	for _, k := range []reminder.AnswerKind{reminder.Done, reminder.Book, reminder.Later, reminder.Stop} {
		if kinds[string(k)] == 0 {
			t.Errorf("no link for %q was recorded", k)
		}
	}
	f.press(m.Links, reminder.Done, "jon@example.org")
	if s, ok := m.Secrets["key"]; ok {
		if w, err := f.Access.Bearer(ctx, s); err != nil || w.Account != fixtureAccount {
			t.Errorf("the key: %+v %v", w, err)
		}
	}
	if s, ok := m.Secrets["session"]; ok {
		if w, err := f.Access.Session(ctx, s); err != nil || w.Account != fixtureAccount {
			t.Errorf("the session: %+v %v", w, err)
		}
	}
	if s, ok := m.Secrets["calendar"]; ok {
		if _, err := f.Desk.CalendarText(ctx, s); err != nil {
			t.Errorf("the calendar: %v", err)
		}
	}
}
