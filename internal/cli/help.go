package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"sealmanac/internal/civil"
)

// columns is how wide help and tables may get.
const columns = 100

// examples hold one line for each command that works as it stands, beside the files of
// testdata/cli/examples and a store with the account that they describe.
var examples = map[string]string{
	"demo":           "sealmanac demo --once",
	"import":         "sealmanac import --dry-run coaches.yaml",
	"forecast":       "sealmanac forecast coaches.yaml --on 2026-03-02",
	"explain":        "sealmanac explain coaches.yaml galley/outer/top/bulb",
	"plan":           "sealmanac plan coaches.yaml --on 2026-03-02 --weeks 12",
	"sheet":          "sealmanac sheet coaches.yaml heron --units in",
	"lot":            "sealmanac lot coaches.yaml L7",
	"campaign start": `sealmanac campaign start l7 --lot L7 --subject "Your bulb seals" --words words.txt --by Ana`,
	"campaign list":  "sealmanac campaign list",
	"rehearse":       "sealmanac rehearse coaches.yaml --from 2026-03-01 --until 2026-09-01",
	"serve":          "sealmanac --config sealmanac.yaml serve",
	"migrate":        "sealmanac migrate",
	"lifetimes":      "sealmanac lifetimes --account main",
	"queue list":     "sealmanac queue list --state queued",
	"queue release":  "sealmanac queue release 5ea1000001",
	"queue withdraw": "sealmanac queue withdraw 5ea1000002",
	"preview":        "sealmanac preview 5ea1000001",
	"calls":          "sealmanac calls --json",
	"resubscribe":    "sealmanac resubscribe ana@example.org",
	"setup-link":     "sealmanac setup-link --account main",
	"archive":        "sealmanac archive main.zip --account main",
	"restore":        "sealmanac restore backup.zip --account copy --quiet",
	"pause":          "sealmanac pause --account main",
	"unpause":        "sealmanac unpause --account main",
	"held list":      "sealmanac held list",
	"held release":   "sealmanac held release",
	"held withdraw":  "sealmanac held withdraw --until SOON",
	"translations":   "sealmanac translations es",
	"check":          "sealmanac check",
	"climate":        `sealmanac climate "Bend, OR" --on-face S`,
	"survival":       "sealmanac survival lives.csv",
	"guide":          "sealmanac guide getting-started",
	"completion":     "sealmanac completion bash",
	"help":           "sealmanac help forecast",
	"version":        "sealmanac version",
}

// renamed are commands by the names they had before. They work for one version more.
var renamed = map[string]string{
	"hush": "pause", "wake": "unpause", "first": "setup-link", "words": "translations", "learn": "survival",
	"requests": "calls", "resume": "resubscribe", "experience": "lifetimes",
}

// modern returns arguments with the present name of their command, and says so when it
// had another one.
func modern(args []string, errOut io.Writer) []string {
	at := commandAt(args)
	if at == len(args) {
		return args
	}
	now := renamed[args[at]]
	if now == "" {
		return args
	}
	fmt.Fprintf(errOut, "sealmanac: '%s' is now called '%s'. The old name works in this version only.\n", args[at], now)
	return append(append(append([]string{}, args[:at]...), now), args[at+1:]...)
}

// commandAt returns where the command stands, behind the flags that belong to all.
func commandAt(args []string) int {
	at := 0
	for at < len(args) && strings.HasPrefix(args[at], "-") {
		if args[at] == "--config" || args[at] == "--rules" {
			at++
		}
		at++
	}
	return min(at, len(args))
}

// helpCmd stands in the list of commands; asked turns it into the flag.
type helpCmd struct {
	Command []string `arg:"" optional:"" help:"Command, such as forecast, or 'queue list'."`
}

// asked returns arguments with 'help COMMAND' as 'COMMAND --help'.
func asked(args []string) []string {
	at := commandAt(args)
	if at == len(args) || args[at] != "help" || at+1 < len(args) && strings.HasPrefix(args[at+1], "-") {
		return args
	}
	return append(append(append([]string{}, args[:at]...), args[at+1:]...), "--help")
}

// printHelp adds the example of a command to what the parser prints.
func printHelp(options kong.HelpOptions, ctx *kong.Context) error {
	if err := kong.DefaultHelpPrinter(options, ctx); err != nil {
		return err
	}
	node := ctx.Selected()
	if node == nil {
		fmt.Fprintln(ctx.Stdout, "\nFirst steps:\n  sealmanac demo --once\n  sealmanac help import")
		return nil
	}
	if example := exampleOf(pathOf(node)); example != "" {
		fmt.Fprintf(ctx.Stdout, "\nExample:\n  %s\n", example)
	}
	return nil
}

// exampleOf returns the example of a command, with a day that is still to come where one is
// needed.
func exampleOf(path string) string {
	const ahead = 60
	return strings.ReplaceAll(examples[path], "SOON", civil.FromTime(time.Now()).Add(ahead).String())
}

// pathOf returns a command with its parents, such as "queue list".
func pathOf(n *kong.Node) string {
	if n.Parent == nil || n.Parent.Type == kong.ApplicationNode {
		return n.Name
	}
	return pathOf(n.Parent) + " " + n.Name
}
