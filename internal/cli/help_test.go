package cli

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/alecthomas/kong"

	"sealmanac/internal/civil"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// leaves are the commands that can be run, by their paths.
func leaves(t *testing.T) (out []string) {
	t.Helper()
	app, err := kong.New(&commands{}, kong.Name("sealmanac"))
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range app.Model.Leaves(true) {
		out = append(out, pathOf(n))
	}
	return out
}

// beside prepares the folder that examples work in: files, and a store in which the
// account of coaches.yaml has members of nobody, two messages and one that waits.
func beside(t *testing.T) (dir string) {
	t.Helper()
	files := testkit.File(t, "cli/examples")
	dir = t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(files)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "sealmanac.db")
	t.Setenv("SEALMANAC_STORE_PATH", path)
	says(t, 0, "stored", "import", filepath.Join(dir, "coaches.yaml"))
	says(t, 0, "", "archive", filepath.Join(dir, "backup.zip"))
	change(t, path, func(tx *store.Tx) error {
		day := civil.FromTime(time.Now())
		var ns []reminder.Notice
		for i, hold := range []string{"", "", reminder.HoldUnusual} {
			id := []string{"5ea1000001", "5ea1000002", "5ea1000003"}[i] + strings.Repeat("0", 22)
			ns = append(ns, reminder.Notice{Key: id, Account: "main", Coach: "heron", Person: "ana@example.org",
				Task: "inspect", TaskKey: "inspect|galley|" + id, Target: day, Subject: "Have the seals inspected",
				Text: "Please.", HTML: "<p>Please.</p>", NotBefore: time.Now(), MessageID: "<" + id + "@example.org>",
				LinkID: id, Hold: hold})
		}
		_, err := tx.AddNotices(t.Context(), day, ns)
		return err
	})
	return dir
}

func change(t *testing.T, path string, f func(tx *store.Tx) error) {
	t.Helper()
	db, err := store.OpenSQLite(path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close() //nolint:errcheck // a test's own
	if err := db.Update(t.Context(), f); err != nil {
		t.Fatal(err)
	}
}

func optOut(t *testing.T) {
	t.Helper()
	change(t, "sealmanac.db", func(tx *store.Tx) error { return tx.OptOut(t.Context(), "main", "ana@example.org") })
}

var quoted = regexp.MustCompile(`"[^"]*"|\S+`)

// Every command has an example, the help shows it, and it works as it stands. What it
// prints for people stays within the width, but for words that cannot be broken.
func TestExamples(t *testing.T) {
	made, dir := beside(t), t.TempDir()
	t.Setenv("SEALMANAC_STORE_PATH", "sealmanac.db")
	t.Setenv("SEALMANAC_MAIL_ADDRESS", "")
	for _, path := range leaves(t) {
		t.Run(path, func(t *testing.T) {
			example := exampleOf(path)
			if !strings.HasPrefix(example, "sealmanac ") {
				t.Fatalf("%q has no example", path)
			}
			says(t, 0, "Example:\n  "+example+"\n", append([]string{"help"}, strings.Fields(path)...)...)
			if err := os.CopyFS(filepath.Join(dir, path), os.DirFS(made)); err != nil {
				t.Fatal(err)
			}
			t.Chdir(filepath.Join(dir, path))
			if path == "resubscribe" {
				optOut(t)
			}
			var args []string
			for _, w := range quoted.FindAllString(example, -1)[1:] {
				args = append(args, strings.Trim(w, `"`))
			}
			if path == "campaign start" || path == "check" {
				args = append([]string{"--config", "sealmanac.yaml"}, args...)
			}
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			var out, errOut bytes.Buffer
			errTo := io.Writer(&errOut)
			if path == "serve" {
				errTo = until("daemon started", cancel, &errOut)
			}
			code := Run(ctx, args, nil, &out, errTo)
			if want := map[string]int{"check": exitFailed}[path]; code != want { // no mail server answers here
				t.Errorf("%s: exit %d\n%s%s", example, code, out.String(), errOut.String())
			}
			if path == "translations" || path == "completion" || path == "serve" {
				return // scripts, catalogues and logs keep their lines
			}
			narrowEnough(t, path, out.String())
		})
	}
	for path := range examples {
		if !strings.Contains("\n"+strings.Join(leaves(t), "\n")+"\n", "\n"+path+"\n") {
			t.Errorf("there is no command %q", path)
		}
	}
}

func narrowEnough(t *testing.T, what, out string) {
	t.Helper()
	for line := range strings.Lines(out) {
		line = strings.TrimSuffix(line, "\n")
		breakable := strings.Contains(strings.TrimSpace(line), " ") && !strings.Contains(line, "://")
		if utf8.RuneCountInString(line) > columns && breakable {
			t.Errorf("%s prints %d columns: %s", what, utf8.RuneCountInString(line), line)
		}
	}
}

// The demo's larger fleet fits too.
func TestWidth(t *testing.T) {
	for _, args := range [][]string{
		{"forecast", "demo"}, {"forecast", "demo", "--what-if", "topper=yes"}, {"plan", "demo", "--on", "2026-02-10"},
		{"rehearse", "demo", "--from", "2026-02-10", "--until", "2026-04-30", "--assume", "nothing"},
		{"explain", "demo", "heron-01/galley/outer/top/bulb"}, {"sheet", "demo", "magpie-05"}, {"demo", "--once"},
		{"climate", "Ensenada, Mexico"}, {"lot", "demo", "unknown"}, {"--help"},
	} {
		out, _ := run(t, args...)
		if len(out) < 200 {
			t.Errorf("%v prints %q", args, out)
		}
		narrowEnough(t, strings.Join(args, " "), out)
	}
}

// until ends a daemon when its log says something.
func until(words string, end func(), to io.Writer) io.Writer { return &ending{words, end, to, ""} }

type ending struct {
	words string
	end   func()
	to    io.Writer
	seen  string
}

func (e *ending) Write(p []byte) (int, error) {
	if e.seen += string(p); strings.Contains(e.seen, e.words) {
		e.end()
	}
	return e.to.Write(p)
}

// Commands work by the names they had before, and say the new one.
func TestRenamed(t *testing.T) {
	known := leaves(t)
	for old, now := range renamed {
		if !strings.Contains("\n"+strings.Join(known, "\n")+"\n", "\n"+now+"\n") {
			t.Errorf("%s leads to %s, which does not exist", old, now)
		}
		out, errOut, code := command(t, "--config", "x.yaml", old, "--help")
		if code != 0 || !strings.Contains(out, "Usage: sealmanac "+now) || !strings.Contains(errOut, "now called '"+now+"'") {
			t.Errorf("%s: exit %d: %s%s", old, code, out, errOut)
		}
	}
	says(t, 2, "unexpected argument nix", "help", "nix")
	if _, errOut, _ := command(t, "pause", "--help"); errOut != "" {
		t.Errorf("a present name is remarked on: %s", errOut)
	}
}

// Shells complete commands, flags and values, and leave files to themselves.
func TestCompletion(t *testing.T) {
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// The test's own program is the command, by the name that it runs under.
	if err := os.Symlink(self, filepath.Join(dir, "sealmanac")); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	for name, script := range map[string]string{
		"bash": `source <(sealmanac completion bash)
			COMP_WORDS=(sealmanac TYPED); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); _sealmanac; printf '%s\n' "${COMPREPLY[@]}"`,
		"zsh": `compdef() { :; }; compadd() { shift; printf '%s\n' "$@"; }; _files() { :; }
			source <(sealmanac completion zsh); words=(sealmanac TYPED); CURRENT=${#words}; _sealmanac`,
		"fish": `sealmanac completion fish | source; complete -C 'sealmanac TYPED'`,
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := exec.LookPath(name); err != nil {
				if os.Getenv("SEALMANAC_TEST_REQUIRE") != "" {
					t.Fatal(err)
				}
				t.Skip(err)
			}
			for words, want := range map[string]string{
				"fore": "forecast", "queue wi": "withdraw", "queue list --state g": "given_up", "plan --pic": "--picture",
				"completion z": "zsh", "--config x.yaml resub": "resubscribe",
			} {
				out, err := exec.Command(name, "-c", strings.ReplaceAll(script, "TYPED", words)).CombinedOutput()
				if got := strings.Fields(string(out)); err != nil || len(got) == 0 || got[0] != want {
					t.Errorf("%q: %v %s, want %s", words, err, out, want)
				}
			}
		})
	}
}

