package daemon

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
	"sealmanac/internal/mailbox"
	"sealmanac/internal/reminder"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

var (
	kills   = flag.Int("kills", 12, "how often TestKill kills the daemon, on each store")
	notices = flag.Int("notices", 600, "how many notices TestReplicas sends")
)

// program builds the binary once.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "sealmanac-kill-")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "sealmanac")
	out, err := exec.Command("go", "build", "-o", bin, "sealmanac/cmd/sealmanac").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return bin, nil
})

// rig is a folder with a configuration for real processes over one store.
type rig struct {
	t        *testing.T
	dir, bin string
	conf     settings.Config
	box      *mailbox.Mailbox
	log      *os.File
	next     int // number of the next account
}

func newRig(t *testing.T, conf func(*settings.Config), o mailbox.Options) *rig {
	t.Helper()
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, dir: t.TempDir(), bin: bin, conf: settings.Default(), box: box(t, o)}
	conf(&r.conf)
	rules := strings.NewReplacer("send_days: [Tue, Wed, Thu]", "send_days: [Sun, Mon, Tue, Wed, Thu, Fri, Sat]",
		"send_from: 9\n", "send_from: 0\n", "send_until: 11\n", "send_until: 24\n").Replace(string(config.Rulebook))
	r.write("rulebook.yaml", rules)
	db := "store: {kind: sqlite, path: " + r.conf.StorePath + "}"
	if r.conf.StoreKind == "postgres" {
		db = "store: {kind: postgres, dsn: \"" + string(r.conf.StoreDSN) + "\"}"
	}
	r.write("c.yaml", db+`
mail: {address: "`+r.box.Addr()+`", tls: none, from: seals@shop.example.org, timeout: 5s}
web: {listen: "127.0.0.1:0", public_url: "https://seals.example.org"}
ops: {listen: off}
schedule: {pass: "0 0 * * *", upkeep: 5s}
rulebook: `+filepath.Join(r.dir, "rulebook.yaml")+"\n")
	if r.log, err = os.Create(filepath.Join(r.dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.log.Close() })
	return r
}

func (r *rig) write(name, text string) {
	if err := os.WriteFile(filepath.Join(r.dir, name), []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
}

// serve starts a daemon process.
func (r *rig) serve() *exec.Cmd {
	r.t.Helper()
	c := exec.Command(r.bin, "--config", filepath.Join(r.dir, "c.yaml"), "serve")
	c.Stdout, c.Stderr = r.log, r.log
	if err := c.Start(); err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = c.Process.Kill(); _ = c.Wait() })
	return c
}

func (r *rig) db(f func(*store.DB)) {
	r.t.Helper()
	db, err := OpenStore(r.conf)
	if err != nil {
		r.t.Fatal(err)
	}
	defer db.Close()
	if err := db.Migrate(context.Background()); err != nil {
		r.t.Fatal(err)
	}
	f(db)
}

// add imports a new account whose coaches all have care that is overdue: one
// notice each.
func (r *rig) add(coaches int) {
	r.t.Helper()
	today := civil.FromTime(time.Now().UTC())
	c := intake.Content{Shop: &coach.Account{Name: "Shop", Postal: "1 Road", Zone: "UTC"}}
	p, err := testkit.Tables(r.t).Lookup("Tucson, AZ")
	if err != nil {
		r.t.Fatal(err)
	}
	for i := range coaches {
		fitted := today - 400
		c.Coaches = append(c.Coaches, coach.Coach{ID: coach.ID(fmt.Sprintf("c%d", i)), Use: coach.Weekend,
			People: []coach.Person{{Name: "Ann", Email: fmt.Sprintf("p%d.%d@example.org", r.next, i)}},
			Stays: []coach.Stay{{Site: coach.Site{Name: p.Label(), Lat: p.Lat, Lon: p.Lon, Elev: p.Elev, Zone: "UTC"},
				From: fitted, Shelter: coach.Open, Rooms: coach.RoomsIn, Cycles: .1, Heading: -1}},
			Slides: []coach.Slide{{ID: "s", Wall: coach.Left,
				Runs: []coach.Run{{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted,
					Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.TPV, Fitted: fitted, Lot: coach.UnknownLot}}}}}}})
	}
	id := coach.AccountID(fmt.Sprintf("a%d", r.next))
	r.next++
	r.db(func(db *store.DB) {
		k := &desk.Desk{DB: db, Now: time.Now}
		if _, err := k.Import(context.Background(), id, c); err != nil {
			r.t.Fatal(err)
		}
		allowAll(r.t, db, id, today) // one pass makes them all at once
		if err := k.Start(context.Background(), id, "t"); err != nil {
			r.t.Fatal(err)
		}
	})
}

// allowAll lets a day send as many messages as there are.
func allowAll(t testing.TB, db *store.DB, id coach.AccountID, day civil.Date) {
	t.Helper()
	err := db.Update(context.Background(), func(tx *store.Tx) error {
		return tx.AddDecision(context.Background(), id, store.Decision{Day: day, Hold: reminder.HoldUnusual, Released: true,
			Messages: 1_000_000})
	})
	if err != nil {
		t.Fatal(err)
	}
}

// settle waits until the wanted number of notices is made and none is open, as long as
// something moves: how fast is the business of the machine.
func (r *rig) settle(want int, patience time.Duration) {
	r.t.Helper()
	wasMade, wasOpen, moved := 0, 0, time.Now()
	for ; ; time.Sleep(300 * time.Millisecond) {
		made, open := 0, 0
		r.db(func(db *store.DB) {
			_ = db.View(context.Background(), func(tx *store.Tx) error {
				n, _, err := tx.Counts(context.Background())
				for s, k := range n {
					if made += k; s != "accepted" {
						open += k
					}
				}
				return err
			})
		})
		if made >= want && open == 0 {
			return
		}
		if made != wasMade || open != wasOpen {
			wasMade, wasOpen, moved = made, open, time.Now()
		}
		if time.Since(moved) > patience {
			b, _ := os.ReadFile(r.log.Name())
			r.t.Fatalf("nothing moved for %v: %d notices of %d are made, %d of them open; the log ends:\n%s", patience, made,
				want, open,
				b[max(0, len(b)-4000):])
		}
	}
}

