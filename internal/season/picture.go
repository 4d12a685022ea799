package season

import (
	"fmt"
	"html"
	"strings"
)

// Picture draws the weeks of a plan as an SVG: how full each week is, as the share of
// the scarcest skill's hours; above, if every visit came on its best day; below, as
// levelled. Its colours follow the reader's light or dark page; weeks over the line
// are hatched as well as coloured, and a description stands in for the picture where
// it is not seen.
func Picture(p Plan) string {
	const wide, bar, gap, tall, left = 14, 10, 4, 90.0, 46
	most := 1.0
	for _, b := range p.Bays {
		most = max(most, b.Full(b.Before), b.Full(b.Load))
	}
	width := left + len(p.Bays)*wide + gap
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d 272" role="img" aria-labelledby="t d" font-family="Georgia, serif" font-size="10">`+"\n", max(width, 300))
	fmt.Fprintf(&s, "<title id=\"t\">How full each week is, before and after levelling</title>\n"+
		"<desc id=\"d\">%s</desc>\n", html.EscapeString(describe(p)))
	s.WriteString("<style>.b{fill:#9a6b2f}.a{fill:#2f6f6b}.over{fill:#a3342c}" +
		".h{stroke:#fff;stroke-width:2}.c{stroke:#444;stroke-dasharray:3 2;fill:none}text{fill:#222}" +
		"@media(prefers-color-scheme:dark){.b{fill:#d6a463}.a{fill:#7cc4bd}.over{fill:#f0867c}" +
		".h{stroke:#222}.c{stroke:#bbb}text{fill:#eee}}</style>\n")
	panel := func(y float64, title, class string, full func(Bay) float64) {
		line := y + tall*(1-1/most)
		fmt.Fprintf(&s, "<text x=\"4\" y=\"%.0f\">%s</text>\n", y-6, title)
		fmt.Fprintf(&s, "<text x=\"4\" y=\"%.1f\">100 %%</text>\n<text x=\"4\" y=\"%.0f\">0</text>\n", line+4, y+tall)
		fmt.Fprintf(&s, "<path class=\"c\" d=\"M%d %.1fH%d\"/>\n", left-2, line, width-gap)
		for i, b := range p.Bays {
			f := full(b)
			if f <= 0 {
				continue
			}
			x, top := left+i*wide, y+tall*(1-f/most)
			if f <= 1+1e-9 {
				fmt.Fprintf(&s, "<rect class=\"%s\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%.1f\"/>\n", class, x, top, bar,
					tall*f/most)
				continue
			}
			fmt.Fprintf(&s, "<rect class=\"over\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%.1f\"/>\n", x, top, bar,
				tall*f/most)
			for h := top + bar; h < y+tall; h += 7 {
				fmt.Fprintf(&s, "<path class=\"h\" d=\"M%d %.1fl%d -%d\"/>\n", x, h, bar, bar)
			}
		}
	}
	panel(20, "every visit on its best day", "b", func(b Bay) float64 { return b.Full(b.Before) })
	panel(146, "levelled", "a", func(b Bay) float64 { return b.Full(b.Load) })
	for i, b := range p.Bays {
		if i%4 == 0 {
			fmt.Fprintf(&s, "<text x=\"%d\" y=\"250\">%s</text>\n", left+i*wide, b.Week.Week()[5:])
		}
	}
	fmt.Fprintf(&s, "<text x=\"4\" y=\"266\">broken line: all hours of the scarcest skill</text>\n</svg>\n")
	return s.String()
}

// describe says in words what the picture shows.
func describe(p Plan) string {
	before, after, over, still := 0.0, 0.0, 0, 0
	for _, b := range p.Bays {
		x, y := b.Full(b.Before), b.Full(b.Load)
		before, after = max(before, x), max(after, y)
		if x > 1+1e-9 {
			over++
		}
		if y > 1+1e-9 {
			still++
		}
	}
	return fmt.Sprintf("%d weeks. Before levelling the fullest week is at %.0f %% and %d weeks are over 100 %%; after "+
		"it the fullest is at %.0f %% and %d are over.", len(p.Bays), 100*before, over, 100*after, still)
}
