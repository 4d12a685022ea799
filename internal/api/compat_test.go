package api_test

import (
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

var landed = flag.Bool("landed", false,
	"keep the document and the events' schema as what has landed; empty accepted.txt")

// Programs that were written against what has landed go on to work: a difference that
// breaks one is on the list of accepted changes, with its reason, or it is a fault. The
// copies of what has landed are renewed with -landed alone.
func TestCompatible(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	var found []string
	for _, doc := range []struct {
		name    string
		compare func(old, now tree) []string
	}{{"openapi.json", compareAPI}, {"events.schema.json", compareEvents}, {"events.schema.json?names=2", compareEvents}} {
		_, _, text := x.do("", "GET", "/"+doc.name, "")
		path := testkit.File(t, "api/"+strings.Replace(doc.name, ".schema.json?names=2", "-2.schema.json", 1))
		now := parseTree(t, []byte(text))
		if *landed {
			text, err := json.MarshalIndent(now, "", " ")
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, append(text, '\n'), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		old, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		found = append(found, doc.compare(parseTree(t, old), now)...)
	}
	path := testkit.File(t, "api/accepted.txt")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if *landed {
		text = acceptedHead(text)
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, wrong := range judge(found, string(text)) {
		t.Error(wrong)
	}
}

// acceptedHead is the list of accepted changes without its entries.
func acceptedHead(text []byte) []byte {
	var head strings.Builder
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			head.WriteString(line)
		}
	}
	return []byte(head.String())
}

// judge holds differences against the list of accepted ones: each line is "what — reason".
func judge(found []string, accepted string) (wrong []string) {
	reasons := map[string]bool{}
	for line := range strings.Lines(accepted) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		what, reason, _ := strings.Cut(line, " — ")
		if strings.TrimSpace(reason) == "" {
			wrong = append(wrong, fmt.Sprintf("accepted.txt gives no reason: %q", line))
		}
		if reasons[what] = true; !slices.Contains(found, what) {
			wrong = append(wrong, fmt.Sprintf("accepted.txt lists what is no difference: %q", what))
		}
	}
	for _, what := range found {
		if !reasons[what] {
			wrong = append(wrong, "this breaks programs that are in use; undo it, or list it with a reason in "+
				"testdata/api/accepted.txt: "+what)
		}
	}
	return wrong
}

// tree is a JSON object.
type tree = map[string]any

