package intake

import (
	"fmt"
	"path/filepath"
	"strings"

	"sealmanac/internal/coach"
)

// File is one input file in memory.
type File struct {
	Name string
	Data []byte
}

// Read reads coach files (.yaml, .yml, .json), part lists and lists of bookings
// (.csv, .xlsx) and booking feeds (.ics, named after their coach). m
// maps a list's columns; nil takes the columns' names as they stand. All
// problems of all files are in the result.
func Read(opt Options, m *Mapping, files ...File) Content {
	r := &reader{opt: opt, sites: map[string]coach.Site{}, seen: map[coach.ID]string{}}
	for _, f := range files {
		r.file = f.Name
		if len(f.Data) > maxBytes {
			r.problem(nil, "", fmt.Sprintf("is larger than %d MiB", maxBytes>>20), "several smaller files")
			continue
		}
		r.readFile(f, m)
	}
	r.problems.sort()
	return Content{Shop: r.shop, Workshop: r.workshop, Coaches: r.coaches, Booked: r.booked, BookingFiles: r.sources,
		Listed: r.listed, Problems: r.problems}
}

func (r *reader) readFile(f File, m *Mapping) {
	before := len(r.coaches)
	problems := len(r.problems)
	switch strings.ToLower(filepath.Ext(f.Name)) {
	case ".yaml", ".yml", ".json":
		docs, bad := parseYAML(f.Name, f.Data)
		r.problems = append(r.problems, bad...)
		for _, d := range docs {
			r.document(d)
		}
	case ".csv", ".xlsx":
		rows, err := readRows(f)
		if err != nil {
			r.problem(nil, "", "cannot be read: "+err.Error(), "CSV with commas or semicolons, or an XLSX sheet")
			return
		}
		if rows.isBookings() {
			r.bookingRows(rows)
			return
		}
		for _, n := range r.coachesOf(rows, m) {
			r.coach(n, "")
		}
	case ".ics":
		r.feed(f, strings.TrimSuffix(filepath.Base(f.Name), filepath.Ext(f.Name)))
		return
	default:
		r.problem(nil, "", "is a kind of file that we do not read", ".yaml, .yml, .json, .csv, .xlsx or .ics")
		return
	}
	if len(r.coaches) == before && len(r.problems) == problems && r.shop == nil && r.workshop == nil {
		r.problem(nil, "", "contains no coach", "at least one coach under coaches:, or one row")
	}
}
