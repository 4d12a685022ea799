package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"sealmanac/internal/guide"
)

var (
	blocks = regexp.MustCompile("(?s)```(\\w*)( not-run)?\n(.*?)```")
	links  = regexp.MustCompile(`\]\(([^)\s]+)\)`)
	spoken = regexp.MustCompile("`(sealmanac [^`]+)`")
)

// documents are README.md and the guides, by their paths.
func documents(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	out["../../README.md"] = string(b)
	for _, g := range guide.All() {
		out["../../config/guides/"+g.Name+".md"] = g.Text
	}
	if len(out) != len(guide.Names)+1 {
		t.Fatalf("%d documents", len(out))
	}
	return out
}

// Every command line of README and guides works, beside the same files as the examples.
// Those that need another program, a network or an end of their own are parsed only.
func TestGuideCommands(t *testing.T) {
	documents := documents(t)
	made := beside(t)
	for path, text := range documents {
		t.Run(filepath.Base(path), func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "x")
			if err := os.CopyFS(dir, os.DirFS(made)); err != nil {
				t.Fatal(err)
			}
			t.Chdir(dir)
			t.Setenv("SEALMANAC_STORE_PATH", "sealmanac.db")
			ran := 0
			for _, block := range blocks.FindAllStringSubmatch(text, -1) {
				if block[1] == "yaml" && strings.HasPrefix(block[3], "shop:") {
					if err := os.WriteFile("coaches.yaml", []byte(block[3]), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				if block[1] != "sh" {
					continue
				}
				for line := range strings.Lines(block[3]) {
					ran += shellLine(t, strings.TrimSpace(line), block[2] == "")
				}
			}
			t.Logf("%d commands ran", ran)
			if ran == 0 && strings.Contains(text, "```sh") {
				t.Error("no command ran")
			}
		})
	}
}

func shellLine(t *testing.T, line string, runs bool) int {
	t.Helper()
	command, _, _ := strings.Cut(line, "#")
	command = strings.Replace(strings.TrimSpace(command), "go run ./cmd/sealmanac ", "sealmanac ", 1)
	var args []string
	for _, w := range quoted.FindAllString(command, -1) {
		args = append(args, strings.Trim(w, `"`))
	}
	if !runs {
		if args[0] == "sealmanac" {
			says(t, 0, "Usage: sealmanac", append(args[1:], "--help")...)
		}
		return 0
	}
	if args[0] != "sealmanac" {
		t.Errorf("%q is neither ours nor marked", line)
		return 0
	}
	var out, errOut bytes.Buffer
	if code := Run(t.Context(), args[1:], nil, &out, &errOut); code != 0 {
		t.Errorf("%s: exit %d\n%s%s", line, code, out.String(), errOut.String())
	}
	return 1
}

// Commands that sentences name exist.
func TestGuidesNameCommands(t *testing.T) {
	known := strings.Join(leaves(t), "\n") + "\n"
	for path, text := range documents(t) {
		for _, m := range spoken.FindAllStringSubmatch(text, -1) {
			words := strings.Fields(m[1])[1:]
			for len(words) > 1 && strings.HasPrefix(words[0], "--") {
				words = words[2:]
			}
			if len(words) > 0 && !strings.Contains("\n"+known, "\n"+words[0]+"\n") &&
				!strings.Contains("\n"+known, "\n"+words[0]+" ") {
				t.Errorf("%s names %q", path, m[1])
			}
		}
	}
}

// Every link of README and guides leads to a file and a heading that exist.
func TestGuideLinks(t *testing.T) {
	for path, text := range documents(t) {
		for _, m := range links.FindAllStringSubmatch(text, -1) {
			if strings.Contains(m[1], "://") {
				t.Errorf("%s leads outside: %s", path, m[1])
				continue
			}
			file, anchor, _ := strings.Cut(m[1], "#")
			if file != "" {
				if _, err := os.Stat(filepath.Join(filepath.Dir(path), file)); err != nil {
					t.Errorf("%s: %v", path, err)
				}
			}
			if file == "" {
				file = path
			}
			if anchor != "" {
				g, ok := guide.Find(strings.TrimSuffix(filepath.Base(file), ".md"))
				if !ok || !strings.Contains(headings(g), "#"+anchor+"\n") {
					t.Errorf("%s: there is no heading %s", path, m[1])
				}
			}
		}
	}
}

func headings(g guide.Guide) string {
	out := ""
	for _, s := range g.Sections() {
		out += "#" + s.Anchor + "\n"
	}
	return out
}

// README stays an entrance.
func TestReadmeIsShort(t *testing.T) {
	text := documents(t)["../../README.md"]
	if n := strings.Count(text, "\n"); n > 130 {
		t.Errorf("README.md has %d lines, at most 130", n)
	}
	for i, line := range strings.Split(text, "\n") {
		if len([]rune(line)) > 140 && !strings.HasPrefix(line, "|") {
			t.Errorf("README.md:%d: %d columns", i+1, len(line))
		}
	}
}

// Guides are listed, printed and searched.
func TestGuideCommand(t *testing.T) {
	out := says(t, 0, "getting-started", "guide")
	narrowEnough(t, "guide", out)
	says(t, 0, "# Operating", "guide", "operating")
	says(t, 0, "operating: Back up and restore", "guide", "--search", "pg_dump")
	says(t, 0, "No guide says all of that", "guide", "--search", "zebra crossing")
	says(t, 2, "there is no guide", "guide", "../coach-file")
}
