package demo

import (
	"context"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// The three kinds of mail fit a phone's and a mail reader's window, light and dark:
// nothing has to be pushed sideways.
func TestOnePageMails(t *testing.T) {
	ctx := browser(t)
	for _, name := range []string{"replace", "visit", "lot"} {
		path, err := filepath.Abs("../../testdata/cycle/mail-" + name + ".html")
		if err != nil {
			t.Fatal(err)
		}
		for _, width := range []int64{390, 660} {
			for _, light := range []string{"light", "dark"} {
				do(t, ctx, chromedp.EmulateViewport(width, 900))
				scheme(t, ctx, light)
				do(t, ctx, chromedp.Navigate("file://"+path))
				if over := do(t, ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`)); over > 0 {
					t.Errorf("%s at %d: %d px too wide", name, width, over)
				}
				if width == 660 {
					shot(t, ctx, "mail-"+name+"-"+light)
				}
			}
		}
	}
}

// scheme makes the browser prefer light or dark.
func scheme(t *testing.T, ctx context.Context, value string) {
	t.Helper()
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
		return chromedp.Call(ctx, emulation.SetEmulatedMedia,
			emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}}})
	})
}