// judge compares what is on record with what the mail server got.
func (r *rig) judge(want int) (lost, repeated, unexplained int) {
	got := map[string]int{}
	for _, m := range r.box.Messages() {
		got[m.Header.Get("Message-Id")]++
	}
	b, err := os.ReadFile(r.log.Name())
	if err != nil {
		r.t.Fatal(err)
	}
	made := 0
	r.db(func(db *store.DB) {
		err = db.View(context.Background(), func(tx *store.Tx) error {
			for a := range r.next {
				rows, err := tx.Notices(context.Background(), coach.AccountID(fmt.Sprintf("a%d", a)), 100_000)
				if err != nil {
					return err
				}
				for _, n := range rows {
					made++
					switch k := got[n.MessageID]; {
					case k == 0:
						lost++
					case k > 1:
						repeated++
						if !strings.Contains(string(b), "a worker died with a notice") || !strings.Contains(string(b), n.MessageID) ||
							n.Tries < k {
							unexplained++
							r.t.Errorf("%s arrived %d times in %d tries without a word in the log", n.MessageID, k, n.Tries)
						}
					}
				}
			}
			return nil
		})
	})
	if err != nil {
		r.t.Fatal(err)
	}
	if made != want || len(got) != want {
		r.t.Errorf("%d notices made, %d different ones arrived, want %d", made, len(got), want)
	}
	return lost, repeated, unexplained
}

// Real processes are killed at random moments of pass and delivery; nothing is
// lost, and what arrives twice is told in the log and has the same Message-ID.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("kills processes for a while")
	}
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		t.Parallel()
		const each = 15
		r := newRig(t, conf, mailbox.Options{Delay: 15 * time.Millisecond})
		for range *kills {
			r.add(each)
			c := r.serve()
			time.Sleep(time.Duration(200+rand.IntN(1600)) * time.Millisecond)
			if err := c.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			_ = c.Wait()
		}
		begun := time.Now()
		r.serve()
		r.settle(*kills*each, 3*time.Minute)
		lost, repeated, _ := r.judge(*kills * each)
		t.Logf("%d kills, %d notices made, %d lost, %d repeated with the same Message-ID; all settled %.0f s after the "+
			"last start", *kills, *kills*each, lost, repeated, time.Since(begun).Seconds())
		if lost > 0 {
			t.Errorf("%d notices were lost", lost)
		}
	})
}

// Three daemons on one PostgreSQL: one is killed, and the database is away for
// some seconds. Work goes on, nothing is lost, and only what the killed one had in
// hand may arrive twice.
func TestReplicas(t *testing.T) {
	if testing.Short() {
		t.Skip("runs processes for a while")
	}
	dsn := testkit.Postgres(t)
	r := newRig(t, func(c *settings.Config) {
		c.StoreKind, c.StoreDSN = "postgres", settings.Secret(dsn)
	}, mailbox.Options{Delay: 3 * time.Millisecond})
	accounts := max(1, *notices/200)
	for range accounts {
		r.add(*notices / accounts)
	}
	want := accounts * (*notices / accounts)
	var ds []*exec.Cmd
	for range 3 {
		ds = append(ds, r.serve())
	}
	r.arrived(want / 4)
	if err := ds[0].Process.Kill(); err != nil {
		t.Fatal(err)
	}
	killed := time.Now()
	r.arrived(want / 2)
	away(t, dsn, 4*time.Second)
	r.settle(want, 5*time.Minute)
	took := time.Since(killed)
	lost, repeated, _ := r.judge(want)
	t.Logf("%d notices, three daemons, one killed, the database away for 4 s: %d lost, %d repeated; all settled %.0f s "+
		"after the kill", want, lost, repeated, took.Seconds())
	if lost > 0 || repeated > 4 { // four workers had one notice each in hand
		t.Errorf("%d lost, %d repeated", lost, repeated)
	}
}

// arrived waits until so many messages have arrived.
func (r *rig) arrived(n int) {
	r.t.Helper()
	was, moved := 0, time.Now()
	for ; was < n; time.Sleep(20 * time.Millisecond) {
		if now := len(r.box.Messages()); now != was {
			was, moved = now, time.Now()
		}
		if time.Since(moved) > 2*time.Minute {
			r.t.Fatalf("%d of %d messages arrived, and none for two minutes", was, n)
		}
	}
}

// away cuts every connection to a database and refuses new ones for a while, as a
// restart does.
func away(t *testing.T, dsn string, d time.Duration) {
	t.Helper()
	base, query, _ := strings.Cut(dsn, "?")
	cut := strings.LastIndexByte(base, '/')
	name := base[cut+1:]
	admin, err := sql.Open("postgres", base[:cut+1]+"postgres?"+query)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close()
	if _, err := admin.Exec(`ALTER DATABASE ` + name + ` ALLOW_CONNECTIONS false`); err != nil {
		t.Fatal(err)
	}
	if _, err := admin.Exec(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1`, name); err != nil {
		t.Fatal(err)
	}
	time.Sleep(d)
	if _, err := admin.Exec(`ALTER DATABASE ` + name + ` ALLOW_CONNECTIONS true`); err != nil {
		t.Fatal(err)
	}
}
