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
// papers as files of their own, and a manifest with checksums.
func (d *Desk) Archive(ctx context.Context, id coach.AccountID, to io.Writer) error {
	z := zip.NewWriter(to)
	m := manifest{archiveFormat, map[string]string{}}
	put := func(name string, data []byte) error {
		sum := sha256.Sum256(data)
		m.Files[name] = hex.EncodeToString(sum[:])
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: zipped})
		if err == nil {
			_, err = w.Write(data)
		}
		return err
	}
	err := d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		for _, table := range store.ArchivedTables() {
			var b bytes.Buffer
			files := map[string][]byte{}
			err := tx.Dump(ctx, id, table, func(row map[string]any) error {
				for c, v := range row {
					if data, ok := v.([]byte); ok {
						name := fmt.Sprintf("files/%v-%v.%s", row["coach_id"], row["attachment_id"], c)
						files[name], row[c] = data, name
					}
				}
				line, err := json.Marshal(row) // keys in order
				b.Write(append(line, '\n'))
				return err
			})
			if err != nil {
				return err
			}
			for _, name := range sortedKeys(files) {
				if err := put(name, files[name]); err != nil {
					return err
				}
			}
			if err := put(table+".jsonl", b.Bytes()); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	if err := put("manifest.json", append(b, '\n')); err != nil {
		return err
	}
	return z.Close()
}

func sortedKeys(m map[string][]byte) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// mostUnpacked bounds what one file of an archive may unpack to: 1 GiB.
const mostUnpacked = 1 << 30

// Restore reads an archive into an account that does not exist yet, whole or not at
// all. Every file is held against its checksum first. Quiet keeps its reminders back until
// Wake.
func (d *Desk) Restore(ctx context.Context, id coach.AccountID, from io.ReaderAt, size int64, quiet bool) error {
	bad := func(what string) error {
		return fault.New(fault.Invalid, "this is no whole archive: "+what, "Take an archive that 'sealmanac archive' wrote, and copy it again.")
	}
	z, err := zip.NewReader(from, size)
	if err != nil {
		return bad(err.Error())
	}
	files := map[string][]byte{}
	for _, f := range z.File {
		if f.UncompressedSize64 > mostUnpacked {
			return bad(f.Name + " is too large")
		}
		r, err := f.Open()
		if err != nil {
			return bad(err.Error())
		}
		data, err := io.ReadAll(io.LimitReader(r, mostUnpacked))
		_ = r.Close() // was only read
		if err != nil {
			return bad(f.Name + ": " + err.Error())
		}
		files[f.Name] = data
	}
	var m manifest
	if err := json.Unmarshal(files["manifest.json"], &m); err != nil || m.Format != archiveFormat {
		return bad("its manifest cannot be read")
	}
	for name, want := range m.Files {
		sum := sha256.Sum256(files[name])
		if hex.EncodeToString(sum[:]) != want {
			return bad(name + " is not what the manifest says")
		}
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if free, err := tx.Empty(ctx, id); err != nil || !free {
			if err == nil {
				err = fault.New(fault.Conflict, fmt.Sprintf("there is an account %q already", id), "Name a new one with --account.")
			}
			return err
		}
		for _, table := range store.ArchivedTables() {
			if err := fill(ctx, tx, id, table, files); err != nil {
				return err
			}
		}
		return tx.SetQuiet(ctx, id, quiet)
	})
}

func fill(ctx context.Context, tx *store.Tx, id coach.AccountID, table string, files map[string][]byte) error {
	lines := bufio.NewScanner(bytes.NewReader(files[table+".jsonl"]))
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		row := map[string]any{}
		dec := json.NewDecoder(bytes.NewReader(lines.Bytes()))
		dec.UseNumber()
		if err := dec.Decode(&row); err != nil {
			return fault.New(fault.Invalid, table+".jsonl has a line that is no JSON", "Copy the archive again.")
		}
		for c, v := range row {
			if name, ok := v.(string); ok && table == "attachment" && (c == "body" || c == "thumb") && strings.HasPrefix(name, "files/") {
				row[c] = files[name]
				if files[name] == nil {
					row[c] = []byte{}
				}
			}
		}
		if err := tx.Fill(ctx, id, table, row); err != nil {
			return err
		}
	}
	return lines.Err()
}
