package cli

import (
	"archive/zip"
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/access"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// command runs one command and returns what it says.
func command(t *testing.T, args ...string) (out, errOut string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = Run(t.Context(), args, nil, &o, &e)
	return o.String(), e.String(), code
}

// says runs a command that must end with a code and say a text, on either stream.
func says(t *testing.T, code int, want string, args ...string) string {
	t.Helper()
	out, errOut, got := command(t, args...)
	if got != code || !strings.Contains(out+errOut, want) {
		t.Errorf("%v: exit %d, want %d and %q:\n%s%s", args, got, code, want, out, errOut)
	}
	return out
}

// An account is archived, restored into another database, kept quiet and woken; what can
// go wrong is said in words, and leaves no half file.
func TestArchiveCommands(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "main.zip")
	onStore(t, "sqlite")
	says(t, 2, `there is no account "main"`, "archive", file)
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Fatalf("a failed archive left its file: %v", err)
	}
	says(t, 0, "stored", "import", "demo")
	says(t, 0, `Account "main" is in `+file, "archive", file)
	says(t, 2, "the archive cannot be written", "archive", file)
	says(t, 2, "the archive cannot be written", "archive", filepath.Join(dir, "no", "such.zip"))
	st, err := os.Stat(file)
	if err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the archive is not its owner's alone: %v %v", st.Mode(), err)
	}
	if z, err := zip.OpenReader(file); err != nil {
		t.Error(err)
	} else {
		_ = z.Close()
	}
	says(t, 1, `there is an account "main" already`, "restore", file)
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			onStore(t, kind)
			says(t, 0, "It is paused: no reminders are sent until 'sealmanac unpause --account copy'", "restore", file,
				"--account",
				"copy", "--quiet")
			again := filepath.Join(t.TempDir(), "copy.zip")
			says(t, 0, "is in", "archive", again, "--account", "copy")
			first, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if second, err := os.ReadFile(again); err != nil || !bytes.Equal(first, second) {
				t.Errorf("the archive of the copy is another one: %v", err)
			}
			says(t, 0, "sends reminders", "unpause", "--account", "copy")
			says(t, 0, `Account "copy" is paused`, "pause", "--account", "copy")
			says(t, 2, `there is no account "other"`, "pause", "--account", "other")
			says(t, 2, `there is no account "other"`, "unpause", "--account", "other")
		})
	}
	onStore(t, "sqlite")
	says(t, 0, "Reminders that waited in it are now sent from here too", "restore", file)
	half := filepath.Join(dir, "half.zip")
	whole, err := os.ReadFile(file)
	if err == nil {
		err = os.WriteFile(half, whole[:len(whole)/2], 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	says(t, 2, "the archive is incomplete or damaged", "restore", half, "--account", "half")
}

// What waits in an archive gets links of the address that the pages have here.
func TestRestoreMakesLinks(t *testing.T) {
	onStore(t, "sqlite")
	t.Setenv("SEALMANAC_WEB_PUBLIC_URL", "https://seals.example.org")
	says(t, 0, "is restored", "restore", testkit.File(t, "archive/format-1.zip"), "--account", "copy")
	out := says(t, 0, "", "preview", "waits", "--account", "copy")
	if !strings.Contains(out, "https://seals.example.org/a/") || strings.Contains(out, "x.example.org/a/") {
		t.Errorf("%s", out)
	}
}

var firstLink = regexp.MustCompile(`https?://[^/]+/first/(\S+)`)

// The link for the first member is printed while nobody can sign in, and not any more
// after that.
func TestFirstCommand(t *testing.T) {
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			onStore(t, kind)
			says(t, 2, `there is no account "main"`, "setup-link")
			says(t, 0, "stored", "import", "demo")
			says(t, 0, "http://127.0.0.1:8080/first/", "setup-link")
			t.Setenv("SEALMANAC_WEB_PUBLIC_URL", "https://seals.example.org")
			out := says(t, 0, `first member of account "main"`, "setup-link") // the newest link holds
			m := firstLink.FindStringSubmatch(out)
			if m == nil || !strings.Contains(m[0], "seals.example.org") {
				t.Fatalf("no link in %q", out)
			}
			var db *store.DB
			var err error
			if kind == "postgres" {
				db, err = store.OpenPostgres(os.Getenv("SEALMANAC_STORE_DSN"))
			} else {
				db, err = store.OpenSQLite(os.Getenv("SEALMANAC_STORE_PATH"))
			}
			db = storetest.Migrated(t, db, err)
			if err := (&access.Access{DB: db}).Setup(t.Context(), m[1], coach.Account{}, "Ann", "ann@example.org",
				"four words of mine"); err != nil {
				t.Fatal(err)
			}
			says(t, 1, "has members already", "setup-link")
			says(t, 2, `there is no account "other"`, "setup-link", "--account", "other")
		})
	}
}
