package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"runtime"
	"sync"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
)

// Item is one coach of a bulk with its own problems.
type Item struct {
	Coach    coach.Coach
	Problems Problems
}

// ReadTrees reads coaches given as JSON objects in the form of a coach file, with
// places: of their own if need be. Each is judged for itself, but for a short name
// that stands twice.
func ReadTrees(opt Options, items []json.RawMessage) []Item {
	out := make([]Item, len(items))
	var wg sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	for w := range workers {
		wg.Go(func() {
			for i := w; i < len(items); i += workers {
				out[i] = readTree(opt, i, items[i])
			}
		})
	}
	wg.Wait()
	seen := map[coach.ID]int{}
	for i := range out {
		id := out[i].Coach.ID
		if k, dup := seen[id]; dup && out[i].Problems.Err() == nil {
			out[i].Problems = append(out[i].Problems, Problem{File: fmt.Sprintf("item %d", i), Field: "coach", Value: string(id), Message: fmt.Sprintf("stands twice; first at item %d", k), Allowed: "each coach once"})
			continue
		}
		if id != "" {
			seen[id] = i
		}
	}
	return out
}

// readTree reads one coach for itself.
func readTree(opt Options, i int, raw json.RawMessage) (out Item) {
	r := &reader{opt: opt, file: fmt.Sprintf("item %d", i), sites: map[string]coach.Site{}, seen: map[coach.ID]string{}}
	n, err := parseJSON(raw)
	if err != nil || n.kind != object {
		out.Problems = Problems{{File: r.file, Message: "is not a JSON object of a coach"}}
		return out
	}
	if k := n.take("places"); k != nil {
		for j, p := range k.list {
			r.ownPlace(p, fmt.Sprintf("places[%d]", j))
		}
	}
	r.coach(n, "")
	out.Problems = r.problems
	if len(r.coaches) == 1 {
		out.Coach = r.coaches[0]
	} else if id := n.get("coach"); id != nil {
		out.Coach.ID = coach.ID(id.text)
	}
	return out
}

// take removes a field and returns it.
func (n *node) take(key string) *node {
	for i, k := range n.keys {
		if k == key {
			v := n.vals[i]
			n.keys, n.vals = append(n.keys[:i:i], n.keys[i+1:]...), append(n.vals[:i:i], n.vals[i+1:]...)
			return v
		}
	}
	return nil
}

// parseJSON returns a JSON value as a tree.
func parseJSON(raw []byte) (*node, error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	return jsonNode(d, 0)
}

func jsonNode(d *json.Decoder, depth int) (*node, error) {
	t, err := d.Token()
	if err != nil {
		return nil, err
	}
	switch v := t.(type) {
	case json.Delim:
		if depth > 20 {
			return nil, fmt.Errorf("nested too deep")
		}
		return jsonBlock(d, v, depth)
	case string:
		return &node{text: v}, nil
	case nil:
		return &node{}, nil
	default:
		return &node{text: fmt.Sprint(v)}, nil
	}
}

func jsonBlock(d *json.Decoder, open json.Delim, depth int) (*node, error) {
	n := &node{kind: list}
	if open == '{' {
		n.kind = object
	}
	for d.More() {
		key := ""
		if n.kind == object {
			t, err := d.Token()
			if err != nil {
				return nil, err
			}
			key, _ = t.(string)
		}
		v, err := jsonNode(d, depth+1)
		if err != nil {
			return nil, err
		}
		if n.kind == object {
			n.set(key, v)
		} else {
			n.list = append(n.list, v)
		}
	}
	_, err := d.Token() // the closing one
	return n, err
}

// Tree returns a coach as the object that ReadTrees reads back to the same values.
func Tree(places *climate.Tables, c coach.Coach) map[string]any {
	w := writer{tables: places, own: map[string]bool{}}
	m := plainTree(w.coach(&c))
	if len(w.places) > 0 {
		var own []any
		for _, p := range w.places {
			own = append(own, plainTree(p))
		}
		m["places"] = own
	}
	return m
}

func plainTree(s yaml.MapSlice) map[string]any {
	out := map[string]any{}
	for _, x := range s {
		out[fmt.Sprint(x.Key)] = plainValue(x.Value)
	}
	return out
}

func plainValue(v any) any {
	switch x := v.(type) {
	case yaml.MapSlice:
		return plainTree(x)
	case []yaml.MapSlice:
		out := make([]any, len(x))
		for i := range x {
			out[i] = plainTree(x[i])
		}
		return out
	}
	return v
}
