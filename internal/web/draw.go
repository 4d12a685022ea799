package web

import (
	"cmp"
	"fmt"
	"html"
	"html/template"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/unit"
	"sealmanac/internal/wording"
)

// wornness parts life used into four steps, each with a pattern and a word of its own:
// colour alone tells nothing.
func wornness(f *projection.Forecast) (class string, word wording.Text) {
	switch {
	case !f.Hold.IsZero():
		return "hold", wording.Say("on hold")
	case f.LifeUsed < 0.5:
		return "sound", wording.Say("sound")
	case f.LifeUsed < 0.8:
		return "worn", wording.Say("worn")
	case f.LifeUsed < 1:
		return "near", wording.Say("near its end")
	default:
		return "past", wording.Say("worn out")
	}
}

// patterns are drawn once a picture; their ids carry the slide's name, as several
// pictures stand on one page.
func patterns(id string) string {
	p := func(name, d string) string {
		return fmt.Sprintf(`<pattern id="%s-%s" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" class="w-%s"/><path class="w-line" d="%s"/></pattern>`, id, name, name, d)
	}
	return "<defs>" + p("sound", "") + p("worn", "M0 8L8 0") + p("near", "M0 8L8 0M0 0L8 8") + p("past", "M0 2H8M0 6H8") +
		p("hold", "M2 0V8M6 0V8M0 4H8") + "</defs>"
}

