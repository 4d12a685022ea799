package intake

import (
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
	for i := range c.Coaches {
		for j := range c.Coaches[i].Bookings {
			c.Coaches[i].Bookings[j].Source = "again.yaml"
		}
	}
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
