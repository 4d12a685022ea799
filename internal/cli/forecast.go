package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/settings"
)

// reading is how commands that need no store read their files.
type reading struct {
	Mapping    string `help:"Column-mapping file for CSV and XLSX lists." type:"path"`
	ConfirmOld bool   `help:"Accept parts fitted more than 25 years ago."`
}

// read reads files; "demo" stands for the built-in scenario.
func (r reading) read(e *env, today civil.Date, names ...string) (intake.Content, cycle.Tools, error) {
	tables, rules, err := e.parts(settings.Config{})
	if err != nil {
		return intake.Content{}, cycle.Tools{}, err
	}
	var m *intake.Mapping
	if r.Mapping != "" {
		f, err := load(r.Mapping)
		if err != nil {
			return intake.Content{}, cycle.Tools{}, &fault.Error{Kind: fault.Invalid, Msg: "the mapping file cannot be read",
				Hint: "Name a YAML file with columns: as --mapping.", Err: err}
		}
		var bad intake.Problems
		if m, bad = intake.ParseMapping(f); bad.Err() != nil {
			return intake.Content{}, cycle.Tools{}, bad.Err()
		}
	}
	var files []intake.File
	for _, n := range names {
		f, err := load(n)
		if err != nil {
			return intake.Content{}, cycle.Tools{}, err
		}
		files = append(files, f)
	}
	// A day in the past dates the forecast; it does not make later fittings wrong.
	c := intake.Read(intake.Options{Today: max(today, e.on(day{})), Places: tables, ConfirmOld: r.ConfirmOld}, m, files...)
	said := []string{}
	for _, w := range c.Problems.Warnings() {
		said = append(said, fmt.Sprint(w))
	}
	notes(e.err, said)
	return c, daemon.Tools(rules, tables, "localhost"), c.Problems.Err()
}

func load(name string) (intake.File, error) {
	if name == "demo" {
		return intake.File{Name: "demo.yaml", Data: config.Demo}, nil
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return intake.File{}, &fault.Error{Kind: fault.Invalid, Msg: "the file cannot be read",
			Hint: "Name a coach file, a list, or 'demo' for the built-in scenario.", Err: err}
	}
	return intake.File{Name: filepath.Base(name), Data: b}, nil
}

type forecastCmd struct {
	reading
	File   string   `arg:"" help:"Coach file, list, or 'demo'."`
	On     day      `help:"Day to forecast from, YYYY-MM-DD (default today)." placeholder:"DATE"`
	JSON   bool     `help:"Print JSON."`
	WhatIf []string `help:"Put the same parts beside themselves under a change: topper=yes, shelter=carport, rooms=in, place=TOWN, lubricate=6/year; may be repeated." placeholder:"CHANGE" sep:"none"`
}

// Run dates a file's parts and tasks.
func (c *forecastCmd) Run(e *env) error {
	on := e.on(c.On)
	content, tools, err := c.readOn(e, on, c.File)
	if err != nil {
		return err
	}
	if len(c.WhatIf) > 0 {
		return c.compare(e, content, tools, on)
	}
	report := forecastReport{On: on, Rulebook: tools.Engine.Rules.Version, Coaches: []coachReport{}}
	for i := range content.Coaches {
		k := &content.Coaches[i]
		c := reportOf(tools.Assess(k, on), on)
		for _, s := range k.Slides {
			if r, held := k.DangerOn(s.ID, on); held {
				c.Holds = append(c.Holds, holdReport{s.ID, r.Day, r.Kind})
			}
		}
		report.Coaches = append(report.Coaches, c)
	}
	if c.JSON {
		return printJSON(e.out, report)
	}
	return printForecast(e.out, report)
}

// The JSON of forecast. Keys are part of the command's contract.
type (
	forecastReport struct {
		On       civil.Date    `json:"on"`
		Rulebook string        `json:"rulebook"`
		Coaches  []coachReport `json:"coaches"`
	}
	coachReport struct {
		Coach  coach.ID     `json:"coach"`
		Band   string       `json:"band,omitempty"`
		Season string       `json:"season,omitempty"`
		Holds  []holdReport `json:"holds,omitempty"`
		Parts  []partReport `json:"parts"`
		Tasks  []taskReport `json:"tasks"`
	}
	partReport struct {
		Run          string             `json:"run"`
		Part         coach.PartKind     `json:"part"`
		Material     coach.Material     `json:"material"`
		Construction coach.Construction `json:"construction"`
		Fitted       civil.Date         `json:"fitted"`
		LifeUsed     sig                `json:"life_used"`
		Governing    string             `json:"governing"`
		Shares       map[string]sig     `json:"shares"`
		Early        civil.Date         `json:"early"`
		Likely       civil.Date         `json:"likely"`
		Late         civil.Date         `json:"late"`
		Risk         *sig               `json:"risk_at_opening,omitempty"`
		Capped       bool               `json:"beyond_horizon,omitempty"`
		Hold         string             `json:"hold,omitempty"`
		Readings     []readingReport    `json:"readings,omitempty"`
	}
	holdReport struct {
		Slide   coach.SlideID     `json:"slide"`
		Since   civil.Date        `json:"since"`
		Reading coach.ReadingKind `json:"reading"`
	}
	readingReport struct {
		Date      civil.Date        `json:"date"`
		Kind      coach.ReadingKind `json:"kind"`
		Value     sig               `json:"value"`
		Mechanism coach.Mechanism   `json:"mechanism,omitempty"`
		Rate      sig               `json:"rate,omitempty"`
		Flag      string            `json:"flag,omitempty"`
	}
	taskReport struct {
		Kind     coach.TaskKind `json:"kind"`
		Run      string         `json:"run"`
		Earliest civil.Date     `json:"earliest"`
		Target   civil.Date     `json:"target"`
		Latest   civil.Date     `json:"latest"`
		Overdue  bool           `json:"overdue,omitempty"`
		Why      string         `json:"why"`
		MovedBy  string         `json:"moved_by"`
	}
)

