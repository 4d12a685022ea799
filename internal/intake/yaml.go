package intake

import (
	"errors"
	"fmt"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// maxBytes bounds one input file: 64 MiB, about 50,000 coaches.
const maxBytes = 64 << 20

// parseYAML returns the documents of a coach file as trees. JSON is read as the
// YAML it is. Anchors and aliases are refused: they can blow a small file up.
func parseYAML(file string, src []byte) ([]*node, Problems) {
	f, err := parser.ParseBytes(src, 0)
	if err != nil {
		p := Problem{File: file, Message: "cannot be read as YAML: " + yaml.FormatError(err, false, false)}
		if se, ok := errors.AsType[*yaml.SyntaxError](err); ok {
			p.Message = "cannot be read as YAML: " + se.Message
			if tk := se.GetToken(); tk != nil && tk.Position != nil {
				p.Line = tk.Position.Line
			}
		}
		return nil, Problems{p}
	}
	c := converter{file: file}
	var docs []*node
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if n := c.convert(d.Body, 0); n != nil {
			docs = append(docs, n)
		}
	}
	return docs, c.problems
}

type converter struct {
	file     string
	problems Problems
}

func (c *converter) refuse(n ast.Node, format string, a ...any) *node {
	c.problems = append(c.problems, Problem{File: c.file, Line: lineOf(n), Message: fmt.Sprintf(format, a...)})
	return nil
}

func lineOf(n ast.Node) int {
	if tk := n.GetToken(); tk != nil && tk.Position != nil {
		return tk.Position.Line
	}
	return 0
}

func (c *converter) convert(n ast.Node, depth int) *node {
	if depth > 20 {
		return c.refuse(n, "is nested too deeply")
	}
	switch v := n.(type) {
	case *ast.TagNode, *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode: // they would pass for scalars below
		return c.refuse(n, "uses an anchor, alias, tag or merge key, which is not read here; write the value out")
	case *ast.MappingNode:
		return c.mapping(n, v.Values, depth)
	case *ast.MappingValueNode:
		return c.mapping(n, []*ast.MappingValueNode{v}, depth)
	case *ast.SequenceNode:
		out := &node{line: lineOf(n), kind: list}
		for _, item := range v.Values {
			if x := c.convert(item, depth+1); x != nil {
				out.list = append(out.list, x)
			}
		}
		return out
	case *ast.NullNode:
		return &node{line: lineOf(n)}
	case *ast.LiteralNode:
		return &node{line: lineOf(n), text: v.Value.Value}
	case *ast.CommentGroupNode:
		return nil
	case ast.ScalarNode:
		return &node{line: lineOf(n), text: n.GetToken().Value}
	default:
		return c.refuse(n, "is a kind of YAML that is not read here; write the value out")
	}
}

func (c *converter) mapping(n ast.Node, values []*ast.MappingValueNode, depth int) *node {
	out := &node{line: lineOf(n), kind: object}
	if len(values) > 0 {
		out.line = lineOf(values[0].Key)
	}
	for _, mv := range values {
		key := mv.Key.GetToken().Value
		if out.get(key) != nil {
			c.problems = append(c.problems, Problem{File: c.file, Line: lineOf(mv.Key), Field: key, Message: "stands twice in one block"})
			continue
		}
		if x := c.convert(mv.Value, depth+1); x != nil {
			out.set(key, x)
		}
	}
	return out
}
