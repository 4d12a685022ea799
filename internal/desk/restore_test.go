package desk

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// pack makes an archive of files, with a manifest that fits them.
func pack(t *testing.T, files map[string]string) []byte {
	t.Helper()
	m := manifest{archiveFormat, map[string]string{}}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	put := func(name, text string) {
		w, err := z.Create(name)
		if err == nil {
			_, err = io.WriteString(w, text)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		sum := sha256.Sum256([]byte(files[name]))
		m.Files[name] = hex.EncodeToString(sum[:])
		put(name, files[name])
	}
	text, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	put("manifest.json", string(text))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// unpack returns the files of an archive.
func unpack(t *testing.T, data []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name] = string(b)
	}
	return out
}

// elsewhere is a desk over a store of its own, with a key of its own.
func elsewhere(t *testing.T, kind string) *Desk {
	d := deskOn(t, kind)
	d.Signer = &Signer{Key: []byte(strings.Repeat("e", 32)), BaseURL: "https://new.example.org"}
	return d
}

// An archive of the first format, with links in its mails, is restored: what was sent
// holds no link any more, what waits has links of the new store, and the old ones are
// refused there. No archive holds a link.
func TestLinksOfArchives(t *testing.T) {
	former, err := os.ReadFile(testkit.File(t, "archive/format-1.zip"))
	if err != nil {
		t.Fatal(err)
	}
	old := slices.Compact(signedLink.FindAllString(unpack(t, former)["notice.jsonl"], -1))
	if len(old) < 10 {
		t.Fatalf("the archive of the first format has %d links", len(old))
	}
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			d := elsewhere(t, kind)
			if err := d.Restore(t.Context(), "copy", bytes.NewReader(former), int64(len(former)), false); err != nil {
				t.Fatal(err)
			}
			open := func(link string) error {
				at := strings.LastIndex(link, "/")
				if strings.HasSuffix(link[:at], "/o") {
					_, err := d.OwnerPage(t.Context(), link[at+1:])
					return err
				}
				_, err := d.Ask(t.Context(), link[at+1:])
				return err
			}
			for _, link := range old {
				if err := open(link); fault.KindOf(err) != fault.NotFound {
					t.Errorf("%s of the archive: %v", link, err)
				}
			}
			c, err := d.Coach(t.Context(), "copy", "a")
			if err != nil || len(c.Readings) != 1 || c.Readings[0].Part != coach.Bulb {
				t.Errorf("readings %+v, %v", c.Readings, err)
			}
			rows, err := d.Notices(t.Context(), "copy", 9)
			if err != nil || len(rows) != 3 {
				t.Fatal(len(rows), err)
			}
			for _, n := range rows {
				links := signedLink.FindAllString(n.Text+" "+n.HTML+" "+n.StopLink, -1)
				if want := map[string]int{"sent": 0, "waits": 7, "taken-back": 7}[n.Key]; len(links) != want {
					t.Errorf("%s has %d links, want %d: %s %s %s", n.Key, len(links), want, n.Text, n.HTML, n.StopLink)
				}
				for _, link := range links {
					if err := open(link); err != nil || !strings.HasPrefix(link, "https://new.example.org/") {
						t.Errorf("%s of %s: %v", link, n.Key, err)
					}
				}
			}
			var again bytes.Buffer
			if err := d.Archive(t.Context(), "copy", &again); err != nil {
				t.Fatal(err)
			}
			for name, text := range unpack(t, again.Bytes()) {
				if strings.Contains(text, "/a/") || strings.Contains(text, "/o/") {
					t.Errorf("%s holds a link: %s", name, text)
				}
			}
			other := elsewhere(t, kind)
			if err := other.Restore(t.Context(), "copy", bytes.NewReader(again.Bytes()), int64(again.Len()), false); err != nil {
				t.Fatal(err)
			}
			var third bytes.Buffer
			if err := other.Archive(t.Context(), "copy", &third); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(again.Bytes(), third.Bytes()) {
				t.Error("an archive of a restored account is another one")
			}
		})
	}
}