// Work of over two seconds says that it goes on, shorter work says nothing.
func TestProgress(t *testing.T) {
	now := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	ticks := make(chan time.Time)
	var said bytes.Buffer
	waits := make(chan time.Duration, 10)
	e := &env{err: &said, now: func() time.Time { return now }, wait: func(d time.Duration) <-chan time.Time {
		waits <- d
		return ticks
	}}
	if err := e.watch("Storing", func() error { return io.EOF }); err != io.EOF || said.Len() > 0 {
		t.Errorf("short work: %v, %q", err, said.String())
	}
	if d := <-waits; d != patience {
		t.Errorf("it waits %v first", d)
	}
	_ = e.watch("Storing", func() error {
		<-waits
		for range 2 {
			now = now.Add(3 * time.Second)
			ticks <- now
			if d := <-waits; d != between {
				t.Errorf("it waits %v", d)
			}
		}
		return nil
	})
	if said.String() != "Storing: 3 s so far\nStoring: 6 s so far\n" {
		t.Errorf("%q", said.String())
	}
}

// Notes of one kind are gathered; others stand alone.
func TestNotes(t *testing.T) {
	var out bytes.Buffer
	notes(&out, []string{"a.csv:2: lot: is empty", "a.csv:3: lot: is empty", "x", "a.csv:4: lot: is empty",
		"a.csv:5: lot: is empty", "b: is odd", "c: is odd"})
	const want = "note: 4 times: is empty: a.csv:2: lot; a.csv:3: lot; a.csv:4: lot and 1 more\nnote: x\n" +
		"note: b: is odd\nnote: c: is odd\n"
	if out.String() != want {
		t.Errorf("%s", out.String())
	}
}

// Tables break their widest cells at spaces; what has none stays whole.
func TestTable(t *testing.T) {
	var out bytes.Buffer
	x := newTable(&out)
	long := strings.TrimSpace(strings.Repeat("word ", 30))
	_, _ = io.WriteString(x, "name\ttext\tnumber\n  a\t"+long+"\t1\nno cells\nb\tc\n")
	if err := x.Flush(); err != nil {
		t.Fatal(err)
	}
	narrowEnough(t, "the table", out.String())
	if n := strings.Count(out.String(), "word"); n != 30 || !strings.Contains(out.String(), "\nno cells\nb  c\n") {
		t.Errorf("%d words:\n%s", n, out.String())
	}
	for line := range strings.Lines(out.String()) {
		if strings.HasPrefix(line, "        word") || strings.Contains(line, "number") && !strings.HasSuffix(line,
			"  number\n") {
			t.Errorf("out of line: %q", line)
		}
	}
}
