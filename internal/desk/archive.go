package desk

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// manifest says what an archive holds. It carries no day: the same account gives the
// same bytes.
type manifest struct {
	Format string            `json:"format"`
	Files  map[string]string `json:"files"` // name to SHA-256
}

const archiveFormat = "sealmanac-archive-1"

// zipped is the time of every file of an archive: the least that the format knows.
var zipped = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// Archive writes an account as a ZIP: a file of JSON lines for each table, pictures and
// papers as files of their own, and a manifest with checksums. Each row is written as it
// is read. Links that answer for somebody are cut: whoever holds the file could use them.
func (d *Desk) Archive(ctx context.Context, id coach.AccountID, to io.Writer) error {
	a := archiver{zip.NewWriter(to), manifest{archiveFormat, map[string]string{}}}
	err := d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		for _, table := range store.ArchivedTables() {
			if err := a.table(ctx, tx, id, table); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(a.manifest, "", "  ")
	if err != nil {
		return err
	}
	if err := a.put("manifest.json", bytes.NewReader(append(b, '\n')).WriteTo); err != nil {
		return err
	}
	return a.zip.Close()
}

type archiver struct {
	zip      *zip.Writer
	manifest manifest
}

// put adds a file and notes its checksum.
func (a *archiver) put(name string, write func(io.Writer) (int64, error)) error {
	w, err := a.zip.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: zipped})
	if err != nil {
		return err
	}
	sum := sha256.New()
	if _, err := write(io.MultiWriter(w, sum)); err != nil {
		return err
	}
	a.manifest.Files[name] = hex.EncodeToString(sum.Sum(nil))
	return nil
}

// table adds a table. The lines of attachments are short and wait until the files that
// they name are written: a ZIP is written one file after the other.
func (a *archiver) table(ctx context.Context, tx *store.Tx, id coach.AccountID, table string) error {
	write := func(w io.Writer) (int64, error) {
		return 0, tx.Dump(ctx, id, table, func(row map[string]any) error {
			for c, v := range row {
				if text, ok := v.(string); ok {
					row[c] = cutLinks(text)
				}
			}
			for _, c := range slices.Sorted(maps.Keys(row)) {
				data, ok := row[c].([]byte)
				if !ok {
					continue
				}
				name := fmt.Sprintf("files/%v-%v.%s", row["coach_id"], row["attachment_id"], c)
				if err := a.put(name, bytes.NewReader(data).WriteTo); err != nil {
					return err
				}
				row[c] = name
			}
			line, err := json.Marshal(row) // keys in order
			if err != nil {
				return err
			}
			_, err = w.Write(append(line, '\n'))
			return err
		})
	}
	if table != "attachment" {
		return a.put(table+".jsonl", write)
	}
	var lines bytes.Buffer
	if _, err := write(&lines); err != nil {
		return err
	}
	return a.put(table+".jsonl", lines.WriteTo)
}

// Bounds of what an archive may unpack to: one file of it, one line or picture, and all
// of it together. Lines of text shrink to a sixtieth at the best, pictures hardly: what
// would grow far more than that was made to fill a memory or a disk.
const (
	mostUnpacked = 1 << 30
	mostPiece    = 64 << 20
	mostRestored = 32 << 30
	leastGrowth  = 64 << 20
	mostGrowth   = 250
)

func badArchive(what string) error {
	const hint = "Take an archive that 'sealmanac archive' wrote, and copy it again."
	return fault.New(fault.Invalid, "the archive is incomplete or damaged: "+what, hint)
}

// opened is an archive whose files fit its manifest.
type opened struct {
	files map[string]*zip.File
}

