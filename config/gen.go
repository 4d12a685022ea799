//go:build ignore

// Command gen builds the compact climate and place tables under config/tables
// from the source CSV files. Run it from the repository's top:
//
//	go run config/gen.go FOLDER
//
// FOLDER holds climate_normals.csv, tmy3_monthly.csv, places_us_ca_mx.csv and
// us_zcta.csv; README.md, section NOTICE, names their origins and licences.
// Rows of countries whose licence is not confirmed are left out here.
package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
)

func main() {
	if len(os.Args) != 2 {
		log.Fatal("usage: go run config/gen.go FOLDER")
	}
	src := os.Args[1]
	write("normals", normals(src))
	write("tmy3", tmy3(src))
	write("places", places(src))
	write("zips", zips(src))
}

func rows(src, name string) []map[string]string {
	f, err := os.Open(filepath.Join(src, name))
	if err != nil {
		log.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		log.Fatal(err)
	}
	out := make([]map[string]string, 0, len(all)-1)
	for _, r := range all[1:] {
		m := map[string]string{}
		for i, k := range all[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}

// byMonth groups twelve rows of one station and keeps the named columns, one
// group of twelve after the other. Groups without twelve values of the first
// two columns are dropped.
func byMonth(in []map[string]string, key func(map[string]string) string, head []string, cols []string) [][]string {
	type group struct {
		first  map[string]string
		months [12]map[string]string
	}
	groups := map[string]*group{}
	for _, r := range in {
		k := key(r)
		g := groups[k]
		if g == nil {
			g = &group{first: r}
			groups[k] = g
		}
		m, err := strconv.Atoi(r["month"])
		if err != nil || m < 1 || m > 12 {
			log.Fatalf("bad month in %v", r)
		}
		g.months[m-1] = r
	}
	var out [][]string
	for _, g := range groups {
		var line []string
		for _, h := range head {
			line = append(line, g.first[h])
		}
		ok := true
		for i, c := range cols {
			for _, m := range g.months {
				if m == nil || (i < 2 && m[c] == "") {
					ok = false
					break
				}
				line = append(line, m[c])
			}
		}
		if ok {
			out = append(out, line)
		}
	}
	return out
}

func normals(src string) [][]string {
	var in []map[string]string
	for _, r := range rows(src, "climate_normals.csv") {
		if r["country"] == "US" || r["country"] == "CA" {
			in = append(in, r)
		}
	}
	return byMonth(in, func(r map[string]string) string { return r["country"] + r["station_id"] + r["station"] },
		[]string{"station_id", "station", "country", "region", "lat", "lon", "elev_m"},
		[]string{"tmax_c", "tmin_c", "sun_hours"})
}

func tmy3(src string) [][]string {
	return byMonth(rows(src, "tmy3_monthly.csv"), func(r map[string]string) string { return r["usaf"] },
		[]string{"usaf", "station", "region", "lat", "lon", "elev_m"},
		[]string{"tmax_c", "tmin_c", "ghi"})
}

var provinces = map[string]string{
	"Alberta": "AB", "British Columbia": "BC", "Manitoba": "MB", "New Brunswick": "NB",
	"Newfoundland and Labrador": "NL", "Northwest Territories": "NT", "Nova Scotia": "NS", "Nunavut": "NU",
	"Ontario": "ON", "Prince Edward Island": "PE", "Quebec": "QC", "Saskatchewan": "SK", "Yukon": "YT",
}

func places(src string) [][]string {
	var out [][]string
	for _, r := range rows(src, "places_us_ca_mx.csv") {
		short := r["us_state"]
		if r["country"] == "CA" {
			short = provinces[r["admin1"]]
		}
		name := r["name"]
		if name == r["ascii"] {
			name = ""
		}
		out = append(out, []string{r["ascii"], name, r["country"], short, r["admin1"], r["lat"], r["lon"], r["dem_m"],
			r["tz"], r["population"]})
	}
	return out
}

func zips(src string) [][]string {
	var out [][]string
	for _, r := range rows(src, "us_zcta.csv") {
		out = append(out, []string{r["zip"], r["lat"], r["lon"]})
	}
	return out
}

func write(name string, lines [][]string) {
	sort.Slice(lines, func(i, j int) bool { return strings.Join(lines[i], ",") < strings.Join(lines[j], ",") })
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	if err := w.WriteAll(lines); err != nil {
		log.Fatal(err)
	}
	var packed bytes.Buffer
	z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if _, err := z.Write(text.Bytes()); err != nil {
		log.Fatal(err)
	}
	if err := z.Close(); err != nil {
		log.Fatal(err)
	}
	path := filepath.Join("config", "tables", name+".csv.gz")
	if err := os.WriteFile(path, packed.Bytes(), 0o644); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s: %d rows, %d bytes\n", path, len(lines), packed.Len())
}