func parseTree(t *testing.T, text []byte) tree {
	t.Helper()
	var out tree
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// at follows names into a tree; what is not there is an empty tree.
func at(v any, names ...string) tree {
	for _, n := range names {
		m, _ := v.(tree)
		v = m[n]
	}
	m, _ := v.(tree)
	return m
}

func sorted(m tree) []string { return slices.Sorted(maps.Keys(m)) }

// listOf reads a list of texts, or a single one.
func listOf(v any) (out []string) {
	switch v := v.(type) {
	case string:
		out = append(out, v)
	case []any:
		for _, s := range v {
			out = append(out, fmt.Sprint(s))
		}
	}
	return out
}

// comparer collects what a program that knows the old document cannot do any more.
type comparer struct {
	old, now tree
	seen     map[string]bool // pairs of components by direction
	found    []string
}

func (c *comparer) say(format string, a ...any) {
	if line := fmt.Sprintf(format, a...); !slices.Contains(c.found, line) {
		c.found = append(c.found, line)
	}
}

// compareAPI compares two OpenAPI documents.
func compareAPI(old, now tree) []string {
	c := &comparer{old: old, now: now, seen: map[string]bool{}}
	for _, path := range sorted(at(old, "paths")) {
		for _, method := range sorted(at(old, "paths", path)) {
			where := strings.ToUpper(method) + " " + path
			if o, n := at(old, "paths", path, method), at(now, "paths", path, method); n == nil {
				c.say("%s: the operation is gone", where)
			} else {
				c.operation(where, o, n)
			}
		}
	}
	return c.found
}

func (c *comparer) operation(where string, o, n tree) {
	if o["operationId"] != n["operationId"] {
		c.say("%s: %v has another name", where, o["operationId"]) // programs are generated from names
	}
	params, old := parameters(n), parameters(o)
	for _, name := range sorted(old) {
		p, ok := params[name].(tree)
		if !ok {
			c.say("%s, %s: the parameter is gone", where, name)
			continue
		}
		c.schema(where+", "+name, at(old[name], "schema"), at(p, "schema"), "requests")
	}
	for _, name := range sorted(params) {
		if at(params[name])["required"] == true && at(old[name])["required"] != true {
			c.say("%s, %s: the parameter is required", where, name)
		}
	}
	if at(n, "requestBody")["required"] == true && at(o, "requestBody")["required"] != true {
		c.say("%s: a body is required", where)
	}
	c.contents(where, at(o, "requestBody"), at(n, "requestBody"), "requests")
	for _, status := range sorted(at(o, "responses")) {
		was, is := at(o, "responses", status), at(n, "responses", status)
		if is == nil {
			if strings.HasPrefix(status, "2") {
				c.say("%s, %s: the answer is gone", where, status)
			}
			continue // a refusal that comes no more hurts nobody
		}
		for _, name := range sorted(at(was, "headers")) {
			if at(is, "headers", name) == nil {
				c.say("%s, %s: the header %s is gone", where, status, name)
			}
		}
		c.contents(where+", "+status, was, is, "answers")
	}
}

// parameters returns an operation's parameters by place and name.
func parameters(o tree) tree {
	out := tree{}
	list, _ := o["parameters"].([]any)
	for _, p := range list {
		p := at(p)
		out[fmt.Sprint(p["in"], " ", p["name"])] = p
	}
	return out
}

func (c *comparer) contents(where string, o, n tree, side string) {
	for _, media := range sorted(at(o, "content")) {
		if is := at(n, "content", media); is == nil {
			c.say("%s: %s is gone", where, media)
		} else {
			c.schema(where, at(o, "content", media, "schema"), at(is, "schema"), side)
		}
	}
}

// resolve follows a reference to a component and returns its name, too.
func resolve(doc, s tree) (tree, string) {
	ref, _ := s["$ref"].(string)
	if ref == "" {
		return s, ""
	}
	name := ref[strings.LastIndex(ref, "/")+1:]
	return at(doc, "components", "schemas", name), name
}

// schema compares what may stand at a place. In requests the new schema must take all that
// the old one took; in answers it must give nothing that the old one did not announce, but
// for fields and enum values that were added.
func (c *comparer) schema(where string, o, n tree, side string) {
	o, was := resolve(c.old, o)
	n, is := resolve(c.now, n)
	if was != "" {
		pair := was + " " + is + " " + side
		if c.seen[pair] {
			return
		}
		c.seen[pair] = true
		where = was + " in " + side
	}
	if len(alternatives(o)) > 1 || len(alternatives(n)) > 1 {
		c.choice(where, alternatives(o), alternatives(n), side)
		return
	}
	c.value(where, o, n, side)
	for _, name := range sorted(at(o, "properties")) {
		if field, ok := at(n, "properties")[name]; ok {
			c.schema(where+"."+name, at(o, "properties", name), at(field), side)
		} else {
			c.say("%s.%s: the field is gone", where, name)
		}
	}
	must, had := listOf(n["required"]), listOf(o["required"])
	if side == "answers" {
		must, had = had, must
	}
	for _, name := range must {
		switch {
		case slices.Contains(had, name):
		case side == "requests":
			c.say("%s.%s: the field is required", where, name)
		case at(n, "properties")[name] != nil:
			c.say("%s.%s: the field may be missing", where, name)
		}
	}
	closed := n["additionalProperties"] == false && o["additionalProperties"] != false
	if closed && side == "requests" && o["properties"] != nil {
		c.say("%s: other fields are refused", where)
	}
	for _, key := range []string{"items", "additionalProperties"} {
		if at(o, key) != nil {
			c.schema(where+"[]", at(o, key), at(n, key), side)
		}
	}
}

func alternatives(s tree) (out []tree) {
	for _, key := range []string{"anyOf", "oneOf"} {
		list, _ := s[key].([]any)
		for _, a := range list {
			out = append(out, at(a))
		}
	}
	if out == nil {
		out = append(out, s)
	}
	return out
}

// choice wants for each alternative that somebody relies on one that is the same for them.
func (c *comparer) choice(where string, old, now []tree, side string) {
	fits := func(o, n tree) bool {
		try := &comparer{old: c.old, now: c.now, seen: maps.Clone(c.seen)}
		try.schema(where, o, n, side)
		return len(try.found) == 0
	}
	missing := false
	if side == "requests" {
		for _, o := range old {
			missing = missing || !slices.ContainsFunc(now, func(n tree) bool { return fits(o, n) })
		}
	} else {
		for _, n := range now {
			missing = missing || !slices.ContainsFunc(old, func(o tree) bool { return fits(o, n) })
		}
	}
	if missing {
		c.say("%s: the alternatives are others", where)
	}
}

// value compares types, words and limits.
func (c *comparer) value(where string, o, n tree, side string) {
	was, is := listOf(o["type"]), listOf(n["type"])
	more, fewer := was, is // every type that was sent must be taken
	if side == "answers" {
		more, fewer = is, was
	}
	within := func(kind string) bool {
		return slices.Contains(fewer, kind) || kind == "integer" && slices.Contains(fewer, "number")
	}
	if len(fewer) > 0 && (len(more) == 0 || slices.ContainsFunc(more, func(k string) bool { return !within(k) })) {
		c.say("%s: the type %v is %v", where, was, is)
	}
	for _, key := range []string{"format", "pattern", "const"} {
		now := n[key]
		gone, added := now == nil, o[key] == nil
		if !reflect.DeepEqual(o[key], now) && !(side == "requests" && gone) && !(side == "answers" && added) {
			c.say("%s: the %s %v is %v", where, key, cmp.Or(o[key], any("any")), cmp.Or(now, any("any")))
		}
	}
	if side == "answers" {
		return
	}
	if words := listOf(n["enum"]); n["enum"] != nil {
		if o["enum"] == nil {
			c.say("%s: only some words are taken", where)
		}
		for _, w := range listOf(o["enum"]) {
			if !slices.Contains(words, w) {
				c.say("%s: the word %s is refused", where, w)
			}
		}
	}
	for _, key := range []string{"maximum", "maxLength", "maxItems", "minimum", "minLength", "minItems"} {
		is, limited := n[key].(float64)
		was, before := o[key].(float64)
		if limited && (!before || strings.HasPrefix(key, "max") && is < was || strings.HasPrefix(key, "min") && is > was) {
			c.say("%s: the limit %s is tighter", where, key)
		}
	}
}

// compareEvents compares two schemas of events: their kinds, the names and forms of their
// data, and the envelope.
func compareEvents(old, now tree) []string {
	c := &comparer{old: old, now: now, seen: map[string]bool{}}
	data := kinds(now)
	for kind, fields := range kinds(old) {
		if data[kind] == nil {
			c.say("event %s: the kind is gone", kind)
			continue
		}
		c.schema("event "+kind, fields, data[kind], "answers")
	}
	c.schema("event", old, now, "answers")
	slices.Sort(c.found)
	return c.found
}

// kinds returns the schemas of the data of events by kind.
func kinds(schema tree) map[string]tree {
	out := map[string]tree{}
	for _, kind := range listOf(at(schema, "properties", "type")["enum"]) {
		out[kind] = tree{}
	}
	each, _ := schema["allOf"].([]any)
	for _, e := range each {
		kind := fmt.Sprint(at(e, "if", "properties", "type")["const"])
		out[kind] = at(e, "then", "properties", "data")
	}
	return out
}

// Every rule of the comparison fires, and additions pass.
func TestComparisonRules(t *testing.T) {
	api := func(operation string) string {
		return `{"paths":{"/a":{"post":` + operation + `}},"components":{"schemas":{
			"R":{"type":"object","properties":{"r":{"$ref":"#/components/schemas/R"},"x":{"type":"string"}}},
			"S":{"type":"object","properties":{"r":{"$ref":"#/components/schemas/S"}}}}}}`
	}
	param := func(p string) string { return api(`{"parameters":[` + p + `]}`) }
	body := func(s string) string { return api(`{"requestBody":{"content":{"j":{"schema":` + s + `}}}}`) }
	answer := func(s string) string { return api(`{"responses":{"200":{"content":{"j":{"schema":` + s + `}}}}}`) }
	event := func(kind, data string) string {
		return `{"properties":{"type":{"enum":["` + kind + `"]}},"allOf":[{
			"if":{"properties":{"type":{"const":"` + kind + `"}}},
			"then":{"properties":{"data":{"properties":{` + data + `}}}}}]}`
	}
	for name, c := range map[string]struct{ old, now, want string }{
		"operation gone":    {api(`{}`), `{"paths":{}}`, "POST /a: the operation is gone"},
		"operation renamed": {api(`{"operationId":"x"}`), api(`{"operationId":"y"}`), "POST /a: x has another name"},
		"parameter gone":    {param(`{"in":"query","name":"q"}`), api(`{}`), "POST /a, query q: the parameter is gone"},
		"parameter required": {param(`{"in":"query","name":"q"}`), param(`{"in":"query","name":"q","required":true}`),
			"POST /a, query q: the parameter is required"},
		"parameter required new": {api(`{}`), param(`{"in":"query","name":"q","required":true}`),
			"POST /a, query q: the parameter is required"},
		"parameter new":    {api(`{}`), param(`{"in":"query","name":"q"}`), ""},
		"body required":    {api(`{}`), api(`{"requestBody":{"required":true}}`), "POST /a: a body is required"},
		"body's form gone": {body(`{}`), api(`{}`), "POST /a: j is gone"},
		"request field gone": {body(`{"properties":{"x":{}}}`), body(`{"properties":{}}`),
			"POST /a.x: the field is gone"},
		"request field new": {body(`{"properties":{}}`), body(`{"properties":{"x":{}}}`), ""},
		"request field required": {body(`{"properties":{"x":{}}}`), body(`{"properties":{"x":{}},"required":["x"]}`),
			"POST /a.x: the field is required"},
		"request closed": {body(`{"properties":{}}`), body(`{"properties":{},"additionalProperties":false}`),
			"POST /a: other fields are refused"},
		"request type": {body(`{"type":["string","null"]}`), body(`{"type":"string"}`),
			"POST /a: the type [string null] is [string]"},
		"request type new":   {body(`{}`), body(`{"type":"string"}`), "POST /a: the type [] is [string]"},
		"request type wider": {body(`{"type":"integer"}`), body(`{"type":"number"}`), ""},
		"request word gone":  {body(`{"enum":["a","b"]}`), body(`{"enum":["a"]}`), "POST /a: the word b is refused"},
		"request words new": {body(`{"type":"string"}`), body(`{"type":"string","enum":["a"]}`),
			"POST /a: only some words are taken"},
		"request word added":   {body(`{"enum":["a"]}`), body(`{"enum":["a","b"]}`), ""},
		"request format":       {body(`{}`), body(`{"format":"date"}`), "POST /a: the format any is date"},
		"request format wider": {body(`{"format":"date"}`), body(`{}`), ""},
		"request limit":        {body(`{"maximum":9}`), body(`{"maximum":8}`), "POST /a: the limit maximum is tighter"},
		"request limit lower": {body(`{"minLength":1}`), body(`{"minLength":2}`),
			"POST /a: the limit minLength is tighter"},
		"request limit wider": {body(`{"maximum":9,"minimum":2}`), body(`{"maximum":10,"minimum":1}`), ""},
		"request items": {body(`{"items":{"type":"string"}}`), body(`{"items":{"type":"integer"}}`),
			"POST /a[]: the type [string] is [integer]"},
		"request choice": {body(`{"anyOf":[{"type":"string"},{"type":"null"}]}`), body(`{"type":"string"}`),
			"POST /a: the alternatives are others"},
		"request choice wider": {body(`{"type":"string"}`), body(`{"anyOf":[{"type":"string"},{"type":"null"}]}`), ""},
		"answer gone":          {answer(`{}`), api(`{"responses":{"204":{}}}`), "POST /a, 200: the answer is gone"},
		"refusal gone":         {api(`{"responses":{"409":{}}}`), api(`{}`), ""},
		"header gone": {api(`{"responses":{"200":{"headers":{"ETag":{}}}}}`), api(`{"responses":{"200":{}}}`),
			"POST /a, 200: the header ETag is gone"},
		"answer's form gone": {answer(`{}`), api(`{"responses":{"200":{}}}`), "POST /a, 200: j is gone"},
		"answer field gone": {answer(`{"properties":{"x":{}}}`), answer(`{"properties":{"y":{}}}`),
			"POST /a, 200.x: the field is gone"},
		"answer field may miss": {answer(`{"properties":{"x":{}},"required":["x"]}`), answer(`{"properties":{"x":{}}}`),
			"POST /a, 200.x: the field may be missing"},
		"answer field new": {answer(`{"properties":{}}`), answer(`{"properties":{"x":{}},"required":["x"]}`), ""},
		"answer type": {answer(`{"type":"string"}`), answer(`{"type":["string","null"]}`),
			"POST /a, 200: the type [string] is [string null]"},
		"answer type open": {answer(`{"type":"string"}`), answer(`{}`), "POST /a, 200: the type [string] is []"},
		"answer format": {answer(`{"format":"date"}`), answer(`{"format":"date-time"}`),
			"POST /a, 200: the format date is date-time"},
		"answer choice": {answer(`{"type":"string"}`), answer(`{"anyOf":[{"type":"string"},{"type":"null"}]}`),
			"POST /a, 200: the alternatives are others"},
		"answer word added": {answer(`{"enum":["a"]}`), answer(`{"enum":["a","b"]}`), ""},
		"component": {answer(`{"$ref":"#/components/schemas/R"}`), answer(`{"$ref":"#/components/schemas/S"}`),
			"R in answers.x: the field is gone"},
		"texts":           {answer(`{"description":"a"}`), answer(`{"description":"b"}`), ""},
		"event gone":      {event("a", ""), event("b", ""), "event a: the kind is gone"},
		"event data gone": {event("a", `"x":true`), event("a", `"y":true`), "event a.x: the field is gone"},
		"event data new":  {event("a", `"x":true`), event("a", `"x":{"type":"string"},"y":true`), ""},
		"event data type": {event("a", `"x":{"type":"string"}`), event("a", `"x":{"type":"integer"}`),
			"event a.x: the type [string] is [integer]"},
	} {
		compare := compareAPI
		if strings.HasPrefix(name, "event") {
			compare = compareEvents
		}
		if got := strings.Join(compare(parseTree(t, []byte(c.old)), parseTree(t, []byte(c.now))), "; "); got != c.want {
			t.Errorf("%s: %q, expected %q", name, got, c.want)
		}
	}
}

// A difference needs a line with a reason, and a line needs its difference.
func TestAcceptedChanges(t *testing.T) {
	for name, c := range map[string]struct {
		found    []string
		accepted string
		wrong    int
	}{
		"nothing":   {nil, "# head\n", 0},
		"accepted":  {[]string{"x: gone"}, "# head\nx: gone — nobody used it\n", 0},
		"not":       {[]string{"x: gone"}, "# head\n", 1},
		"no reason": {[]string{"x: gone"}, "x: gone\n", 1},
		"no more":   {nil, "x: gone — nobody used it\n", 1},
	} {
		if got := judge(c.found, c.accepted); len(got) != c.wrong {
			t.Errorf("%s: %q", name, got)
		}
	}
}
