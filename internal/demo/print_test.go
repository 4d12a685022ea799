package demo

import (
	"bytes"
	"context"
	"encoding/base64"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	protopage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"sealmanac/config"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/daemon"
	"sealmanac/internal/intake"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/season"
	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
)

// show opens a text as a page.
func show(t *testing.T, ctx context.Context, kind string, text string) {
	t.Helper()
	do(t, ctx, chromedp.Navigate("data:"+kind+";charset=utf-8;base64,"+base64.StdEncoding.EncodeToString([]byte(text))))
}

// Every job sheet of the demo prints on one side of paper.
func TestSheetsPrintOnOnePage(t *testing.T) {
	ctx := browser(t)
	rules, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	c := intake.Read(intake.Options{Today: Day, Places: testkit.Tables(t)}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	snap := cycle.Snapshot{Today: Day}
	byID := map[coach.ID]*coach.Coach{}
	for i := range c.Coaches {
		snap.Members = append(snap.Members, cycle.Member{Coach: c.Coaches[i]})
		byID[c.Coaches[i].ID] = &c.Coaches[i]
	}
	p := cycle.Season(daemon.Tools(rules, testkit.Tables(t), "example.org"), snap, c.Workshop, 26, nil)
	if len(p.Visits) < 8 {
		t.Fatalf("%d visits", len(p.Visits))
	}
	longest, lines := season.Visit{}, 0
	for _, v := range append(p.Visits, p.Elsewhere...) {
		s := season.SheetOf(rules, byID[v.Coach], v, unit.Imperial)
		if len(s.Jobs)+len(s.Steps)+len(s.Off) > lines {
			longest, lines = v, len(s.Jobs)+len(s.Steps)+len(s.Off)
		}
		show(t, ctx, "text/html", s.HTML())
		pdf := do(t, ctx, chromedp.PrintToPDF(func(p *protopage.PrintToPDFParams) { p.PreferCSSPageSize = new(true) }))
		if n := bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page ")); n != 1 {
			t.Errorf("the sheet of %s on %s has %d pages", v.Coach, v.Day, n)
		}
	}
	do(t, ctx, chromedp.EmulateViewport(816, 1056))
	show(t, ctx, "text/html", season.SheetOf(rules, byID[longest.Coach], longest, unit.Imperial).HTML())
	shot(t, ctx, "sheet-print")
	do(t, ctx, chromedp.EmulateViewport(700, 480))
	show(t, ctx, "text/html", `<meta name="color-scheme" content="light dark"><body>`+season.Picture(p))
	shot(t, ctx, "season-light")
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
		return chromedp.Call(ctx, emulation.SetEmulatedMedia,
			emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
	})
	shot(t, ctx, "season-dark")
}
