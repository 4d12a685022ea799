package web

import (
	"fmt"
	"html/template"
	"strings"

	"rsc.io/qr"

	"sealmanac/internal/desk"
)

// code draws a QR code (ISO/IEC 18004) of a text as SVG, with the quiet zone of four
// modules that the standard asks for.
func code(text string) (template.HTML, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", err
	}
	const quiet = 4
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="code" viewBox="0 0 %d %d" role="img" aria-label="QR code of this coach's page"><rect class="code-paper" width="100%%" height="100%%"/><path class="code-ink" d="`, c.Size+2*quiet, c.Size+2*quiet)
	for y := range c.Size {
		for x := range c.Size {
			if c.Black(x, y) {
				fmt.Fprintf(&b, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	b.WriteString(`"/></svg>`)
	return template.HTML(b.String()), nil //nolint:gosec // numbers only
}

// curveView is a survival curve as drawn, with its figures.
type curveView struct {
	desk.Curve
	Picture template.HTML
}

// drawCurve draws a step curve with its band from 0 to the last year.
func drawCurve(c desk.Curve) curveView {
	const wide, tall, left, top = 300.0, 120.0, 34.0, 8.0
	years := 1.0
	for _, p := range c.Steps {
		years = max(years, p.Years)
	}
	years = max(years, c.Last)
	x := func(y float64) float64 { return left + wide*y/years }
	y := func(s float64) float64 { return top + tall*(1-s) }
	line, low, high := "M"+at(x(0), y(1)), "M"+at(x(0), y(1)), "M"+at(x(0), y(1))
	for _, p := range c.Steps {
		line += fmt.Sprintf("H%.1fV%.1f", x(p.Years), y(p.Share))
		low += fmt.Sprintf("H%.1fV%.1f", x(p.Years), y(p.Low))
		high += fmt.Sprintf("H%.1fV%.1f", x(p.Years), y(p.High))
	}
	end := fmt.Sprintf("H%.1f", x(years))
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="curve" viewBox="0 0 350 158" role="img" aria-label="Share of %s parts in service by years after the fitting; the table says the same">`, template.HTMLEscapeString(plain(c.Name)))
	fmt.Fprintf(&b, `<path class="axis" d="M%.0f %.0fV%.0fH%.0f"/><text class="size" x="2" y="%.0f">100 %%</text><text class="size" x="14" y="%.0f">0</text><text class="size" x="%.0f" y="148" text-anchor="end">%.0f years</text>`, left, top, top+tall, left+wide, y(1)+4, y(0), left+wide, years)
	fmt.Fprintf(&b, `<path class="band" d="%s"/><path class="band" d="%s"/><path class="line" d="%s"/></svg>`, low+end, high+end, line+end)
	return curveView{c, template.HTML(b.String())} //nolint:gosec // escaped, or numbers
}

func at(x, y float64) string { return fmt.Sprintf("%.1f %.1f", x, y) }
