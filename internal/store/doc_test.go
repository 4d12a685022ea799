package store

import (
	"bytes"
	"compress/gzip"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/season"
	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

// filler gives every field its own value, so that two that are exchanged are seen. Of two
// truth values beside each other one is false when half is set.
type filler struct {
	n    int
	half bool
}

func (f *filler) fill(v reflect.Value) {
	f.n++
	n := f.n
	switch v.Type() {
	case reflect.TypeFor[civil.Date]():
		v.SetInt(int64(civil.Of(2020, 1, 1)) + int64(n))
		return
	case reflect.TypeFor[civil.MonthDay]():
		v.Set(reflect.ValueOf(civil.MonthDay{Month: time.Month(1 + n%12), Day: 1 + n%28}))
		return
	case reflect.TypeFor[wording.Text]():
		v.Set(reflect.ValueOf(wording.Say(fmt.Sprint("text ", n))))
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprint("text ", n))
	case reflect.Bool:
		v.SetBool(!f.half || n%2 == 0)
	case reflect.Int:
		v.SetInt(int64(n))
	case reflect.Float64:
		v.SetFloat(float64(n) + 0.5)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		f.fill(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		f.fill(v.Index(0))
		f.fill(v.Index(1))
	case reflect.Array:
		for i := range v.Len() {
			f.fill(v.Index(i))
		}
	case reflect.Map:
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		f.fill(key)
		f.fill(value)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(key, value)
	case reflect.Struct:
		for i := range v.NumField() {
			f.fill(v.Field(i))
		}
	default:
		panic("the filler knows no " + v.Type().String())
	}
}

func full[T any]() T { return filled[T](false) }

func half[T any]() T { return filled[T](true) }

func filled[T any](half bool) (out T) {
	f := filler{half: half}
	f.fill(reflect.ValueOf(&out).Elem())
	return out
}

// kinds are the stored documents: a value with every field set, with some, with none, how it is
// written, and how it is read.
var kinds = map[string]struct {
	full, half, empty any
	write             func(any) (string, error)
	read              func(string) (any, error)
}{
	"coach": {full[coach.Coach](), half[coach.Coach](), coach.Coach{},
		func(v any) (string, error) { c := v.(coach.Coach); return encode(&c) },
		func(doc string) (any, error) { var c coach.Coach; err := decode(doc, &c); return c, err }},
	"workshop": {full[coach.Workshop](), half[coach.Workshop](), coach.Workshop{},
		func(v any) (string, error) { w := v.(coach.Workshop); return writeDoc(shopDoc(&w)) },
		func(doc string) (any, error) { var d docShop; err := readDoc(doc, &d); return *d.shop(), err }},
	"visit": {full[season.Visit](), half[season.Visit](), season.Visit{},
		func(v any) (string, error) { x := v.(season.Visit); return writeDoc(visitDoc(&x)) },
		func(doc string) (any, error) {
			vs, err := visitsOf([]string{doc})
			if err != nil {
				return nil, err
			}
			return vs[0], nil
		}},
	"plan": {full[KeptPlan](), half[KeptPlan](), KeptPlan{},
		func(v any) (string, error) { k := v.(KeptPlan); return writeDoc(planDoc(&k)) },
		func(doc string) (any, error) {
			var d docPlan
			if err := readDoc(doc, &d); err != nil {
				return nil, err
			}
			return d.plan()
		}},
}

// texts compares texts by their English words, which is what is stored of them.
var texts = cmp.Options{cmp.Comparer(func(a, b wording.Text) bool { return a.String() == b.String() }),
	cmpopts.EquateEmpty()}

// Every field of what is stored has a place in its document, and documents of version 1
// stay as they are. Renew the golden ones only when a member is added: one that is renamed
// or left out here can no longer be read in any database.
func TestDocuments(t *testing.T) {
	for name, k := range kinds {
		for kind, v := range map[string]any{"full": k.full, "half": k.half, "empty": k.empty} {
			doc, err := k.write(v)
			if err != nil {
				t.Fatal(err)
			}
			if back, err := k.read(doc); err != nil || !cmp.Equal(back, v, texts) {
				t.Errorf("%s %s: %v\n%s", kind, name, err, cmp.Diff(v, back, texts))
			}
			if !current(doc) {
				t.Errorf("%s %s does not begin as a document does: %.20s", kind, name, doc)
			}
		}
		doc, err := k.write(k.full)
		if err != nil {
			t.Fatal(err)
		}
		var pretty bytes.Buffer
		if err := json.Indent(&pretty, []byte(doc), "", "  "); err != nil {
			t.Fatal(err)
		}
		testkit.Golden(t, "documents/"+name+".json", pretty.String()+"\n")
		golden, err := os.ReadFile(testkit.File(t, "documents/"+name+".json"))
		if err != nil {
			t.Fatal(err)
		}
		if back, err := k.read(string(golden)); err != nil || !cmp.Equal(back, k.full, texts) {
			t.Errorf("golden %s: %v\n%s", name, err, cmp.Diff(k.full, back, texts))
		}
	}
}

// A member that this program does not know is refused wherever it stands, as is a newer
// version: who dropped it and saved the rest would lose it.
func TestUnknownMembers(t *testing.T) {
	for doc, want := range map[string]string{
		`{"v":1,"id":"a","color":"red"}`:               `the member "/color"`,
		`{"v":1,"slides":[{"runs":[{"width":1}]}]}`:    `the member "/slides/0/runs/0/width"`,
		`{"v":1,"ID":"a"}`:                             `the member "/ID"`,
		`{"v":2,"id":"a"}`:                             "version 2",
		` {"id":"a", "v":2}`:                           "version 2",
		`{"ID":"a","People":[{"Name":"Ada","Age":9}]}`: `the member "/People/0/Age"`,
	} {
		var c coach.Coach
		err := decode(doc, &c)
		if err == nil || !strings.Contains(err.Error(), want) || fault.KindOf(err) != fault.Unavailable ||
			fault.HintOf(err) == "" {
			t.Errorf("%s: %v", doc, err)
		}
	}
	if _, err := visitsOf([]string{`{"v":1,"need":[1,1,1,1,1,1,1]}`}); fault.KindOf(err) != fault.Unavailable {
		t.Errorf("hours of seven skills: %v", err)
	}
	var c coach.Coach
	if err := decode(`{"v":1,"id":"a"`, &c); err == nil || fault.KindOf(err) == fault.Unavailable {
		t.Errorf("half a document: %v", err)
	}
}

// Documents of before consent had channels keep each person's consent to mail.
func TestOldConsent(t *testing.T) {
	var c coach.Coach
	old := `{"ID":"a","People":[{"Name":"Ada","Consent":"2025-01-09"},{"Name":"Ben","Consent":""}]}`
	if err := decode(old, &c); err != nil {
		t.Fatal(err)
	}
	if got, ok := c.People[0].Agreed(coach.ByMail); !ok || got.Day != civil.Of(2025, 1, 9) {
		t.Errorf("Ada: %+v", c.People[0].Consents)
	}
	if len(c.People[1].Consents) != 0 {
		t.Errorf("Ben: %+v", c.People[1].Consents)
	}
	text, err := encode(&c)
	if err != nil {
		t.Fatal(err)
	}
	var again coach.Coach
	if err := decode(text, &again); err != nil || len(again.People[0].Consents) != 1 {
		t.Errorf("%+v %v", again.People, err)
	}
}

// What programs of schemas 1 to 16 stored is read whole: every word and number of it
// stands in the document as it is written now.
func TestOldDocuments(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(testkit.File(t, "upgrade"), "*.sqlite.gz"))
	if err != nil {
		t.Fatal(err)
	}
	read := map[string]int{}
	for _, file := range files {
		db := unpacked(t, file)
		for query, name := range map[string]string{
			`SELECT doc FROM coach`: "coach", `SELECT doc FROM workshop`: "workshop", `SELECT doc FROM visit`: "visit",
			`SELECT doc FROM plan_part WHERE part = 'plan'`: "plan",
		} {
			for _, doc := range column(db, query) {
				if current(doc) {
					continue
				}
				read[name]++
				v, err := kinds[name].read(doc)
				if err != nil {
					t.Errorf("%s: %v in %s", filepath.Base(file), err, doc)
					continue
				}
				text, err := kinds[name].write(v)
				if err != nil {
					t.Fatal(err)
				}
				have := said(t, text)
				for word, n := range said(t, doc) {
					if have[word] < n {
						t.Errorf("%s: a %s says %q %d times, and said it %d times", filepath.Base(file), name, word, have[word], n)
					}
				}
			}
		}
	}
	if read["coach"] < 100 || read["workshop"] < 9 || read["visit"] < 50 || read["plan"] < 6 {
		t.Errorf("too few documents were read: %v", read)
	}
}

