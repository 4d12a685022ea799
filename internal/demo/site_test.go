package demo

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// signIn opens the pages as the demo's manager.
func signIn(t *testing.T, ctx context.Context, d *Demo) string {
	t.Helper()
	base := "http://" + d.Daemon.Addr()
	do(t, ctx, chromedp.Navigate(base+"/enter"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=email]`), Email))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=password]`), Password))
	do(t, ctx, chromedp.Click(chromedp.CSS(`main button`)))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`nav[aria-label=Pages]`)))
	return base
}

// sitePages are the pages of members, by a short name.
var sitePages = map[string]string{
	"board": "/board", "coach": "/coach/heron-01", "why": "/coach/heron-01/why?part=galley/outer/top/bulb", "fit": "/coach/heron-01/fit", "walk": "/coach/heron-01/walk/galley", "turn": "/coach/kestrel-06/turn",
	"edit": "/coach/heron-01/edit", "new": "/new", "import": "/import", "season": "/season?from=2026-02-09", "calls": "/calls", "notices": "/notices?tab=sent", "kept": "/notices?tab=kept", "lots": "/notices?tab=lots",
	"experience": "/experience", "rules": "/rules", "people": "/people", "changes": "/changes", "sheet": "/coach/heron-01/sheet",
}

func TestSitePages(t *testing.T) {
	ctx := browser(t)
	d := startDemo(t)
	if _, _, err := d.Pass(t.Context()); err != nil {
		t.Fatal(err)
	}
	base := signIn(t, ctx, d)
	for name, path := range sitePages {
		for _, width := range []int64{390, 1200} {
			do(t, ctx, chromedp.EmulateViewport(width, 900))
			do(t, ctx, chromedp.Navigate(base+path))
			if h := do(t, ctx, chromedp.Text(chromedp.CSS(`h1`))); strings.Contains(h, "not right") {
				t.Errorf("%s: %s", name, do(t, ctx, chromedp.Text(chromedp.CSS(`main`))))
			}
			if over := do(t, ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`)); over > 0 {
				t.Errorf("%s at %d: %d px too wide", name, width, over)
			}
			shot(t, ctx, map[int64]string{390: name + "-phone", 1200: name + "-wide"}[width])
		}
	}
}
