package daemon

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/intake"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// This file makes the upgrade fixtures. It uses only what the program has had since its
// first schema, so that it also compiles in old checkouts; what a schema added stands in
// upgrade_more_test.go. DEVELOPERS.md says when a fixture is due.

var makeIn = flag.String("make", "", "folder in which TestMakeFixture leaves its fixtures")

// The fixture's account and the two days on which its program ran. The program stopped on
// the second day before dawn's notices left.
const fixtureAccount coach.AccountID = "tamarack"

var firstDay, lastDay = civil.Of(2026, 2, 10), civil.Of(2026, 2, 26)

// dawn and dusk lie before and after everybody's sending hours of a day.
func dawn(d civil.Date) time.Time { return d.Time().Add(11 * time.Hour) }
func dusk(d civil.Date) time.Time { return d.Time().Add(23 * time.Hour) }

// manifest says what must still hold after an upgrade. The kinds of links are the answers,
// "page" and "return".
type manifest struct {
	Schema   int64
	Database string
	Day      string // on which the program stopped
	Tables   map[string]int
	Notices  map[string]string   // state by key
	Links    map[string][]string // "kind token" of the links in mails that left, by notice
	Tasks    []string            // "coach key"
	Answers  []string            // "coach key kind person day until"
	OptOuts  []string
	Secrets  map[string]string `json:",omitempty"` // that the program handed out, by what they open

	unmailed map[string]bool // people whom the last pass did not mail at all, found by the test
}

// fixture is a program of some schema at work on a fixture.
type fixture struct {
	*Daemon
	t      *testing.T
	schema int64
	box    *mailbox.Mailbox
	hand   *atomic.Int64
}

// runFixture opens the store with a clock that stands at an instant.
func runFixture(t *testing.T, conf func(*settings.Config), at time.Time) *fixture {
	t.Helper()
	f := &fixture{t: t, hand: new(atomic.Int64)}
	f.hand.Store(at.UnixNano())
	var err error
	f.box, err = mailbox.Start(mailbox.Options{Refuse: func(to string) error {
		switch {
		case strings.HasPrefix(to, "nobody@"):
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}
		case strings.HasPrefix(to, "full@"):
			return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.box.Close() })
	c := settings.Default()
	c.OpsListen = ""
	conf(&c)
	c.Listen, c.PublicURL = "127.0.0.1:0", "https://seals.tamarack.example.org"
	c.MailAddress, c.MailTLS, c.MailFrom, c.MailHello = f.box.Addr(), "none", "seals@tamarack.example.org", "localhost"
	c.MailTimeout = 10 * time.Second
	moreSettings(&c)
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	f.Daemon, err = New(t.Context(), Options{
		Config: c, Rules: r, Tables: testkit.Tables(t), Log: slog.New(slog.DiscardHandler),
		Now:  func() time.Time { return time.Unix(0, f.hand.Load()).UTC() },
		Poll: 30 * time.Millisecond, Look: time.Hour,
	})
	if err != nil {
		t.Fatal(err)
	}
	if f.schema, _, err = f.DB.Schema(t.Context()); err != nil {
		t.Fatal(err)
	}
	return f
}

func (f *fixture) close() {
	f.t.Helper()
	if err := f.Close(context.Background()); err != nil {
		f.t.Error(err)
	}
}

// deliver starts the program and waits until nothing that is due is open, but for what
// the mail server put off.
func (f *fixture) deliver() {
	f.t.Helper()
	if err := f.Start(f.t.Context()); err != nil {
		f.t.Fatal(err)
	}
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		rows, err := f.Desk.Notices(f.t.Context(), fixtureAccount, 1000)
		if err != nil {
			f.t.Fatal(err)
		}
		open := 0
		for _, r := range rows {
			waits := r.State == string(reminder.Queued) && r.NotBefore > time.Unix(0, f.hand.Load()).UnixMicro()
			if !waits && (r.State == string(reminder.Queued) || r.State == string(reminder.Sending)) {
				open++
			}
		}
		if open == 0 {
			return
		}
		if time.Now().After(end) {
			f.t.Fatalf("%d notices are still open after two minutes", open)
		}
	}
}

// since finds the mark of a line that only programs of a schema read.
var since = regexp.MustCompile(` # since (\d+)$`)

// content reads the fixture's store file as a program of a schema can. renewed gives one
// coach a new bulb, so that a life ends.
func (f *fixture) content(on civil.Date, renewed bool) intake.Content {
	f.t.Helper()
	text, err := os.ReadFile(testkit.File(f.t, "upgrade/store.yaml"))
	if err != nil {
		f.t.Fatal(err)
	}
	var lines []string
	for line := range strings.Lines(string(text)) {
		line = strings.TrimRight(line, "\n")
		if m := since.FindStringSubmatch(line); m != nil {
			if n, _ := strconv.ParseInt(m[1], 10, 64); n > f.schema {
				continue
			}
		}
		lines = append(lines, line)
	}
	file := strings.Join(lines, "\n")
	if renewed {
		file = strings.Replace(file, "fitted: 2022-05-18", "fitted: 2026-02-17", 1)
	}
	o := intake.Options{Today: on, Places: f.opt.Tables}
	c := intake.Read(o, nil, intake.File{Name: "store.yaml", Data: []byte(file)})
	if err := c.Problems.Err(); err != nil {
		f.t.Fatal(err)
	}
	return c
}