// unpacked opens a fixture of the embedded database as it is.
func unpacked(t *testing.T, file string) *sql.DB {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // was only read
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "x.db")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}

// column returns the texts that a query finds; none when its table is not there yet.
func column(db *sql.DB, query string) (out []string) {
	rows, err := db.Query(query)
	if err != nil {
		return nil
	}
	defer rows.Close() //nolint:errcheck // was only read
	for rows.Next() {
		var text string
		if rows.Scan(&text) == nil {
			out = append(out, text)
		}
	}
	return out
}

// said counts the words and numbers in a JSON text; those that say nothing are left out.
func said(t *testing.T, text string) map[string]int {
	t.Helper()
	var v any
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for _, w := range v {
				walk(w)
			}
		case []any:
			for _, w := range v {
				walk(w)
			}
		default:
			if s := fmt.Sprint(v); v != nil && s != "" && s != "0" && s != "false" {
				out[s]++
			}
		}
	}
	walk(v)
	return out
}

// plainCoach is a coach as most are: two people, three stays, three slides of six edges
// with two or three parts each, some services and readings.
func plainCoach() *coach.Coach {
	day := civil.Of(2021, 4, 10)
	c := &coach.Coach{ID: "juniper-07", Label: "Juniper 07", Class: coach.ClassA, Use: coach.Snowbird,
		VIN: "1M8GDM9AXKP042788"}
	for _, n := range []string{"Ada Pine", "Ben Pine"} {
		c.People = append(c.People, coach.Person{Name: n, Email: n[:3] + "@example.org", Role: coach.Owner,
			Units: unit.Imperial, Consents: []coach.Consent{{Channel: coach.ByMail, Day: day, How: "signed form"}}})
	}
	for i, town := range []string{"Madison, WI", "Yuma, AZ", "Madison, WI"} {
		site := coach.Site{Name: town, Lat: 43.0731, Lon: -89.4012, Elev: 266, Zone: "America/Chicago"}
		c.Stays = append(c.Stays, coach.Stay{Site: site, From: day.Add(200 * i), Until: day.Add(200*i + 199),
			Shelter: coach.Open, Rooms: coach.RoomsOut, Cycles: 0.1, Heading: -1})
	}
	temp := unit.Celsius(18)
	for _, id := range []coach.SlideID{"galley", "bed", "parlor"} {
		s := coach.Slide{ID: id, Wall: coach.Left, Width: 3600, Height: 1900, Travel: 700, Topper: true}
		for _, p := range []coach.Position{coach.Outer, coach.Inner} {
			for _, e := range []coach.Side{coach.Top, coach.Fore, coach.Aft} {
				r := coach.Run{Position: p, Side: e, Construction: coach.PushOn, Fitted: day, FreeHeight: 19,
					Gaps: []unit.Length{14, 15.5}, InstallTemp: &temp, Carrier: "steel"}
				for _, k := range []coach.PartKind{coach.Bulb, coach.Wiper, coach.Carrier} {
					r.Parts = append(r.Parts, coach.Part{Kind: k, Material: "epdm_dense", Fitted: day, Lot: coach.UnknownLot})
				}
				s.Runs = append(s.Runs, r)
			}
		}
		c.Slides = append(c.Slides, s)
		c.Services = append(c.Services, coach.Service{Day: day.Add(30), Kind: coach.Exercise, Slide: id, By: "shop",
			Note: "spring"})
		c.Readings = append(c.Readings, coach.Reading{Day: day.Add(30), Slide: id, Run: "outer/top", Part: coach.Bulb,
			Kind: coach.BulbHeight, Value: 17.5, By: "shop"})
	}
	return c
}

func BenchmarkEncode(b *testing.B) {
	c := plainCoach()
	b.ReportAllocs()
	for b.Loop() {
		doc, err := encode(c)
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(doc)))
	}
}

func BenchmarkDecode(b *testing.B) {
	doc, err := encode(plainCoach())
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		var c coach.Coach
		if err := decode(doc, &c); err != nil {
			b.Fatal(err)
		}
	}
}