// elevation draws a slide-out as it is seen from outside, to its own proportions, with
// each run where it is, linked to its row of the table if there is one: the outer seal around the outside, the inner
// one within.
func elevation(v *slideView, u unit.System, lang *wording.Words, linked bool) template.HTML {
	s, rows := &v.Slide, v.Rows
	wide, tall := float64(s.Width), float64(s.Height)
	measured := wide > 0 && tall > 0
	if !measured {
		wide, tall = 3000, 1900
	}
	scale := min(420/wide, 230/tall)
	w, h := wide*scale, tall*scale
	const band, gap, margin = 16.0, 5.0, 46.0
	width, height := w+2*margin+60, h+2*margin
	var b strings.Builder
	id := "p-" + string(s.ID)
	fmt.Fprintf(&b, `<svg class="elevation" viewBox="0 0 %.0f %.0f" role="%s" aria-label="%s">`, width, height, map[bool]string{true: "group", false: "img"}[linked], html.EscapeString(describe(v, lang)))
	b.WriteString(patterns(id))
	x, y := margin+30, margin
	fmt.Fprintf(&b, `<rect class="room" x="%.0f" y="%.0f" width="%.0f" height="%.0f"/>`, x, y, w, h)
	fmt.Fprintf(&b, `<text class="name" x="%.0f" y="%.0f" text-anchor="middle">%s</text>`, x+w/2, y+h/2-4,
		html.EscapeString(v.Called))
	if measured {
		fmt.Fprintf(&b, `<text class="size" x="%.0f" y="%.0f" text-anchor="middle">%s x %s</text>`, x+w/2, y+h/2+14, s.Width.Format(u), s.Height.Format(u))
	}
	for i := range s.Runs {
		r := &s.Runs[i]
		worst := worstOf(rows, s.Address(*r))
		if worst == nil {
			continue
		}
		off := gap // outside the room
		if r.Position == coach.Inner {
			off = -gap - band // within it
		}
		bx, by, bw, bh := place(r.Side, x, y, w, h, off, band)
		class, word := wornness(&worst.Forecast)
		label := percent(worst.LifeUsed)
		if class == "hold" {
			label = lang.T("hold")
		}
		open, end := "<g>", "</g>"
		if linked {
			open, end = `<a href="#`+anchor(worst.Run)+`">`, "</a>"
		}
		title := lang.T("%[1]s, %[2]s: %[3]s, %[4]s of its life used, likely by %[5]s", reminder.Edge(lang, r.Key()),
			plan.PartWords[worst.Part], word, percent(worst.LifeUsed), worst.Likely)
		fmt.Fprintf(&b, `%s<title>%s</title><rect class="run" x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="url(#%s-%s)"/>`, open, html.EscapeString(title), bx, by, bw, bh, id, class)
		tx, ty, turn := bx+bw/2, by+bh/2+4, ""
		if bh > bw {
			turn = fmt.Sprintf(` transform="rotate(-90 %.1f %.1f)"`, tx, by+bh/2)
			ty = by + bh/2 + 4
		}
		fmt.Fprintf(&b, `<text class="used" x="%.1f" y="%.1f" text-anchor="middle"%s>%s</text>%s`, tx, ty, turn, label, end)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every value is escaped or a number
}

// place returns the band of a side around, or within, the room.
func place(side coach.Side, x, y, w, h, off, band float64) (bx, by, bw, bh float64) {
	in := min(off, 0) // bands within leave the corners to each other
	switch side {
	case coach.Top:
		return x - in, y - off - band, w + 2*in, band
	case coach.Bottom:
		return x - in, y + h + off, w + 2*in, band
	case coach.Fore:
		return x - off - band, y - in, band, h + 2*in
	default:
		return x + w + off, y - in, band, h + 2*in
	}
}

func worstOf(rows []partRow, run string) (worst *partRow) {
	for i := range rows {
		r := &rows[i]
		if r.Run == run && (worst == nil || r.LifeUsed > worst.LifeUsed || !r.Hold.IsZero()) {
			worst = r
		}
	}
	return worst
}

// describe says the picture in words.
func describe(v *slideView, lang *wording.Words) string {
	var out []string
	for i := range v.Runs {
		if r := worstOf(v.Rows, v.Address(v.Runs[i])); r != nil {
			_, word := wornness(&r.Forecast)
			out = append(out, lang.T("%[1]s, %[2]s: %[3]s, %[4]s of its life used", reminder.Edge(lang, v.Runs[i].Key()),
				plan.PartWords[r.Part], word, percent(r.LifeUsed)))
		}
	}
	return lang.T("%s, seen from outside", v.Called) + ": " + strings.Join(out, "; ")
}

func anchor(run string) string { return "run-" + strings.ReplaceAll(run, "/", "-") }

// timeline draws a coach's years: stays and seasons, each run's worst part with its
// early, likely and late date, what was done and what is planned.
func timeline(p *desk.CoachPage) template.HTML {
	rows := slices.Clone(p.Outcome.Forecasts)
	rows = slices.DeleteFunc(rows, func(f projection.Forecast) bool { return f.Governing == "" || !f.Hold.IsZero() })
	if len(rows) == 0 || len(p.Coach.Stays) == 0 {
		return ""
	}
	slices.SortStableFunc(rows, func(a, b projection.Forecast) int { return cmp.Compare(a.Likely, b.Likely) })
	rows = rows[:min(len(rows), 14)]
	from, until := p.Today.AddMonths(-24), p.Today.AddMonths(24)
	for _, f := range rows {
		until = max(until, min(f.Late, p.Today.AddMonths(12*12)))
	}
	t := scale{from, until, 190, 560}
	var b strings.Builder
	height := 58 + 20*len(rows)
	fmt.Fprintf(&b, `<svg class="timeline" viewBox="0 0 770 %d" role="img" aria-label="Years from %d to %d: when each part is likely to need renewal; the table below says the same">`, height, from.Year(), until.Year())
	if p.Outcome.Settled && !p.Outcome.Setting.Season.IsZero() {
		opens := p.Outcome.Setting.Season.Opens
		for open := opens.LastUntil(from); open < until; open = opens.NextFrom(open + 1) {
			close := p.Outcome.Setting.Season.Closes.NextFrom(open)
			t.box(&b, "in-season", open, close, 20, height-20, "season")
		}
	}
	step := 1
	if until.Year()-from.Year() > 9 {
		step = 2
	}
	for y := from.Year() + 1; y <= until.Year(); y += step {
		d := civil.Of(y, 1, 1)
		fmt.Fprintf(&b, `<path class="year" d="M%.1f 20V%d"/><text class="size" x="%.1f" y="14">%d</text>`, t.x(d), height, t.x(d)+2, y)
	}
	for _, x := range coach.Stands(p.Coach.Stays, max(from, p.Coach.Stays[0].From), until) {
		s := p.Coach.Stays[x.Stay]
		t.box(&b, "stay "+string(s.Shelter), x.From, x.Until, 24, 12, s.Site.Name+", "+plain(s.Shelter))
	}
	fmt.Fprintf(&b, `<text class="size" x="4" y="34">stands at</text>`)
	for i, f := range rows {
		y := 44 + 20*i
		fmt.Fprintf(&b, `<text class="size" x="4" y="%d">%s</text>`, y+11, html.EscapeString(edge(f.Run)+" "+string(f.Part)))
		t.box(&b, "span", f.Early, f.Late, y+2, 10, fmt.Sprintf("%s %s: early %s, likely %s, late %s", edge(f.Run), f.Part,
			f.Early.Long(), f.Likely.Long(), f.Late.Long()))
		fmt.Fprintf(&b, `<path class="likely" d="M%.1f %dv14"/>`, t.x(f.Likely), y)
	}
	for _, v := range p.Visits {
		fmt.Fprintf(&b, `<path class="visit" d="M%.1f %dl5 8h-10z"><title>planned visit %s</title></path>`, t.x(v.Day), height-10, v.Day.Long())
	}
	for _, s := range p.Coach.Services {
		if s.Day >= from {
			fmt.Fprintf(&b, `<circle class="done" cx="%.1f" cy="%d" r="3"><title>%s, %s</title></circle>`, t.x(s.Day), height-6, taskName(s.Kind), s.Day.Long())
		}
	}
	fmt.Fprintf(&b, `<path class="today" d="M%.1f 18V%d"/><text class="size" x="%.1f" y="%d" text-anchor="end">today</text></svg>`, t.x(p.Today), height, t.x(p.Today)-3, height-2)
	return template.HTML(b.String()) //nolint:gosec // every value is escaped or a number
}

// scale places days on a line.
type scale struct {
	from, until civil.Date
	left, wide  float64
}

func (s scale) x(d civil.Date) float64 {
	d = min(max(d, s.from), s.until)
	return s.left + s.wide*float64(s.from.DaysUntil(d))/float64(max(1, s.from.DaysUntil(s.until)))
}

func (s scale) box(b *strings.Builder, class string, from, until civil.Date, y, h int, title string) {
	if until < s.from || from > s.until {
		return
	}
	x := s.x(from)
	fmt.Fprintf(b, `<rect class="%s" x="%.1f" y="%d" width="%.1f" height="%d"><title>%s</title></rect>`, class, x, y, max(1.5, s.x(until)-x), h, html.EscapeString(title))
}