// links returns what the links of the mails that left mean, asked of the program that
// sent them.
func (f *fixture) links() map[string][]string {
	f.t.Helper()
	answers, pages := regexp.MustCompile(`/a/([A-Za-z0-9_-]{20,})`), regexp.MustCompile(`/o/([A-Za-z0-9_.-]{20,})`)
	out := map[string][]string{}
	for _, m := range f.box.Messages() {
		text := m.Text + " " + m.HTML + " " + m.Header.Get("List-Unsubscribe")
		notice, found := "", []string{}
		for _, token := range answers.FindAllStringSubmatch(text, -1) {
			q, err := f.Desk.Ask(f.t.Context(), token[1])
			if err != nil {
				f.t.Fatal(err)
			}
			notice, found = q.Notice.Key, append(found, string(q.Kind)+" "+token[1])
		}
		for _, token := range pages.FindAllStringSubmatch(text, -1) {
			found = append(found, "page "+token[1])
		}
		if local, _, _ := strings.Cut(m.From, "@"); local != "seals" {
			found = append(found, "return "+local)
		}
		if notice != "" {
			slices.Sort(found)
			out[notice] = slices.Compact(found)
		}
	}
	return out
}

// press answers a message to a person.
func (f *fixture) press(links map[string][]string, kind reminder.AnswerKind, person string) {
	f.t.Helper()
	for notice, ls := range links {
		for _, l := range ls {
			if token, ok := strings.CutPrefix(l, string(kind)+" "); ok && strings.HasSuffix(notice, "|"+person) {
				if err := answerFixture(f, token); err != nil {
					f.t.Fatal(err)
				}
				return
			}
		}
	}
	f.t.Fatalf("no mail to %s has a link for %q", person, kind)
}

