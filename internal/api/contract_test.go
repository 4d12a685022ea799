package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"sealmanac/config"
	"sealmanac/internal/api"
	"sealmanac/internal/civil"
	"sealmanac/internal/intake"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// schemas compiles places of the document with a JSON Schema library that knows nothing
// of the one that wrote it.
func schemas(t *testing.T, x *rig) func(pointer string) *jsonschema.Schema {
	t.Helper()
	_, _, text := x.do("", "GET", "/openapi.json", "")
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("https://x.example.org/openapi.json", doc); err != nil {
		t.Fatal(err)
	}
	return func(pointer string) *jsonschema.Schema {
		t.Helper()
		s, err := c.Compile("https://x.example.org/openapi.json#" + pointer)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func fits(s *jsonschema.Schema, text string) error {
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// demoTrees are the demo's coaches as records.
func demoTrees(t *testing.T) (out []string) {
	t.Helper()
	tables := testkit.Tables(t)
	c := intake.Read(intake.Options{Today: civil.Of(2026, 2, 10), Places: tables}, nil, intake.File{Name: "demo.yaml", Data: config.Demo})
	if err := c.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	for _, one := range c.Coaches {
		b, err := intake.Records(tables, one)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(b[0]))
	}
	return out
}

// What the document promises is what comes: every answer to a good request fits its
// schema, and so does every record that is sent.
func TestAnswersFitTheDocument(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	schema, key := schemas(t, x), x.keys["one"]
	record := schema("/components/schemas/CoachRecord")
	trees := demoTrees(t)
	for _, text := range trees {
		if err := fits(record, text); err != nil {
			t.Errorf("%v\n%s", err, text)
		}
	}
	code, _, said := x.do(key, "POST", "/coaches/bulk", `{"coaches":[`+strings.Join(trees, ",")+`]}`)
	if code != http.StatusOK || !strings.Contains(said, fmt.Sprintf(`"saved":%d`, len(trees))) {
		t.Fatalf("%d %s", code, said)
	}
	for _, o := range api.Operations(x.api) {
		if o.Method != http.MethodGet {
			continue
		}
		code, head, said := x.do(key, o.Method, addressOf(o), "")
		if code != http.StatusOK {
			t.Errorf("%s: %d %s", o.OperationID, code, said)
			continue
		}
		media, _, _ := strings.Cut(head.Get("Content-Type"), ";")
		pointer := "/paths/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(o.Path) + "/get/responses/200/content/" + strings.ReplaceAll(media, "/", "~1") + "/schema"
		if err := fits(schema(strings.NewReplacer("{", "%7B", "}", "%7D").Replace(pointer)), said); err != nil {
			t.Errorf("%s: %v", o.OperationID, err)
		}
	}
}

// The schema refuses what the reader refuses: it is made from the reader.
func TestRecordSchemaRefuses(t *testing.T) {
	x := newRig(t, storetest.Fresh(t, "sqlite"))
	record := schemas(t, x)("/components/schemas/CoachRecord")
	for name, text := range map[string]string{
		"no name":            `{"label":"x"}`,
		"an unknown field":   `{"coach":"a","colour":"red"}`,
		"an unknown word":    `{"coach":"a","class":"zeppelin"}`,
		"no day":             `{"coach":"a","stays":[{"place":"Bend, OR"}]}`,
		"a day that is none": `{"coach":"a","sold":"2026-02-30"}`,
		"a heading of 400":   `{"coach":"a","stays":[{"place":"Bend, OR","from":"2024-01-01","heading":400}]}`,
		"a part of nothing":  `{"coach":"a","slides":[{"slide":"s","runs":[{"run":"outer/top","construction":"track","parts":[{"part":"bulb"}]}]}]}`,
	} {
		if fits(record, text) == nil {
			t.Errorf("%s: the schema takes %s", name, text)
		}
		if code, _, _ := x.do(x.keys["one"], "PUT", "/coaches/a", text); code != http.StatusUnprocessableEntity && name != "no name" {
			t.Errorf("%s: the API answers %d to %s", name, code, text)
		}
	}
}

func text(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
