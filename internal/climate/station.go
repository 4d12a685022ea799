package climate

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
)

// MeanDay is, for each month, the day of the year whose sun stands for the month
// (Klein 1977).
var MeanDay = [12]int{17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344}

// Month is a typical month.
type Month struct {
	Tmax, Tmin float64 // mean daily extremes, °C
	Global     float64 // mean global horizontal radiation, MJ/m²d
}

// Station is a row of the climate tables.
type Station struct {
	ID, Name, Region string
	Lat, Lon, Elev   float64 // degrees, degrees, metres
	Tmax, Tmin       [12]float64
	Sun              [12]float64 // bright sunshine, hours a month; all 0 if not known
	Global           [12]float64 // kWh/m²d; all 0 if not known
}

// Tables are the offline climate and place tables.
type Tables struct {
	normals []Station // 30-year temperature normals
	typical []Station // TMY3: typical months with radiation
	places  []Place
	byName  map[string][]int32
	byOther map[string][]int32  // by what people call them beside that
	regions map[string][]region // by each of their names, squeezed
	zips    map[string][2]float64
}

// Source is the packed text of the tables, as package config embeds them.
type Source struct {
	Normals, Typical, Places, Zips []byte // gzip of CSV, columns as config/gen.go writes them
}

// Load unpacks and checks the tables. An error names the table and the row.
func Load(src Source) (*Tables, error) {
	t := &Tables{zips: map[string][2]float64{}}
	err := eachRow("normals", src.Normals, 43, func(r []string, n *numbers) {
		s := Station{ID: r[0], Name: r[1], Region: r[3], Lat: n.at(4), Lon: n.at(5), Elev: n.at(6)}
		s.Tmax, s.Tmin = n.year(7), n.year(19)
		if !slices.Contains(r[31:43], "") {
			s.Sun = n.year(31)
		}
		t.normals = append(t.normals, s)
	})
	if err != nil {
		return nil, err
	}
	err = eachRow("tmy3", src.Typical, 42, func(r []string, n *numbers) {
		s := Station{ID: r[0], Name: r[1], Region: r[2], Lat: n.at(3), Lon: n.at(4), Elev: n.at(5)}
		s.Tmax, s.Tmin, s.Global = n.year(6), n.year(18), n.year(30)
		t.typical = append(t.typical, s)
	})
	if err != nil {
		return nil, err
	}
	err = eachRow("zips", src.Zips, 3, func(r []string, n *numbers) {
		t.zips[r[0]] = [2]float64{n.at(1), n.at(2)}
	})
	if err != nil {
		return nil, err
	}
	return t, t.loadPlaces(src.Places)
}

// numbers reads the numeric cells of a row and keeps the first error.
type numbers struct {
	row []string
	err error
}

func (n *numbers) at(i int) float64 {
	f, err := strconv.ParseFloat(n.row[i], 64)
	if err != nil && n.err == nil {
		n.err = fmt.Errorf("column %d: %w", i+1, err)
	}
	return f
}

func (n *numbers) year(first int) (out [12]float64) {
	for m := range out {
		out[m] = n.at(first + m)
	}
	return out
}

func eachRow(name string, packed []byte, columns int, row func([]string, *numbers)) error {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return fmt.Errorf("climate table %s: %w", name, err)
	}
	r := csv.NewReader(z)
	r.FieldsPerRecord, r.ReuseRecord = columns, true
	for line := 1; ; line++ {
		rec, err := r.Read()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("climate table %s: %w", name, err)
		}
		n := numbers{row: rec}
		if row(rec, &n); n.err != nil {
			return fmt.Errorf("climate table %s, line %d: %w", name, line, n.err)
		}
	}
}

// Distance returns the great-circle distance in km between two points in
// degrees, on a sphere of 6371 km (haversine).
func Distance(lat1, lon1, lat2, lon2 float64) float64 {
	const rad = math.Pi / 180
	a := math.Sin((lat2 - lat1) * rad / 2)
	b := math.Sin((lon2 - lon1) * rad / 2)
	h := a*a + math.Cos(lat1*rad)*math.Cos(lat2*rad)*b*b
	return 2 * 6371 * math.Asin(min(1, math.Sqrt(h)))
}
