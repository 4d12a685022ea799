package cli

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"sealmanac/internal/fault"
	"sealmanac/internal/survival"
)

type survivalCmd struct {
	File string `arg:"" help:"CSV with the columns time, event (1 failed, 0 still in service) and any others."`
	By   string `help:"Column to group by." placeholder:"COLUMN"`
	JSON bool   `help:"Print JSON."`
}

// The JSON of learn. Keys are part of the command's contract.
type (
	learnReport struct {
		Groups  []groupReport  `json:"groups"`
		LogRank *logRankReport `json:"log_rank"`
	}
	groupReport struct {
		Group     string           `json:"group"`
		N         int              `json:"n"`
		Events    int              `json:"events"`
		Refused   string           `json:"refused,omitempty"`
		Weibull   *weibullReport   `json:"weibull"`
		Lognormal *lognormalReport `json:"lognormal"`
		B10       *float64         `json:"b10"`
		B10CI     *[2]float64      `json:"b10_95,omitempty"`
		KM        []kmReport       `json:"kaplan_meier"`
	}
	weibullReport struct {
		Shape   float64    `json:"shape"`
		ShapeCI [2]float64 `json:"shape_95"`
		Scale   float64    `json:"scale"`
		ScaleCI [2]float64 `json:"scale_95"`
		LogLik  float64    `json:"loglik"`
	}
	lognormalReport struct {
		Mu      float64    `json:"mu"`
		MuCI    [2]float64 `json:"mu_95"`
		Sigma   float64    `json:"sigma"`
		SigmaCI [2]float64 `json:"sigma_95"`
		LogLik  float64    `json:"loglik"`
	}
	kmReport struct {
		Time     float64 `json:"time"`
		Survival float64 `json:"survival"`
		SE       float64 `json:"se"`
	}
	logRankReport struct {
		Chi2 float64 `json:"chi2"`
		P    float64 `json:"p"`
	}
)

// Run learns from lives.
func (c *survivalCmd) Run(e *env) error {
	src, err := os.ReadFile(c.File)
	if err != nil {
		return &fault.Error{Kind: fault.Invalid, Msg: "the file cannot be read",
			Hint: "Name a CSV file with the columns time and event.", Err: err}
	}
	names, groups, err := readLives(c.File, src, c.By)
	if err != nil {
		return err
	}
	r := learnReport{Groups: []groupReport{}}
	for i, g := range groups {
		r.Groups = append(r.Groups, groupOf(names[i], g))
	}
	if chi2, p, ok := survival.LogRank(groups); ok {
		r.LogRank = &logRankReport{chi2, p}
	}
	if c.JSON {
		return printJSON(e.out, r)
	}
	return printLearn(e.out, r)
}

// readLives reads the rows by group, in the order of the groups' names. All bad
// rows are reported at once.
func readLives(file string, src []byte, by string) (names []string, groups [][]survival.Life, err error) {
	rd := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(src, []byte("\ufeff"))))
	rd.FieldsPerRecord, rd.TrimLeadingSpace = -1, true
	rows, err := rd.ReadAll()
	if err != nil || len(rows) == 0 {
		return nil, nil, &fault.Error{Kind: fault.Invalid, Msg: file + " cannot be read as CSV",
			Hint: "Give commas and a heading row.", Err: err}
	}
	col := func(name string) int {
		return slices.IndexFunc(rows[0], func(h string) bool { return strings.EqualFold(strings.TrimSpace(h), name) })
	}
	ti, ei, gi := col("time"), col("event"), -1
	if by != "" {
		gi = col(by)
	}
	if ti < 0 || ei < 0 || by != "" && gi < 0 {
		return nil, nil, fault.New(fault.Invalid, fmt.Sprintf("%s needs the columns time, event%s; it has %s", file,
			map[bool]string{true: " and " + by}[by != ""], strings.Join(rows[0], ", ")), "Rename the headings.")
	}
	by2 := map[string][]survival.Life{}
	var bad []string
	for i, row := range rows[1:] {
		if len(row) <= max(ti, ei, gi) {
			bad = append(bad, fmt.Sprintf("%s:%d: has %d cells", file, i+2, len(row)))
			continue
		}
		t, err := strconv.ParseFloat(strings.TrimSpace(row[ti]), 64)
		if err != nil || !(t > 0 && t < 1e12) {
			bad = append(bad, fmt.Sprintf("%s:%d: time: %q is not a positive number", file, i+2, row[ti]))
		}
		ev := strings.TrimSpace(row[ei])
		if ev != "0" && ev != "1" {
			bad = append(bad, fmt.Sprintf("%s:%d: event: %q; allowed: 1 failed, 0 still in service", file, i+2, row[ei]))
		}
		g := ""
		if gi >= 0 {
			g = strings.TrimSpace(row[gi])
		}
		by2[g] = append(by2[g], survival.Life{Time: t, Failed: ev == "1"})
	}
	if len(bad) > 0 {
		return nil, nil, fault.New(fault.Invalid, fmt.Sprintf("%d problem(s)\n%s", len(bad), strings.Join(bad, "\n")),
			"Correct the rows named above.")
	}
	for g := range by2 {
		names = append(names, g)
	}
	slices.Sort(names)
	for _, g := range names {
		groups = append(groups, by2[g])
	}
	return names, groups, nil
}

