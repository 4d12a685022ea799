package cli

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"sealmanac/internal/climate"
	"sealmanac/internal/fault"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

type climateCmd struct {
	Place  []string `arg:"" help:"A town with state, province or country, or a US ZIP."`
	OnFace string   `default:"roof" enum:"N,E,S,W,roof" help:"The face whose sun, UV and temperature are shown: N, E, S, W or roof."`
	Ea     float64  `default:"80" help:"Activation energy of the effective temperature, kJ/mol."`
	JSON   bool     `help:"Print JSON."`
}

// The JSON of climate. Keys are part of the command's contract.
type (
	climateReport struct {
		Place   string         `json:"place"`
		Lat     float64        `json:"lat"`
		Lon     float64        `json:"lon"`
		Elev    float64        `json:"elev_m"`
		Zone    string         `json:"zone"`
		Station stationReport  `json:"station"`
		Face    string         `json:"face"`
		EaKJ    sig            `json:"ea_kj_mol"`
		Months  []climateMonth `json:"months"`
		Year    struct {
			GHI sig `json:"ghi_mj"`
			UV  sig `json:"uv_mj"`
		} `json:"year"`
		FrostFree string `json:"frost_free,omitempty"`
		Method    string `json:"method"`
		SunError  sig    `json:"sun_error"`
	}
	stationReport struct {
		Name string  `json:"name"`
		Km   float64 `json:"km"`
		Dz   float64 `json:"dz_m"`
	}
	climateMonth struct {
		Tmax sig `json:"tmax_c"`
		Tmin sig `json:"tmin_c"`
		GHI  sig `json:"ghi_mj"`
		Face sig `json:"face_mj"`
		UV   sig `json:"uv_mj"`
		Teff sig `json:"teff_c"`
	}
)

// dark is the absorptance of a dark seal (handbook value of sol-air tables).
const dark = 0.9

// Run prints the typical months of a place.
func (c *climateCmd) Run(e *env) error {
	tab, err := e.tables()
	if err != nil {
		return err
	}
	if !(c.Ea >= 1 && c.Ea <= 200) {
		return fault.New(fault.Invalid, fmt.Sprintf("an activation energy of %g kJ/mol is out of range", c.Ea),
			"Give --ea from 1 to 200.")
	}
	query := strings.Join(c.Place, " ")
	p, err := tab.Lookup(query)
	if err != nil {
		hint := ""
		if pe, ok := errors.AsType[*climate.PlaceError](err); ok {
			hint = "Write " + pe.Allowed() + "."
		}
		return &fault.Error{Kind: fault.NotFound, Hint: hint, Err: err}
	}
	r := c.report(p, tab.At(p.Lat, p.Lon, p.Elev))
	if c.JSON {
		return printJSON(e.out, r)
	}
	return c.print(e, r)
}

func (c *climateCmd) report(p climate.Place, n climate.Normals) climateReport {
	face, skyView := climate.Roof, 1.0
	if c.OnFace != "roof" {
		face, skyView = climate.Wall(map[string]float64{"N": 0, "E": 90, "S": 180, "W": 270}[c.OnFace]), 0
	}
	r := climateReport{Place: p.Label(), Lat: round(p.Lat, 1e4), Lon: round(p.Lon, 1e4), Elev: round(p.Elev, 1),
		Zone: p.Zone, Face: c.OnFace, EaKJ: sig(c.Ea), Method: n.Method, SunError: sig(n.SunError),
		Station: stationReport{n.Station, round(n.Km, 10), round(n.Dz, 1)}}
	var ghi, uvYear float64
	for m, v := range n.Months {
		sun := climate.Sun(n.Lat, climate.MeanDay[m])
		onFace, uv := sun.DayTotals(face, v.Global, climate.Circumsolar)
		rate := 0.0
		for _, s := range climate.TypicalDay(sun, face, v) {
			rate += wear.Rate(c.Ea, unit.Celsius(climate.SurfaceTemperature(s.Air, s.Sun, dark, skyView))) / climate.Steps
		}
		r.Months = append(r.Months, climateMonth{sig(v.Tmax), sig(v.Tmin), sig(v.Global), sig(onFace), sig(uv),
			sig(wear.EffectiveTemperature(c.Ea, rate))})
		ghi, uvYear = ghi+v.Global*365.2425/12, uvYear+uv*365.2425/12
	}
	r.Year.GHI, r.Year.UV = sig(ghi), sig(uvYear)
	if s, ok := n.FrostFree(); ok {
		r.FrostFree = s.Opens.String() + " to " + s.Closes.String()
	}
	return r
}

func (c *climateCmd) print(e *env, r climateReport) error {
	fmt.Fprintf(e.out, "%s: %.2f, %.2f, %.0f m, %s\n", r.Place, r.Lat, r.Lon, r.Elev, r.Zone)
	fmt.Fprintf(e.out, "Temperature station %s, %.0f km away, %+.0f m in height. Method: %s.\n", r.Station.Name,
		r.Station.Km, r.Station.Dz, r.Method)
	fmt.Fprintf(e.out, "Face: %s; effective temperature of a dark dry surface in full view, activation energy %g "+
		"kJ/mol.\n\n", r.Face, c.Ea)
	t := newTable(e.out)
	fmt.Fprintln(t, "month\tTmax °C\tTmin °C\tglobal MJ/m²d\tface MJ/m²d\tUV MJ/m²d\teffective °C\t")
	for m, v := range r.Months {
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%.1f\t%.1f\t%.2f\t%.1f\t\n", time.Month(m + 1).String()[:3], float64(v.Tmax),
			float64(v.Tmin), float64(v.GHI), float64(v.Face), float64(v.UV), float64(v.Teff))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	frost := "no split into freezing and frost-free months"
	if r.FrostFree != "" {
		frost = "frost to be reckoned with outside " + r.FrostFree +
			" (mean daily minimum below 2 °C, about three nights in ten)"
	}
	_, err := fmt.Fprintf(e.out, "\nYear: %.0f MJ/m² global, %.0f MJ/m² of UV (295-385 nm) on the face; %s.\n",
		float64(r.Year.GHI), float64(r.Year.UV), frost)
	return err
}

// round keeps 1/scale of a value, without a negative zero.
func round(v, scale float64) float64 { return math.Round(v*scale)/scale + 0 }
