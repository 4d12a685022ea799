package intake

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/testkit"
)

// What is written reads back to the same values: nothing is lost on the way through
// an editor.
func TestWriteReadsBack(t *testing.T) {
	opt := Options{Today: civil.Of(2026, 2, 10), Places: testkit.Tables(t)}
	c := Read(opt, nil, File{Name: "demo.yaml", Data: config.Demo})
	k := &c.Coaches[0] // keys of another system, on everything
	k.External, k.People[0].External, k.Stays[0].External, k.Slides[0].External, k.Slides[0].Runs[0].External,
		k.Slides[0].Runs[0].Parts[0].External = "1", "2", "3", "4", "5", "6"
	k.Services[0].External, k.Readings[0].External = "7", "8"
	text, err := Write(opt.Places, c.Coaches...)
	if err != nil {
		t.Fatal(err)
	}
	back := Read(opt, nil, File{Name: "again.yaml", Data: text})
	if err := back.Problems.Err(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if diff := cmp.Diff(c.Coaches, back.Coaches); diff != "" {
		t.Errorf("it came back as something else:\n%s", diff)
	}
	again, err := Write(opt.Places, back.Coaches...)
	if err != nil || string(again) != string(text) {
		t.Errorf("written twice it differs: %v", err)
	}
}

// The same by way of JSON, as the API gives and takes it.
func TestTreesReadBack(t *testing.T) {
	opt := Options{Today: civil.Of(2026, 2, 10), Places: testkit.Tables(t)}
	c := Read(opt, nil, File{Name: "demo.yaml", Data: config.Demo})
	var items []Text
	for i := range c.Coaches {
		b, err := Records(opt.Places, c.Coaches[i])
		if err != nil {
			t.Fatal(err)
		}
		items = append(items, TextOf(b[0]))
	}
	items = append(items, items[0], TextOf([]byte(`[1]`)), TextOf([]byte(`{"coach": "x y"}`)), TextOf([]byte(`{`)),
		TextOf([]byte(strings.Repeat(`{"coach":`, 30)+"1"+strings.Repeat("}", 30))))
	read := ReadTrees(opt, items)
	for i := range c.Coaches {
		if err := read[i].Problems.Err(); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(c.Coaches[i], read[i].Coach); diff != "" {
			t.Errorf("it came back as something else:\n%s", diff)
		}
	}
	for _, x := range read[len(c.Coaches):] {
		if x.Problems.Err() == nil {
			t.Errorf("taken: %+v", x)
		}
	}
}

func FuzzTrees(f *testing.F) {
	f.Add(`{"coach": "a", "stays": [{"place": "Bend, OR", "from": "2024-01-01", "cycles": "2/week"}], "slides": []}`)
	opt := Options{Today: civil.Of(2026, 2, 10), Places: testkit.Tables(f)}
	f.Fuzz(func(t *testing.T, text string) {
		for _, x := range ReadTrees(opt, []Text{TextOf([]byte(text))}) {
			if x.Problems.Err() == nil && x.Coach.ID == "" {
				t.Errorf("a coach without a name was taken: %s", text)
			}
		}
	})
}