func groupOf(name string, l []survival.Life) groupReport {
	g := groupReport{Group: name, N: len(l), Events: survival.Failures(l), KM: []kmReport{}}
	for _, s := range survival.KaplanMeier(l) {
		g.KM = append(g.KM, kmReport{s.Time, s.Survival, s.SE})
	}
	w, ok := survival.FitWeibull(l)
	n, ok2 := survival.FitLognormal(l)
	if !ok || !ok2 {
		g.Refused = fmt.Sprintf("%d failure(s) at different times are too few to fit a distribution, at least %d are needed",
			g.Events, survival.LeastFailures)
		return g
	}
	ci := func(e survival.Estimate) [2]float64 { return [2]float64{e.Low, e.High} }
	g.Weibull = &weibullReport{w.Shape.Value, ci(w.Shape), w.Scale.Value, ci(w.Scale), w.LogLik}
	g.Lognormal = &lognormalReport{n.Mu.Value, ci(n.Mu), n.Sigma.Value, ci(n.Sigma), n.LogLik}
	b := ci(w.B10)
	g.B10, g.B10CI = &w.B10.Value, &b
	return g
}

func printLearn(w io.Writer, r learnReport) error {
	for _, g := range r.Groups {
		name := g.Group
		if name == "" {
			name = "all"
		}
		fmt.Fprintf(w, "%s: %d lives, %d failed, %d still in service\n", name, g.N, g.Events, g.N-g.Events)
		if g.Refused != "" {
			fmt.Fprintf(w, "  no fit: %s\n", g.Refused)
		} else {
			t := newTable(w)
			fmt.Fprintf(t, "  Weibull\tshape %.4g (%.4g to %.4g)\tscale %.4g (%.4g to %.4g)\tlog likelihood %.3f\n",
				g.Weibull.Shape, g.Weibull.ShapeCI[0], g.Weibull.ShapeCI[1], g.Weibull.Scale, g.Weibull.ScaleCI[0],
				g.Weibull.ScaleCI[1], g.Weibull.LogLik)
			fmt.Fprintf(t, "  lognormal\tmu %.4g (%.4g to %.4g)\tsigma %.4g (%.4g to %.4g)\tlog likelihood %.3f\n",
				g.Lognormal.Mu, g.Lognormal.MuCI[0], g.Lognormal.MuCI[1], g.Lognormal.Sigma, g.Lognormal.SigmaCI[0],
				g.Lognormal.SigmaCI[1], g.Lognormal.LogLik)
			if err := t.Flush(); err != nil {
				return err
			}
			fmt.Fprintf(w, "  a tenth have failed by %.4g (%.4g to %.4g); intervals are 95 %%\n", *g.B10, g.B10CI[0], g.B10CI[1])
		}
		t := newTable(w)
		fmt.Fprintln(t, "  time\tsurvival\tse\t")
		for _, s := range g.KM {
			fmt.Fprintf(t, "  %.4g\t%.4f\t%.4f\t\n", s.Time, s.Survival, s.SE)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if r.LogRank != nil {
		fmt.Fprintf(w, "Groups compared (log-rank): chi-squared %.3f, p %.3g\n", r.LogRank.Chi2, r.LogRank.P)
	}
	return nil
}