// openArchive looks at a whole archive, holding little of it in memory: what is in it, how
// much that is, and the checksum of each file.
func openArchive(from io.ReaderAt, size int64) (o opened, err error) {
	z, err := zip.NewReader(from, size)
	if err != nil {
		return o, badArchive(err.Error())
	}
	o.files = make(map[string]*zip.File, len(z.File))
	most := uint64(min(mostRestored, leastGrowth+mostGrowth*size))
	var all uint64
	for _, f := range z.File {
		if f.UncompressedSize64 > mostUnpacked {
			return o, badArchive(f.Name + " is too large")
		}
		if all += f.UncompressedSize64; all > most {
			what := "it would unpack to more than %d MiB, and no archive of %d KiB does"
			return o, badArchive(fmt.Sprintf(what, most>>20, size>>10))
		}
		if o.files[f.Name] != nil {
			return o, badArchive(f.Name + " stands in it twice")
		}
		o.files[f.Name] = f
	}
	b, err := o.read("manifest.json")
	if err != nil {
		return o, err
	}
	var m manifest
	if err := json.Unmarshal(b, &m); err != nil || m.Format != archiveFormat {
		return o, badArchive("its manifest cannot be read")
	}
	delete(o.files, "manifest.json")
	for _, name := range slices.Sorted(maps.Keys(m.Files)) {
		if err := o.check(name, m.Files[name]); err != nil {
			return o, err
		}
	}
	if len(m.Files) != len(o.files) {
		return o, badArchive("it has files that its manifest does not name")
	}
	return o, nil
}

// check holds a file against its checksum.
func (o opened) check(name, want string) error {
	r, err := o.open(name)
	if err != nil {
		return err
	}
	defer r.Close() //nolint:errcheck // was only read
	sum := sha256.New()
	if _, err := io.Copy(sum, r); err != nil {
		return badArchive(name + ": " + err.Error())
	}
	if hex.EncodeToString(sum.Sum(nil)) != want {
		return badArchive(name + " is not what the manifest says")
	}
	return nil
}

// open opens a file. The reader ends with an error when the file is larger than it says.
func (o opened) open(name string) (io.ReadCloser, error) {
	f := o.files[name]
	if f == nil {
		return nil, badArchive(name + " is missing")
	}
	r, err := f.Open()
	if err != nil {
		return nil, badArchive(name + ": " + err.Error())
	}
	return r, nil
}

// read returns a file that must be small.
func (o opened) read(name string) ([]byte, error) {
	r, err := o.open(name)
	if err != nil {
		return nil, err
	}
	defer r.Close() //nolint:errcheck // was only read
	if o.files[name].UncompressedSize64 > mostPiece {
		return nil, badArchive(name + " is too large")
	}
	b, err := io.ReadAll(r)
	if err != nil {
		return nil, badArchive(name + ": " + err.Error())
	}
	return b, nil
}

// Restore reads an archive into an account that does not exist yet, whole or not at
// all. Every file is held against its checksum first. Quiet keeps its reminders back until
// Wake. What still waits to be sent gets links of this store.
func (d *Desk) Restore(ctx context.Context, id coach.AccountID, from io.ReaderAt, size int64, quiet bool) error {
	o, err := openArchive(from, size)
	if err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if free, err := tx.Empty(ctx, id); err != nil || !free {
			if err == nil {
				err = fault.New(fault.Conflict, fmt.Sprintf("there is an account %q already", id), "Name a new one with --account.")
			}
			return err
		}
		for _, table := range store.ArchivedTables() {
			if o.files[table+".jsonl"] == nil {
				continue // written before there was such a table
			}
			if err := d.fill(ctx, tx, id, table, o); err != nil {
				return err
			}
		}
		if _, err := tx.Account(ctx, id, false); fault.KindOf(err) == fault.NotFound {
			return badArchive("it holds no account")
		} else if err != nil {
			return err
		}
		return tx.SetQuiet(ctx, id, quiet)
	})
}

func (d *Desk) fill(ctx context.Context, tx *store.Tx, id coach.AccountID, table string, o opened) error {
	r, err := o.open(table + ".jsonl")
	if err != nil {
		return err
	}
	defer r.Close() //nolint:errcheck // was only read
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, mostPiece)
	for lines.Scan() {
		row := map[string]any{}
		dec := json.NewDecoder(bytes.NewReader(lines.Bytes()))
		dec.UseNumber()
		if err := dec.Decode(&row); err != nil {
			return badArchive(table + ".jsonl has a line that is no JSON")
		}
		for c, v := range row {
			text, ok := v.(string)
			switch {
			case !ok:
			case table == "attachment" && (c == "body" || c == "thumb") && strings.HasPrefix(text, "files/"):
				if row[c], err = o.read(text); err != nil {
					return err
				}
			default:
				row[c] = cutLinks(text)
			}
		}
		if table == "notice" {
			if err := d.relink(ctx, tx, id, row); err != nil {
				return err
			}
		}
		if err := tx.Fill(ctx, id, table, row); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		return badArchive(table + ".jsonl: " + err.Error())
	}
	return nil
}
