package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"runtime"
	"sync"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"github.com/goccy/go-yaml"

	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
)

// Item is one coach of a bulk with its own problems.
type Item struct {
	Coach    coach.Coach
	Problems Problems
}

// Bulk is many coaches that are being read, on all processors, while those that were
// read first are already being used.
type Bulk struct {
	items []Item
	ready []chan struct{} // closed when a chunk is judged
}

// chunkSize is how many coaches of a bulk are handed on together.
const chunkSize = 500

// Text is a JSON value, as it came.
type Text struct {
	raw   []byte
	sound bool // it is JSON; what is not is told when it is read
}

// TextOf returns a text.
func TextOf(raw []byte) (t Text) {
	if json.Valid(raw) { // also bounds the depth
		t.take(raw)
	}
	return t
}

// UnmarshalJSON takes a value of a document that package encoding/json found sound.
func (t *Text) UnmarshalJSON(raw []byte) error {
	t.take(raw)
	return nil
}

// take keeps a sound value. Bytes that are no characters become U+FFFD, as in package
// encoding/json.
func (t *Text) take(raw []byte) {
	if !utf8.Valid(raw) {
		raw = bytes.ToValidUTF8(raw, []byte("\uFFFD"))
	}
	t.raw, t.sound = bytes.Clone(raw), true
}

// ReadTrees reads coaches given as JSON objects in the form of a coach file, with
// places: of their own if need be. Each is judged for itself, but for a short name
// that stands twice.
func ReadTrees(opt Options, items []Text) []Item {
	b := StartTrees(opt, items, nil)
	b.Wait()
	return b.items
}

// StartTrees begins to do the same and returns at once. Each item, with its place, is
// shown to also (nil: nobody) by the goroutine that read it.
func StartTrees(opt Options, items []Text, also func(int, *Item)) *Bulk {
	b := &Bulk{items: make([]Item, len(items))}
	var read []chan struct{}
	for range (len(items) + chunkSize - 1) / chunkSize {
		b.ready, read = append(b.ready, make(chan struct{})), append(read, make(chan struct{}))
	}
	var next sync.Mutex
	k := 0
	for range runtime.GOMAXPROCS(0) {
		go func() {
			for {
				next.Lock()
				at := k
				k++
				next.Unlock()
				if at >= len(read) {
					return
				}
				for i := at * chunkSize; i < min((at+1)*chunkSize, len(items)); i++ {
					b.items[i] = readTree(opt, i, items[i])
					if also != nil {
						also(i, &b.items[i])
					}
				}
				close(read[at])
			}
		}()
	}
	go b.judge(read)
	return b
}

// judge finds short names that stand twice, in the order of the items.
func (b *Bulk) judge(read []chan struct{}) {
	seen := map[coach.ID]int{}
	for at := range read {
		<-read[at]
		for i := at * chunkSize; i < min((at+1)*chunkSize, len(b.items)); i++ {
			x := &b.items[i]
			id := x.Coach.ID
			if k, dup := seen[id]; dup && x.Problems.Err() == nil {
				x.Problems = append(x.Problems, Problem{File: fmt.Sprintf("item %d", i), Field: "coach", Value: string(id),
					Message: fmt.Sprintf("is given twice; first at item %d", k), Allowed: "each coach once"})
			} else if id != "" {
				seen[id] = i
			}
		}
		close(b.ready[at])
	}
}

// Wait waits until everything is read.
func (b *Bulk) Wait() {
	for _, c := range b.ready {
		<-c
	}
}

// Chunks returns the items in order, a few hundred at a time with the place of the
// first, each as soon as it is read.
func (b *Bulk) Chunks() iter.Seq2[int, []Item] {
	return func(yield func(int, []Item) bool) {
		for k, c := range b.ready {
			<-c
			from := k * chunkSize
			if !yield(from, b.items[from:min(from+chunkSize, len(b.items))]) {
				return
			}
		}
	}
}

// object returns the value as a tree; nil: it is no object, or no JSON.
func (t Text) object() *node {
	if !t.sound {
		return nil
	}
	if n := jsonNode(tokens(t.raw), 0); n != nil && n.kind == object {
		return n
	}
	return nil
}