// sig is a number printed with four significant digits, so that the same input
// gives the same bytes on every processor.
type sig float64

// MarshalJSON prints the rounded number.
func (s sig) MarshalJSON() ([]byte, error) {
	text := strconv.FormatFloat(float64(s), 'g', 4, 64)
	f, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil, err
	}
	return strconv.AppendFloat(nil, f, 'f', -1, 64), nil
}

func reportOf(o cycle.Outcome, on civil.Date) coachReport {
	r := coachReport{Coach: o.Coach, Parts: []partReport{}, Tasks: []taskReport{}}
	if o.Settled {
		r.Band, r.Season = string(o.Setting.Band), seasonText(o.Setting)
	}
	for i := range o.Forecasts {
		f := &o.Forecasts[i]
		p := partReport{Run: f.Run, Part: f.Part, Material: f.Material, Construction: f.Construction, Fitted: f.Fitted,
			LifeUsed:  sig(f.LifeUsed),
			Governing: governing(f), Shares: map[string]sig{}, Early: f.Early, Likely: f.Likely, Late: f.Late, Capped: f.Capped,
			Hold: f.Hold.String()}
		if !o.Setting.Season.IsZero() && f.Hold.IsZero() {
			risk := sig(f.Risk)
			p.Risk = &risk
		}
		for _, s := range f.Shares {
			p.Shares[string(s.Mechanism)] = sig(s.Value)
		}
		for _, u := range f.Readings {
			p.Readings = append(p.Readings, readingReport{u.Reading.Day, u.Reading.Kind, sig(u.Reading.Value), u.Mechanism,
				sig(u.Rate), u.Flag})
		}
		r.Parts = append(r.Parts, p)
	}
	for _, t := range o.Tasks {
		r.Tasks = append(r.Tasks, taskReport{t.Kind, t.Run, t.Earliest, t.Target, t.Latest, t.Target < on, t.Why.String(),
			t.MovedBy()})
	}
	return r
}

func governing(f *projection.Forecast) string {
	if f.Governing == "" {
		return "none"
	}
	return string(f.Governing)
}

func seasonText(s plan.Setting) string {
	if s.Season.IsZero() {
		return "none"
	}
	return s.Season.Opens.String() + " to " + s.Season.Closes.String()
}

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(raw(w))
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

func printForecast(w io.Writer, r forecastReport) error {
	fmt.Fprintf(w, "Forecast on %s, rulebook %s\n", r.On, r.Rulebook)
	for _, c := range r.Coaches {
		fmt.Fprintf(w, "\n%s", c.Coach)
		if c.Band == "" {
			fmt.Fprintln(w, ": no stay is known, so nothing can be dated; add one under stays:")
			continue
		}
		fmt.Fprintf(w, " (band %s, season %s)\n", c.Band, c.Season)
		for _, h := range c.Holds {
			fmt.Fprintf(w, "  SAFETY STOP: slide %s, %s seen on %s. Its other tasks wait until the shop clears it\n", h.Slide,
				strings.ReplaceAll(string(h.Reading), "_", " "), h.Since)
		}
		t := newTable(w)
		fmt.Fprintln(t, "  run\tpart\tmaterial\tfitted\tused\tearly\tlikely\tlate\tby")
		for _, p := range c.Parts {
			if p.Hold != "" {
				fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t\twrong size\t\t\tfit\n", p.Run, p.Part, p.Material, p.Fitted)
				continue
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Run, p.Part, p.Material, p.Fitted,
				percent(float64(p.LifeUsed)), p.Early, p.Likely, late(p), p.Governing)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		t = newTable(w)
		fmt.Fprintln(t, "  task\trun\tearliest\ttarget\tlatest\t")
		for _, k := range c.Tasks {
			state := ""
			if k.Overdue {
				state = "overdue"
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\n", strings.ReplaceAll(string(k.Kind), "_", " "), k.Run, k.Earliest,
				k.Target, k.Latest, state)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}

func late(p partReport) string {
	if p.Capped {
		return "later"
	}
	return p.Late.String()
}

func percent(f float64) string { return fmt.Sprintf("%.0f %%", 100*f) }
