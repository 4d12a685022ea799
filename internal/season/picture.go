package season

import (
	"fmt"
	"html"
	"strings"
)

// Picture draws the weeks of a plan as an SVG: above, the hours if every visit came
// on its best day; below, as levelled; the line is what the bays have. Its colours
// follow the reader's light or dark page, and a description stands in for it where
// it is not seen.
func Picture(p Plan) string {
	const wide, bar, gap, tall, left = 14, 10, 4, 90.0, 46
	most := 1.0
	for _, b := range p.Bays {
		most = max(most, b.Before, b.Load.Sum(), b.Capacity.Sum())
	}
	width := left + len(p.Bays)*wide + gap
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d 272" role="img" aria-labelledby="t d" font-family="Georgia, serif" font-size="10">`+"\n", max(width, 300))
	fmt.Fprintf(&s, "<title id=\"t\">Hours a week, before and after levelling</title>\n<desc id=\"d\">%s</desc>\n", html.EscapeString(describe(p)))
	s.WriteString("<style>.b{fill:#9a6b2f}.a{fill:#2f6f6b}.over{fill:#a3342c}.c{stroke:#444;stroke-dasharray:3 2;fill:none}text{fill:#222}@media(prefers-color-scheme:dark){.b{fill:#d6a463}.a{fill:#7cc4bd}.over{fill:#f0867c}.c{stroke:#bbb}text{fill:#eee}}</style>\n")
	panel := func(y float64, title, class string, hours func(Bay) float64) {
		fmt.Fprintf(&s, "<text x=\"4\" y=\"%.0f\">%s</text>\n", y-6, title)
		fmt.Fprintf(&s, "<text x=\"4\" y=\"%.0f\">%.0f h</text>\n", y+8, most)
		fmt.Fprintf(&s, "<text x=\"4\" y=\"%.0f\">0</text>\n", y+tall)
		for i, b := range p.Bays {
			h, c := hours(b), b.Capacity.Sum()
			x := left + i*wide
			if h > 0 {
				cl := class
				if h > c+1e-9 {
					cl = "over"
				}
				fmt.Fprintf(&s, "<rect class=\"%s\" x=\"%d\" y=\"%.1f\" width=\"%d\" height=\"%.1f\"/>\n", cl, x, y+tall*(1-h/most), bar, tall*h/most)
			}
			fmt.Fprintf(&s, "<path class=\"c\" d=\"M%d %.1fh%d\"/>\n", x-2, y+tall*(1-c/most), wide)
		}
	}
	panel(20, "every visit on its best day", "b", func(b Bay) float64 { return b.Before })
	panel(146, "levelled", "a", func(b Bay) float64 { return b.Load.Sum() })
	for i, b := range p.Bays {
		if i%4 == 0 {
			fmt.Fprintf(&s, "<text x=\"%d\" y=\"250\">%s</text>\n", left+i*wide, b.Week.Week()[5:])
		}
	}
	fmt.Fprintf(&s, "<text x=\"4\" y=\"266\">broken line: hours the bays have</text>\n</svg>\n")
	return s.String()
}

// describe says in words what the picture shows.
func describe(p Plan) string {
	before, after, over, still := 0.0, 0.0, 0, 0
	for _, b := range p.Bays {
		before, after = max(before, b.Before), max(after, b.Load.Sum())
		if b.Before > b.Capacity.Sum()+1e-9 {
			over++
		}
		if b.Load.Sum() > b.Capacity.Sum()+1e-9 {
			still++
		}
	}
	return fmt.Sprintf("%d weeks. Before levelling the busiest week has %.0f hours and %d weeks have more than the bays; after it the busiest has %.0f hours and %d have more.", len(p.Bays), before, over, after, still)
}