// tokens reads a value that was found sound. A name that stands twice is for the reader of
// the record to tell.
func tokens(raw []byte) *jsontext.Decoder {
	return jsontext.NewDecoder(bytes.NewReader(raw), jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))
}

// List returns the items of an object's one list, unread.
func (t Text) List(list string) (out []Text, err error) {
	d := tokens(t.raw)
	if !t.sound || d.PeekKind() != '{' {
		return nil, fmt.Errorf("the body is not a JSON object with the field %s", list)
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, err
	}
	for d.PeekKind() == '"' {
		key, err := d.ReadToken()
		if err != nil {
			return nil, err
		}
		if name := key.String(); name != list {
			return nil, fmt.Errorf("%q is not a field here; the only field is %s", clip(name), list)
		}
		if d.PeekKind() != '[' {
			return nil, fmt.Errorf("%s is not a list", list)
		}
		if _, err := d.ReadToken(); err != nil {
			return nil, err
		}
		for d.PeekKind() != ']' {
			one, err := d.ReadValue()
			if err != nil {
				return nil, err
			}
			end := d.InputOffset() // the decoder's own copy is gone with the next one
			out = append(out, Text{t.raw[end-int64(len(one)) : end], true})
		}
		if _, err := d.ReadToken(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// readTree reads one coach for itself.
func readTree(opt Options, i int, text Text) (out Item) {
	r := &reader{opt: opt, file: fmt.Sprintf("item %d", i), sites: map[string]coach.Site{}, seen: map[coach.ID]string{}}
	n := text.object()
	if n == nil {
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

// jsonNode returns the next JSON value as a tree; nil: it is nested too deep.
func jsonNode(d *jsontext.Decoder, depth int) *node {
	kind := d.PeekKind()
	token, err := d.ReadToken()
	switch {
	case err != nil:
		return nil
	case kind == 'n':
		return &node{}
	case kind != '{' && kind != '[':
		return &node{text: token.String()} // numbers and truth values as they are written
	case depth > 20:
		return nil
	}
	n := &node{kind: list}
	if kind == '{' {
		n.kind, n.keys, n.vals = object, make([]string, 0, 8), make([]*node, 0, 8)
	}
	for d.PeekKind() != '}' && d.PeekKind() != ']' {
		name := ""
		if n.kind == object {
			key, err := d.ReadToken()
			if err != nil {
				return nil
			}
			name = key.String()
		}
		one := jsonNode(d, depth+1)
		if one == nil {
			return nil
		}
		if n.kind == object {
			n.set(name, one)
		} else {
			n.list = append(n.list, one)
		}
	}
	if _, err := d.ReadToken(); err != nil {
		return nil
	}
	return n
}

// Records returns coaches as JSON objects that ReadTrees reads back to the same values.
func Records(places *climate.Tables, cs ...coach.Coach) ([]json.RawMessage, error) {
	w := writer{tables: places}
	out := make([]json.RawMessage, len(cs))
	for i := range cs {
		w.own, w.places = map[string]bool{}, nil
		m := w.coach(&cs[i])
		if len(w.places) > 0 {
			m = append(m, yaml.MapItem{Key: "places", Value: w.places})
		}
		var err error
		if out[i], err = appendJSON(make([]byte, 0, 1024), m); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// appendJSON appends a value that the writer makes.
func appendJSON(b []byte, v any) (_ []byte, err error) {
	switch x := v.(type) {
	case yaml.MapSlice:
		b = append(b, '{')
		for i, item := range x {
			if i > 0 {
				b = append(b, ',')
			}
			key, _ := item.Key.(string)
			b = append(appendText(b, key), ':')
			if b, err = appendJSON(b, item.Value); err != nil {
				return nil, err
			}
		}
		return append(b, '}'), nil
	case []yaml.MapSlice:
		b = append(b, '[')
		for i, one := range x {
			if i > 0 {
				b = append(b, ',')
			}
			if b, err = appendJSON(b, one); err != nil {
				return nil, err
			}
		}
		return append(b, ']'), nil
	case string:
		return appendText(b, x), nil
	}
	one, err := json.Marshal(v)
	return append(b, one...), err
}

// appendText appends a JSON string; what is no character becomes U+FFFD.
func appendText(b []byte, s string) []byte {
	b, _ = jsontext.AppendQuote(b, s) // its only error tells of the replacement
	return b
}