// makeFixture lets the program at hand work for two days, and returns its manifest.
func makeFixture(t *testing.T, conf func(*settings.Config), database string, raw func() *sql.DB) manifest {
	ctx := t.Context()
	f := runFixture(t, conf, dawn(firstDay))
	if _, err := f.Desk.Import(ctx, fixtureAccount, f.content(firstDay, false)); err != nil {
		t.Fatal(err)
	}
	if err := f.Desk.Start(ctx, fixtureAccount, "operator"); err != nil { // a new account is paused
		t.Fatal(err)
	}
	if _, _, err := f.RunPass(ctx, fixtureAccount, firstDay); err != nil {
		t.Fatal(err)
	}
	f.hand.Store(dusk(firstDay).UnixNano())
	f.deliver()
	links := f.links()
	f.press(links, reminder.Done, "ada@example.org")
	f.press(links, reminder.Book, "ben@example.org")
	f.press(links, reminder.Later, "cleo@example.org")
	f.press(links, reminder.Stop, "dora@example.org")
	f.press(links, reminder.Done, "dan@example.org")
	moreFirstDay(f, links)
	f.close()

	f = runFixture(t, conf, dawn(lastDay))
	if _, err := f.Desk.Import(ctx, fixtureAccount, f.content(lastDay, true)); err != nil {
		t.Fatal(err)
	}
	secrets := moreLastDay(f)
	_, added, err := f.RunPass(ctx, fixtureAccount, lastDay)
	if err != nil {
		t.Fatal(err)
	}
	// The shop withdraws one of the new messages before it leaves.
	err = f.DB.Update(ctx, func(tx *store.Tx) error {
		n, err := tx.Withdraw(ctx, fixtureAccount, "ivy@example.org", "")
		if err == nil && n != 1 {
			err = fmt.Errorf("%d messages to Ivy were withdrawn", n)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	// The program dies while it sends one of the new notices.
	f.hand.Store(dusk(lastDay).Add(-time.Hour).UnixNano())
	err = f.DB.Update(ctx, func(tx *store.Tx) error {
		for _, n := range added {
			if _, ok, err := tx.Claim(ctx, fixtureAccount, n.Key, time.Minute); err != nil || ok {
				return err
			}
		}
		return fmt.Errorf("no notice of %d can be claimed", len(added))
	})
	if err != nil {
		t.Fatal(err)
	}
	m := manifest{Schema: f.schema, Database: database, Day: lastDay.String(), Links: links, Secrets: secrets}
	f.close()
	db := raw()
	defer db.Close() //nolint:errcheck // read only
	m.read(t, db)
	return m
}

// read fills in what the store holds.
func (m *manifest) read(t *testing.T, db *sql.DB) {
	t.Helper()
	m.Tables, m.Notices = map[string]int{}, map[string]string{}
	for _, name := range ownTables(t, db) {
		n, _ := strconv.Atoi(lines(t, db, "SELECT COUNT(*) FROM "+name)[0])
		m.Tables[name] = n
	}
	for _, row := range lines(t, db, "SELECT state, notice_key FROM notice") {
		state, key, _ := strings.Cut(row, " ")
		m.Notices[key] = state
	}
	m.Tasks = lines(t, db, "SELECT coach_id, task_key FROM task")
	m.Answers = lines(t, db, "SELECT coach_id, task_key, kind, person, day, until_day FROM answer")
	m.OptOuts = lines(t, db, "SELECT person FROM opt_out")
}

// ownTables lists the tables that migrations made, without the job library's.
func ownTables(t *testing.T, db *sql.DB) (out []string) {
	t.Helper()
	query := "SELECT name FROM sqlite_master WHERE type = 'table'"
	if _, err := db.Exec("SELECT 1 FROM sqlite_master"); err != nil {
		query = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'"
	}
	for _, name := range lines(t, db, query) {
		if !strings.HasPrefix(name, "river_") && !strings.HasPrefix(name, "sqlite_") && !strings.HasPrefix(name, "goose_") {
			out = append(out, name)
		}
	}
	return out
}

// lines returns the rows of a query in order, each as one line.
func lines(t *testing.T, db *sql.DB, query string) (out []string) {
	t.Helper()
	for _, row := range table(t, db, query) {
		words := make([]string, len(row))
		for i, c := range row {
			words[i] = c.value
		}
		out = append(out, strings.TrimRight(strings.Join(words, " "), " "))
	}
	slices.Sort(out)
	return out
}

// cell is a value with the name of its column.
type cell struct{ column, value string }

// table returns the rows of a query, the values as text.
func table(t *testing.T, db *sql.DB, query string) (out [][]cell) {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close() //nolint:errcheck // read whole, or failed before
	names, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		values, into := make([]any, len(names)), make([]any, len(names))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		row := make([]cell, len(names))
		for i, v := range values {
			if b, ok := v.([]byte); ok {
				v = string(b)
			}
			row[i] = cell{names[i], fmt.Sprint(v)}
		}
		out = append(out, row)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// rawSQLite opens a database file without a look at its schema.
func rawSQLite(t *testing.T, path string) *sql.DB { return rawDB(t, "sqlite", "file:"+path) }

func rawDB(t *testing.T, driver, dsn string) *sql.DB {
	t.Helper()
	db, err := sql.Open(driver, dsn)
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// The program at hand makes its fixture on both databases: a maker that breaks is seen at
// once, and not when the next schema needs its fixture.
func TestMakeFixture(t *testing.T) {
	dir := *makeIn
	if dir == "" {
		dir = t.TempDir()
	}
	keep := func(m manifest, extension string, data []byte) {
		for name, n := range m.Tables {
			if n == 0 {
				t.Errorf("table %s has no row; let upgrade_more_test.go make one", name)
			}
		}
		name := filepath.Join(dir, fmt.Sprintf("%02d.%s", m.Schema, extension))
		text, err := json.MarshalIndent(m, "", "\t")
		if err != nil {
			t.Fatal(err)
		}
		var zipped bytes.Buffer
		w, _ := gzip.NewWriterLevel(&zipped, gzip.BestCompression) // the level is a known one
		_, _ = w.Write(data)                                       // into memory
		_ = w.Close()                                              // into memory
		if err := os.WriteFile(name+".json", append(text, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name+".gz", zipped.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	t.Run("sqlite", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "x.db")
		conf := func(c *settings.Config) { c.StorePath = path }
		m := makeFixture(t, conf, "sqlite", func() *sql.DB { return rawSQLite(t, path) })
		db := rawSQLite(t, path)
		small := "PRAGMA journal_mode = delete; PRAGMA secure_delete = on; PRAGMA page_size = 1024; VACUUM"
		if _, err := db.Exec(small); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		keep(m, "sqlite", data)
	})
	t.Run("postgres", func(t *testing.T) {
		if _, err := exec.LookPath("pg_dump"); err != nil {
			testkit.SkipOrFail(t, "pg_dump is missing; it comes with PostgreSQL")
		}
		dsn := testkit.Postgres(t)
		conf := func(c *settings.Config) { c.StoreKind, c.StoreDSN = "postgres", settings.Secret(dsn) }
		m := makeFixture(t, conf, "postgres", func() *sql.DB { return rawDB(t, "postgres", dsn) })
		dump := exec.Command("pg_dump", "--inserts", "--no-owner", "--no-privileges", dsn)
		dump.Stderr = os.Stderr
		data, err := dump.Output()
		if err != nil {
			t.Fatal(err)
		}
		keep(m, "postgres", data)
	})
	checkMade(t, dir)
}
