package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// scripts ask the program itself for what may come next, so that they never get old. When
// it knows nothing, the shell completes names of files.
var scripts = map[string]string{
	"bash": `_sealmanac() {
  local IFS=$'\n'
  COMPREPLY=($(sealmanac complete -- "${COMP_WORDS[@]:1:COMP_CWORD}"))
}
complete -o default -F _sealmanac sealmanac
`,
	"zsh": `#compdef sealmanac
_sealmanac() {
  local -a found
  found=(${(f)"$(sealmanac complete -- "${(@)words[2,CURRENT]}")"})
  if (( ${#found} )); then compadd -- $found; else _files; fi
}
compdef _sealmanac sealmanac
`,
	"fish": `complete -c sealmanac -a '(sealmanac complete -- (commandline -opc)[2..] (commandline -ct))'
`,
}

type completionCmd struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"Shell: bash, zsh or fish."`
}

// Run prints the script that makes a shell complete commands.
func (c *completionCmd) Run(e *env) error {
	_, err := io.WriteString(raw(e.out), scripts[c.Shell])
	return err
}

// complete prints what may stand in the place of the last word.
func complete(app *kong.Application, words []string, out io.Writer) {
	if len(words) == 0 {
		return
	}
	node, last := app.Node, words[len(words)-1]
	var waiting *kong.Flag // its value comes next
	for _, w := range words[:len(words)-1] {
		if waiting != nil {
			waiting = nil
			continue
		}
		if strings.HasPrefix(w, "-") {
			if f := flagOf(node, w); f != nil && !f.IsBool() && !strings.Contains(w, "=") {
				waiting = f
			}
			continue
		}
		for _, child := range node.Children {
			if child.Name == w {
				node = child
				break
			}
		}
	}
	for _, w := range next(node, waiting, last) {
		if strings.HasPrefix(w, last) {
			fmt.Fprintln(out, w)
		}
	}
}

// next lists what may come: the values of a flag, or the flags, commands and values of
// arguments of a command.
func next(node *kong.Node, waiting *kong.Flag, last string) (out []string) {
	if waiting != nil {
		return waiting.EnumSlice()
	}
	if strings.HasPrefix(last, "-") {
		for n := node; n != nil; n = n.Parent {
			for _, f := range n.Flags {
				out = append(out, "--"+f.Name)
			}
		}
		slices.Sort(out)
		return out
	}
	for _, child := range node.Children {
		out = append(out, child.Name)
	}
	for _, a := range node.Positional {
		out = append(out, a.EnumSlice()...)
	}
	return out
}

func flagOf(node *kong.Node, word string) *kong.Flag {
	name, _, _ := strings.Cut(strings.TrimLeft(word, "-"), "=")
	for n := node; n != nil; n = n.Parent {
		for _, f := range n.Flags {
			if f.Name == name {
				return f
			}
		}
	}
	return nil
}
