// Package intake reads coach files (YAML or JSON) and part lists (CSV, XLSX)
// into the vocabulary, strictly: every problem is reported at once with file,
// line or row, field, value and what is allowed, and nothing is half read.
//
// It imports coach, climate and row 0. Package desk and cli call it.
package intake

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/fault"
)

// Problem is one thing wrong with an input file.
type Problem struct {
	File    string
	Line    int    // line of a coach file, row of a list; 0: the whole file
	Field   string // such as "coaches[2].stays[0].from", or a column's name
	Value   string // as written; "" when something is missing
	Message string // what is wrong, without a full stop
	Allowed string // what would be accepted; "" when the message says it
	Warning bool   // worth a look, but accepted
	Aside   bool   // a plan can be made without it; to store it, it must be corrected
}

// String is the problem on one line.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	if p.Value != "" {
		fmt.Fprintf(&b, "%q ", clip(p.Value))
	}
	b.WriteString(p.Message)
	if p.Allowed != "" {
		b.WriteString("; allowed: " + p.Allowed)
	}
	return b.String()
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:57]) + "..."
	}
	return s
}

// Problems is the whole report of an intake.
type Problems []Problem

// Err returns an error that holds the report, or nil when there are at most
// warnings.
func (ps Problems) Err() error {
	var lines []string
	for _, p := range ps {
		if !p.Warning {
			lines = append(lines, p.String())
		}
	}
	if len(lines) == 0 {
		return nil
	}
	return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("%d problem(s) in what was read\n%s", len(lines),
		strings.Join(lines, "\n")),
		Hint: "Correct what is named above and run the same command again. Nothing was stored."}
}

// Hard returns the problems that leave nothing to plan with: all but warnings and
// those aside.
func (ps Problems) Hard() Problems {
	return slices.DeleteFunc(slices.Clone(ps), func(p Problem) bool { return p.Aside })
}

// Wrong returns what has to be corrected before anything is stored: all but warnings.
func (ps Problems) Wrong() Problems {
	return slices.DeleteFunc(slices.Clone(ps), func(p Problem) bool { return p.Warning })
}

// Asides returns the lines that a plan goes on without.
func (ps Problems) Asides() (out []string) {
	for _, p := range ps {
		if p.Aside && !p.Warning {
			out = append(out, p.String())
		}
	}
	return out
}

// Warnings returns the lines that are only worth a look.
func (ps Problems) Warnings() (out []string) {
	for _, p := range ps {
		if p.Warning {
			out = append(out, p.String())
		}
	}
	return out
}

// sort orders the problems by file and line and drops repeats, as when one cell
// stands for two fields.
func (ps *Problems) sort() {
	defer func() { *ps = slices.Compact(*ps) }()
	ps.order()
}

func (ps Problems) order() {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
}

// node is a piece of input, whatever file it came from: a text, a list or an
// object with keys in order.
type node struct {
	line  int
	field string // column name when it came from a list; "" for coach files
	text  string
	list  []*node
	keys  []string
	vals  []*node
	kind  kind
	shape *Field // nil: a real one
}

type kind uint8

const (
	text kind = iota
	list
	object
)

func (k kind) String() string {
	return [...]string{"a single value", "a list", "a block of fields"}[k]
}

// get returns a field; nil: it is not there, or says nothing.
func (n *node) get(key string) *node {
	if i := slices.Index(n.keys, key); i >= 0 && !n.vals[i].empty() {
		return n.vals[i]
	}
	return nil
}

func (n *node) empty() bool { return n.kind == text && strings.TrimSpace(n.text) == "" }

// set adds a field; it is used when a list row is made into a tree.
func (n *node) set(key string, v *node) *node {
	n.keys, n.vals = append(n.keys, key), append(n.vals, v)
	return v
}