// What an archive lacks, or holds that does not fit, is told in words and with what to
// do; nothing of it is stored.
func TestRowsThatDoNotFit(t *testing.T) {
	former, err := os.ReadFile(testkit.File(t, "archive/format-1.zip"))
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			d := elsewhere(t, kind)
			for name, c := range map[string]struct{ file, old, new, want string }{
				"a column is missing": {"account.jsonl", `"email":"",`, ``, `has a row of account without "email"`},
				"a value is missing": {"reading.jsonl", `"value":3`, `"value":null`,
					`has a row of reading without "value"`},
				"a coach that is not there": {"reading.jsonl", `"coach_id":"a"`, `"coach_id":"b"`,
					`has a row of reading that does not fit`},
				"a number that is none": {"reading.jsonl", `"value":3`, `"value":"three"`,
					`has a row of reading that does not fit`},
				"a state that is none": {"notice.jsonl", `"state":"accepted"`, `"state":"lost"`,
					`has a row of notice that does not fit`},
				"a column nobody knows": {"reading.jsonl", `"value":3`, `"value":3,"smell":1`,
					`has a column "smell" of reading that is not known here`},
				"a notice without its day": {"notice.jsonl", `"not_before":1772496000000000,`, ``,
					`has a row of notice without "not_before"`},
				"what waits, without its day": {"notice.jsonl", `"not_before":1772496000000000,"notice_key":"waits"`,
					`"notice_key":"waits"`, `a notice without its day`},
				"no JSON":                   {"coach.jsonl", `{`, ``, `coach.jsonl has a line that is no JSON`},
				"a picture that is missing": {"attachment.jsonl", `"thumb":"files/a-9`, `"thumb":"files/b-9`, `is missing`},
			} {
				files := unpack(t, former)
				delete(files, "manifest.json")
				if !strings.Contains(files[c.file], c.old) {
					t.Fatalf("%s: no %s in %s", name, c.old, files[c.file])
				}
				files[c.file] = strings.Replace(files[c.file], c.old, c.new, 1)
				data := pack(t, files)
				err := d.Restore(t.Context(), "copy", bytes.NewReader(data), int64(len(data)), false)
				if fault.KindOf(err) != fault.Invalid || !strings.Contains(fault.SentenceOf(err), c.want) ||
					fault.HintOf(err) == "" {
					t.Errorf("%s: %v; hint %q", name, err, fault.HintOf(err))
				}
				if _, err := d.Coach(t.Context(), "copy", "a"); fault.KindOf(err) != fault.NotFound {
					t.Errorf("%s: something was stored: %v", name, err)
				}
			}
		})
	}
}

// sparse is a file with nothing but zeros before its end.
type sparse struct {
	before int64
	end    []byte
}

func (s sparse) ReadAt(b []byte, at int64) (n int, err error) {
	for ; n < len(b) && at < s.before; n, at = n+1, at+1 {
		b[n] = 0
	}
	m := 0
	if n < len(b) {
		m, err = bytes.NewReader(s.end).ReadAt(b[n:], at-s.before)
	}
	return n + m, err
}

