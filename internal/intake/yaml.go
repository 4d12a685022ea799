package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
	"go.yaml.in/yaml/v3"

	"sealmanac/internal/fault"
)

// maxBytes bounds one input file: 64 MiB, about 50,000 coaches.
const maxBytes = 64 << 20

// maxDepth bounds how deep a file is nested; a coach file needs eight levels.
const maxDepth = 20

// parseYAML returns the documents of a coach file as trees. Anchors and aliases are
// refused: they can blow a small file up.
func parseYAML(file string, src []byte) ([]*node, Problems) {
	c := converter{file: file}
	if start := bytes.TrimLeft(src, "\ufeff \t\r\n"); len(start) > 0 && (start[0] == '{' || start[0] == '[') &&
		json.Valid(start) {
		r := jsonReader{Decoder: jsontext.NewDecoder(bytes.NewReader(start), jsontext.AllowDuplicateNames(true),
			jsontext.AllowInvalidUTF8(true)),
			src: start, line: 1 + bytes.Count(src[:len(src)-len(start)], []byte("\n"))}
		if n := c.json(&r, 0); n != nil {
			return []*node{n}, c.problems
		}
		return nil, c.problems
	}
	var docs []*node
	for d := yaml.NewDecoder(bytes.NewReader(src)); ; {
		var doc yaml.Node
		if err := d.Decode(&doc); errors.Is(err, io.EOF) {
			return docs, c.problems
		} else if err != nil {
			line, what := yamlFault(err)
			return nil, Problems{{File: file, Line: line, Message: "cannot be read as YAML: " + what}}
		}
		if len(doc.Content) != 1 {
			continue
		}
		if n := c.convert(doc.Content[0], 0); n != nil && (n.kind != text || n.text != "" || doc.Content[0].Style != 0) {
			docs = append(docs, n)
		}
	}
}

// Tree returns a coach file's one document for another package to change: blocks of
// fields, lists and texts.
func Tree(src []byte) (map[string]any, error) {
	docs, problems := parseYAML("the coach", src)
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(docs) != 1 || docs[0].kind != object {
		return nil, fault.New(fault.Invalid, "the coach cannot be read", "Write it as a coach file.")
	}
	tree, _ := docs[0].value().(map[string]any)
	return tree, nil
}

// value returns a tree as plain values.
func (n *node) value() any {
	switch n.kind {
	case object:
		m := make(map[string]any, len(n.keys))
		for i, k := range n.keys {
			m[k] = n.vals[i].value()
		}
		return m
	case list:
		l := make([]any, len(n.list))
		for i, x := range n.list {
			l[i] = x.value()
		}
		return l
	}
	return n.text
}

var yamlLine = regexp.MustCompile(`^(?:yaml: )?(?:line (\d+): )?`)

// yamlFault returns where the parser stopped, and its words without the place.
func yamlFault(err error) (line int, what string) {
	m := yamlLine.FindStringSubmatch(err.Error())
	line, _ = strconv.Atoi(m[1]) // no digits: the whole file
	return line, strings.TrimPrefix(err.Error(), m[0])
}

type converter struct {
	file     string
	problems Problems
}

func (c *converter) refuse(line int, format string, a ...any) *node {
	c.problems = append(c.problems, Problem{File: c.file, Line: line, Message: fmt.Sprintf(format, a...)})
	return nil
}

const tooDeep = "is nested too deeply"

func (c *converter) convert(n *yaml.Node, depth int) *node {
	if depth > maxDepth {
		return c.refuse(n.Line, tooDeep)
	}
	if n.Kind == yaml.AliasNode || n.Anchor != "" || n.Style&yaml.TaggedStyle != 0 || n.Tag == "!!merge" {
		return c.refuse(n.Line, "uses an anchor, alias, tag or merge key, which is not read here; write the value out")
	}
	out := &node{line: n.Line}
	switch n.Kind {
	case yaml.MappingNode:
		out.kind = object
		for i := 0; i+1 < len(n.Content); i += 2 {
			key, value := n.Content[i], n.Content[i+1]
			if key.Kind != yaml.ScalarNode {
				c.refuse(key.Line, "is a kind of YAML that is not read here; write the value out")
				continue
			}
			if c.convert(key, depth+1) == nil {
				continue
			}
			c.field(out, key.Value, key.Line, func() *node { return c.convert(value, depth+1) })
		}
	case yaml.SequenceNode:
		out.kind = list
		for _, item := range n.Content {
			if x := c.convert(item, depth+1); x != nil {
				out.list = append(out.list, x)
			}
		}
	case yaml.ScalarNode:
		if n.Tag != "!!null" {
			out.text = n.Value
		}
	}
	return out
}

// field adds a field to a block, unless it has it.
func (c *converter) field(out *node, key string, line int, value func() *node) {
	double := out.get(key) != nil
	x := value()
	switch {
	case double:
		c.problems = append(c.problems, Problem{File: c.file, Line: line, Field: key, Message: "stands twice in one block"})
	case x != nil:
		out.set(key, x)
	}
}

// jsonReader reads a sound JSON text token by token and counts its lines.
type jsonReader struct {
	*jsontext.Decoder
	src  []byte
	at   int64
	line int
}

// here returns the line of the token that was read last.
func (r *jsonReader) here() int {
	end := r.InputOffset()
	r.line += bytes.Count(r.src[r.at:end], []byte("\n"))
	r.at = end
	return r.line
}

// json reads the next value; nil: it, or a part of it, was refused.
func (c *converter) json(r *jsonReader, depth int) *node {
	raw := r.PeekKind()
	if raw != '{' && raw != '[' {
		v, err := r.ReadToken()
		if err != nil {
			return c.refuse(r.line, "cannot be read as JSON: %v", err)
		}
		out := &node{line: r.here()}
		if raw != 'n' {
			out.text = v.String()
		}
		return out
	}
	if depth > maxDepth {
		line := r.here()
		_ = r.SkipValue() // sound, as all of the text is
		return c.refuse(line, tooDeep)
	}
	_, _ = r.ReadToken()
	out := &node{line: r.here(), kind: list}
	if raw == '{' {
		out.kind = object
	}
	for k := r.PeekKind(); k != '}' && k != ']'; k = r.PeekKind() {
		if raw == '[' {
			if x := c.json(r, depth+1); x != nil {
				out.list = append(out.list, x)
			}
			continue
		}
		key, err := r.ReadToken()
		if err != nil {
			return c.refuse(r.line, "cannot be read as JSON: %v", err)
		}
		name := key.String()
		c.field(out, name, r.here(), func() *node { return c.json(r, depth+1) })
	}
	_, _ = r.ReadToken()
	return out
}
