package web

import (
	"net/http"
	"strings"

	"sealmanac/internal/access"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
)

// export is a list as CSV or XLSX.
func (s *Site) export(r *http.Request, w access.Who) (view, error) {
	list, kind, _ := strings.Cut(r.PathValue("list"), ".")
	rows, err := s.Desk.Export(r.Context(), w.Account, list)
	if err != nil {
		return view{}, err
	}
	f := &sent{media: "text/csv; charset=utf-8", name: list + ".csv", save: true}
	switch kind {
	case "csv":
		f.body, err = desk.CSV(rows)
	case "xlsx":
		f.media, f.name = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", list+".xlsx"
		f.body, err = desk.XLSX(list, rows)
	default:
		err = fault.New(fault.NotFound, "lists are available as .csv and .xlsx", "Choose one of these.")
	}
	return view{file: f}, err
}