// Archives that were made to fill a memory or a disk are refused before they do.
func TestBombsAreRefused(t *testing.T) {
	d := elsewhere(t, "sqlite")
	claims := func(sizes ...uint64) []byte { // says that its files are as large, and holds none
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for i, n := range sizes {
			h := zip.FileHeader{Name: "files/" + string(rune('a'+i)), Method: zip.Deflate, UncompressedSize64: n}
			if _, err := z.CreateRaw(&h); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	twice := func() []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for range 2 {
			if _, err := z.Create("coach.jsonl"); err != nil {
				t.Fatal(err)
			}
		}
		_ = z.Close()
		return b.Bytes()
	}
	lying := func() []byte { // a file that says it is smaller than it is
		var plain, b bytes.Buffer
		z := zip.NewWriter(&plain)
		w, err := z.Create("manifest.json")
		if err == nil {
			_, err = w.Write(make([]byte, 1<<20))
		}
		if err != nil || z.Close() != nil {
			t.Fatal(err)
		}
		r, err := zip.NewReader(bytes.NewReader(plain.Bytes()), int64(plain.Len()))
		if err != nil {
			t.Fatal(err)
		}
		raw, err := r.File[0].OpenRaw()
		if err != nil {
			t.Fatal(err)
		}
		h := r.File[0].FileHeader
		h.UncompressedSize64, h.Flags = 10, 0
		z = zip.NewWriter(&b)
		if w, err = z.CreateRaw(&h); err == nil {
			_, err = io.Copy(w, raw)
		}
		if err != nil || z.Close() != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	stray := pack(t, map[string]string{"coach.jsonl": ""})
	stray = bytes.ReplaceAll(stray, []byte("coach.jsonl"), []byte("stray.jsonl")) // the manifest is compressed and stays
	for name, c := range map[string]struct {
		from io.ReaderAt
		size int
		want string
	}{
		"zeros": {bytes.NewReader(pack(t, map[string]string{"coach.jsonl": string(make([]byte, 100<<20))})),
			0, "would unpack to more than"},
		"a file over 1 GiB": {bytes.NewReader(claims(1<<30 + 1)), 0, "files/a is too large"},
		"33 GiB in a large file": {sparse{200 << 20, claims(slices.Repeat([]uint64{1 << 30}, 33)...)}, 0,
			"would unpack to more than 32768 MiB"},
		"smaller than it is":      {bytes.NewReader(lying()), 0, "manifest.json: zip: not a valid zip file"},
		"a file twice":            {bytes.NewReader(twice()), 0, "stands in it twice"},
		"a file of another name":  {bytes.NewReader(stray), 0, "coach.jsonl is missing"},
		"a file with no checksum": {bytes.NewReader(extra(t)), 0, "files that its manifest does not name"},
	} {
		size := c.size
		switch r := c.from.(type) {
		case *bytes.Reader:
			size = r.Len()
		case sparse:
			size = int(r.before) + len(r.end)
		}
		live := watch(t)
		err := d.Restore(t.Context(), "copy", live.reader(c.from), int64(size), false)
		said := strings.Contains(fault.SentenceOf(err), c.want) && strings.Contains(fault.HintOf(err), "sealmanac archive")
		if fault.KindOf(err) != fault.Invalid || !said {
			t.Errorf("%s: %v", name, err)
		}
		if live.most > 8<<20 {
			t.Errorf("%s: %d KiB were held", name, live.most>>10)
		}
	}
}

// extra is an archive with a file that its manifest does not name.
func extra(t *testing.T) []byte {
	t.Helper()
	files := unpack(t, pack(t, map[string]string{"coach.jsonl": ""}))
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	files["more.jsonl"] = "{}"
	for name, text := range files {
		w, err := z.Create(name)
		if err == nil {
			_, err = io.WriteString(w, text)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// watched looks at how much memory is held while something is read or written.
type watched struct {
	base, seen, most uint64
}

const lookEvery = 4 << 20

func held() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func watch(t *testing.T) *watched {
	t.Helper()
	return &watched{base: held()}
}

func (w *watched) look(n int) {
	if w.seen += uint64(n); w.seen < lookEvery {
		return
	}
	w.seen = 0
	if now := held(); now > w.base {
		w.most = max(w.most, now-w.base)
	}
}

type lookingReader struct {
	*watched
	from io.ReaderAt
}

func (w *watched) reader(from io.ReaderAt) io.ReaderAt { return lookingReader{w, from} }

// ReadAt reads and looks.
func (r lookingReader) ReadAt(b []byte, at int64) (int, error) {
	r.look(len(b))
	return r.from.ReadAt(b, at)
}

// Write looks, and keeps nothing.
func (w *watched) Write(b []byte) (int, error) {
	w.look(len(b))
	return len(b), nil
}

// An archive of many pictures is written and read one picture at a time.
func TestArchiveHoldsOnePicture(t *testing.T) {
	const pictures, each = 40, 1 << 20
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			d := elsewhere(t, kind)
			noise := rand.NewChaCha8([32]byte{})
			for i := range pictures {
				body := make([]byte, each)
				_, _ = noise.Read(body)
				err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
					return tx.AddAttachment(t.Context(), "main", store.Attachment{
						Coach: "a", ID: string(rune('A' + i)), Day: today.String(), Name: "x", Media: "image/jpeg", Body: body,
						MadeBy: "m",
					})
				})
				if err != nil {
					t.Fatal(err)
				}
			}
			f, err := os.CreateTemp(t.TempDir(), "")
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close() //nolint:errcheck // a test's own
			live := watch(t)
			if err := d.Archive(t.Context(), "main", io.MultiWriter(f, live)); err != nil {
				t.Fatal(err)
			}
			if live.most > pictures*each/3 {
				t.Errorf("writing %d MiB held %d MiB", pictures, live.most>>20)
			}
			size, err := f.Seek(0, io.SeekEnd)
			if err != nil {
				t.Fatal(err)
			}
			to := elsewhere(t, kind)
			live = watch(t)
			if err := to.Restore(t.Context(), "copy", live.reader(f), size, false); err != nil {
				t.Fatal(err)
			}
			if live.most > pictures*each/3 {
				t.Errorf("reading %d MiB held %d MiB", pictures, live.most>>20)
			}
			n := 0
			err = to.DB.View(t.Context(), func(tx *store.Tx) error {
				as, err := tx.Attachments(t.Context(), "copy", "a")
				n = len(as)
				return err
			})
			if n != pictures || err != nil {
				t.Errorf("%d pictures came back: %v", n, err)
			}
		})
	}
}

// A writer that fails ends the archive with its error.
func TestArchiveToAFullDisk(t *testing.T) {
	d := deskOn(t, "sqlite")
	full := errors.New("no space left")
	r, w := io.Pipe()
	_ = r.CloseWithError(full)
	if err := d.Archive(t.Context(), "main", w); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
}
