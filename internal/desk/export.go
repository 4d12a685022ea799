package desk

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"strings"

	"github.com/xuri/excelize/v2"

	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
	"sealmanac/internal/unit"
)

// Exports are the lists that go out as CSV or XLSX.
var Exports = []string{"coaches", "parts", "tasks", "order", "calls"}

// Export returns one of the lists of an account as rows, headings first.
func (d *Desk) Export(ctx context.Context, id coach.AccountID, list string) (rows [][]string, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		switch list {
		case "coaches":
			rows, err = exportCoaches(ctx, tx, id)
		case "parts":
			rows, err = d.exportParts(ctx, tx, id)
		case "tasks":
			rows, err = exportTasks(ctx, tx, id)
		case "order":
			rows, err = exportOrder(ctx, tx, id)
		case "calls":
			var rs []store.Request
			rs, err = waiting(ctx, tx, id, d.today(a))
			rows = [][]string{{"what", "coach", "label", "person", "name", "phone", "language", "reason", "task", "where", "by",
				"day", "last_message"}}
			for _, r := range rs {
				f := append(strings.Split(r.TaskKey, "|"), "", "")
				rows = append(rows, []string{r.Kind, r.Coach, r.Label, r.Person, r.Name, r.Phone, r.Speaks, r.Reason,
					coach.Named(f[0]), coach.EdgeName(f[1]), r.Target, r.Day, r.Last})
			}
		default:
			err = fault.New(fault.NotFound, fmt.Sprintf("there is no list %q", list), "Lists: "+strings.Join(Exports, ", ")+".")
		}
		return err
	})
	return rows, err
}

func exportCoaches(ctx context.Context, tx *store.Tx, id coach.AccountID) ([][]string, error) {
	out := [][]string{{"coach", "label", "class", "use", "place", "state", "risk", "worst", "opens", "next_task",
		"next_day", "visit"}}
	bs, _, err := tx.Board(ctx, id, store.BoardFilter{Sort: "name"}, 0, 1_000_000)
	for _, b := range bs {
		next := b.NextDay
		if next == NoDay {
			next = ""
		}
		out = append(out, []string{b.Coach, b.Label, b.Class, b.Use, b.Place, b.State, fmt.Sprintf("%.3f", b.Risk), b.Worst,
			b.Opens, coach.Named(b.NextKind), next, b.Visit})
	}
	return out, err
}

// exportParts gives the list that an import reads back. A list cannot tell where a place
// of the shop's own is: such a stay is left out, and stays as it is on record.
func (d *Desk) exportParts(ctx context.Context, tx *store.Tx, id coach.AccountID) ([][]string, error) {
	out := [][]string{{"coach", "label", "class", "vin", "use", "external_id", "owner", "email", "phone", "zone", "units",
		"language", "role", "place", "since", "shelter", "slides", "cycles", "slide", "slide_label", "wall", "width",
		"height", "travel", "edge", "construction", "carrier", "free_height", "part", "material", "fitted", "lot", "profile"}}
	cs, err := tx.Coaches(ctx, id)
	for i := range cs {
		c := &cs[i]
		var p coach.Person
		if len(c.People) > 0 {
			p = c.People[0]
		}
		var st coach.Stay
		if n := len(c.Stays); n > 0 {
			st = c.Stays[n-1]
			if p, err := d.Places.Lookup(st.Site.Name); err != nil || p.Lat != st.Site.Lat || p.Lon != st.Site.Lon ||
				len(st.Site.Tmax) > 0 {
				st = coach.Stay{}
			}
		}
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				for _, x := range r.Parts {
					row := []string{string(c.ID), c.Label, string(c.Class), c.VIN, string(c.Use), c.External, p.Name, p.Email, p.Phone,
						p.Zone, string(p.Units), p.Language, string(p.Role), st.Site.Name, st.From.String(), string(st.Shelter),
						string(st.Rooms), rate(st.Cycles)}
					row = append(row, string(s.ID), s.Label, string(s.Wall), length(s.Width), length(s.Height), length(s.Travel),
						coach.EdgeName(r.Key()), string(r.Construction), coach.Named(r.Carrier), length(r.FreeHeight),
						string(x.Kind), string(x.Material), x.Fitted.String(), x.Lot, x.Profile)
					out = append(out, row)
				}
			}
		}
	}
	return out, err
}

func length(l unit.Length) string {
	if l == 0 {
		return ""
	}
	return intake.LengthText(l)
}

func rate(r unit.PerDay) string {
	if r == 0 {
		return ""
	}
	return intake.RateText(r)
}

func exportTasks(ctx context.Context, tx *store.Tx, id coach.AccountID) ([][]string, error) {
	out := [][]string{{"coach", "task", "where", "earliest", "target", "latest", "why", "key"}}
	ts, err := tx.TasksAfter(ctx, id, "", "", "", "9999", 1_000_000)
	for _, t := range ts {
		out = append(out, []string{t.Coach, coach.Named(t.Kind), coach.EdgeName(t.Run), t.Earliest, t.Target, t.Latest,
			t.Why, t.Key})
	}
	return out, err
}

func exportOrder(ctx context.Context, tx *store.Tx, id coach.AccountID) ([][]string, error) {
	out := [][]string{{"profile", "month", "expected_mm", "enough_in_9_of_10_mm", "on_shelf_mm", "to_order_mm", "order_by",
		"late"}}
	k, _, err := cycle.Kept(ctx, tx, id)
	for _, n := range k.Parts {
		out = append(out, []string{n.Profile, n.Month.String(), fmt.Sprintf("%.0f", float64(n.Expected)),
			fmt.Sprintf("%.0f", float64(n.High)), fmt.Sprintf("%.0f", float64(n.Shelf)), fmt.Sprintf("%.0f", float64(n.Order)),
			n.OrderBy.String(), fmt.Sprint(n.TooLate)})
	}
	return out, err
}

// Harmless keeps a cell from being taken for a formula by a spreadsheet: what begins
// with = + - @, a tab or a line break gets an apostrophe in front (the advice of the
// OWASP page on CSV injection). Numbers stay numbers.
func Harmless(cell string) string {
	if cell == "" || !strings.ContainsRune("=+-@\t\r\n", rune(cell[0])) {
		return cell
	}
	return "'" + cell
}

// CSV writes rows as CSV (RFC 4180).
func CSV(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	for _, r := range rows {
		safe := make([]string, len(r))
		for i, c := range r {
			safe[i] = Harmless(c)
		}
		if err := w.Write(safe); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

// XLSX writes rows as a sheet of texts: no cell can be a formula.
func XLSX(name string, rows [][]string) ([]byte, error) {
	f := excelize.NewFile()
	defer f.Close() //nolint:errcheck // in memory
	if err := f.SetSheetName("Sheet1", name); err != nil {
		return nil, err
	}
	w, err := f.NewStreamWriter(name)
	if err != nil {
		return nil, err
	}
	for i, r := range rows {
		cells := make([]any, len(r))
		for j, c := range r {
			cells[j] = Harmless(c)
		}
		at, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			return nil, err
		}
		if err := w.SetRow(at, cells); err != nil {
			return nil, err
		}
	}
	if err := w.Flush(); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = f.Write(&b)
	return b.Bytes(), err
}
