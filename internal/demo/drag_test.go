package demo

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// A visit is dragged to another week, which agrees its Monday; the plan follows.
func TestDragAVisit(t *testing.T) {
	ctx := browser(t)
	d, base := served(t)
	signIn(t, ctx, base)
	do(t, ctx, chromedp.EmulateViewport(1200, 900))
	do(t, ctx, chromedp.Navigate(base+"/season?from=2026-02-09"))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`div.visit[data-coach="magpie-05"]`)))
	do(t, ctx, chromedp.Evaluate[any](`(() => {
		const data = new DataTransfer(), visit = document.querySelector('div.visit[data-coach="magpie-05"]'), week = document.querySelector('tr[data-week="2026-03-30"]');
		visit.dispatchEvent(new DragEvent("dragstart", {bubbles: true, dataTransfer: data}));
		week.dispatchEvent(new DragEvent("dragover", {bubbles: true, cancelable: true, dataTransfer: data}));
		week.dispatchEvent(new DragEvent("drop", {bubbles: true, cancelable: true, dataTransfer: data}));
		return 0;
	})()`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`p.said`)))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`p.said`))); !strings.Contains(said, "agreed") {
		t.Errorf("%q", said)
	}
	p, err := d.Daemon.Desk.CoachPage(t.Context(), Account, "magpie-05")
	if err != nil || len(p.Pins) != 1 || p.Pins[0].Day.String() != "2026-03-30" {
		t.Errorf("%v %v", err, p.Pins)
	}
}
