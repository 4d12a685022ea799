package demo

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// drag takes one element with the mouse and lets it go over another, as a hand does: the
// browser itself makes the drag of it.
func drag(t *testing.T, ctx context.Context, from, to string) {
	t.Helper()
	middle := func(sel string) (x, y float64) {
		at := do(
			t,
			ctx,
			chromedp.Evaluate[[]float64](
				fmt.Sprintf(
					`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`,
					sel,
				),
			),
		)
		return at[0], at[1]
	}
	mouse := func(kind input.DispatchMouseEventType, x, y float64, buttons int64) {
		do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
			return chromedp.Call(
				ctx,
				input.DispatchMouseEvent,
				input.DispatchMouseEventParams{
					Type:       kind,
					X:          x,
					Y:          y,
					Button:     input.MouseButtonLeft,
					Buttons:    buttons,
					ClickCount: 1,
				},
			)
		})
	}
	x, y := middle(from)
	tx, ty := middle(to)
	mouse(chromedp.MouseMoved, x, y, 0)
	mouse(chromedp.MousePressed, x, y, 1)
	const steps = 8
	for i := 1; i <= steps; i++ {
		f := float64(i) / steps
		mouse(chromedp.MouseMoved, x+f*(tx-x), y+f*(ty-y), 1)
	}
	for i := 0; i < 500 && !do(t, ctx,
		chromedp.Evaluate[bool](fmt.Sprintf(`document.querySelector(%q + ".target") !== null`, to))); i++ {
		mouse(chromedp.MouseMoved, tx+float64(i%2), ty, 1) // a hand rests on its aim until the page shows it
	}
	mouse(chromedp.MouseReleased, tx, ty, 0)
}

// A visit is dragged to another week with the mouse, which changes the plan and nothing
// else; one press on it then makes it an appointment, after which it cannot be dragged.
// By keyboard its form does the same.
func TestDragAVisit(t *testing.T) {
	ctx := browser(t)
	d, base := served(t)
	signIn(t, ctx, base)
	const visit = `div.visit[data-coach="magpie-05"]`
	season := func() {
		t.Helper()
		do(t, ctx, chromedp.Navigate(base+"/season?from=2026-02-09"))
	}
	days := func(want string) {
		t.Helper()
		p, err := d.Daemon.Desk.CoachPage(t.Context(), Account, "magpie-05")
		if got := fmt.Sprintf("agreed %d planned %d", len(p.Pins), len(p.Planned)); err != nil || got != want {
			t.Fatalf("%v: %s, want %s: %v %v", err, got, want, p.Pins, p.Planned)
		}
	}
	said := func(part string) {
		t.Helper()
		do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`p.said`)))
		if got := do(t, ctx, chromedp.Text(chromedp.CSS(`p.said`))); !strings.Contains(got, part) {
			t.Errorf("%q, want %q", got, part)
		}
	}
	// The plan is made anew beside the page: look until the visit is where it was put.
	stands := func(week string) {
		t.Helper()
		for range 100 {
			season()
			if do(
				t,
				ctx,
				chromedp.Evaluate[bool](
					fmt.Sprintf(
						`document.querySelector('tr[data-week="%s"] div.visit[data-was] a[href="/coach/magpie-05"]') !== null`,
						week,
					),
				),
			) {
				return
			}
		}
		t.Fatalf("the visit is not planned in the week of %s", week)
	}
	do(t, ctx, chromedp.EmulateViewport(1200, 4000)) // both weeks are in sight
	season()
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(visit)))
	drag(t, ctx, visit+` a`, `tr[data-week="2026-03-30"]`)
	said("Planned. We tell nobody about it")
	days("agreed 0 planned 1")
	stands("2026-03-30")
	drag(t, ctx, visit+` .hint`, `tr[data-week="2026-04-06"]`)
	said("Planned. We tell nobody about it")
	days("agreed 0 planned 1")
	stands("2026-04-06")

	// By keyboard: open its form, agree.
	do(t, ctx, chromedp.Evaluate[any](`document.querySelector('`+visit+` summary').focus(); 0`))
	do(t, ctx, chromedp.KeyEvent("\r"))
	for range 10 { // past the parts of the date
		if do(t, ctx, chromedp.Evaluate[bool](`document.activeElement.textContent === "Agreed with the owner"`)) {
			break
		}
		do(t, ctx, chromedp.KeyEvent("\t"))
	}
	do(t, ctx, chromedp.KeyEvent("\r"))
	said("The appointment is saved")
	days("agreed 1 planned 0")
	for i := 0; ; i++ {
		season()
		if n := do(t, ctx, chromedp.Evaluate[int](`document.querySelectorAll('div.visit.agreed:not([draggable]) a[href="/coach/magpie-05"]').length`)); n == 1 {
			break
		}
		if i == 100 {
			t.Fatal("an agreed visit can be dragged")
		}
	}
}
