package demo

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"sealmanac/config"
	"sealmanac/internal/daemon"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/testkit"
	"sealmanac/internal/wording"
)

func book(t *testing.T) *rulebook.Rulebook {
	t.Helper()
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func startDemo(t *testing.T) *Demo {
	t.Helper()
	d, err := Start(t.Context(), Options{Dir: t.TempDir(), Rules: book(t), Tables: testkit.Tables(t),
		Log: slog.New(slog.DiscardHandler), Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close(context.Background()) })
	return d
}

// At least eight mails arrive, whole, in text and HTML, with working headers.
func TestMailsArrive(t *testing.T) {
	d := startDemo(t)
	_, rows, err := d.Pass(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	accepted, failed := Count(rows)
	if accepted < 8 || failed != 0 {
		t.Fatalf("%d accepted, %d failed", accepted, failed)
	}
	words := &wording.Catalogue{}
	for tag, po := range config.Words {
		words.Add(tag, po)
	}
	languages := map[string]int{}
	for _, m := range d.Mailbox.Messages() {
		languages[m.Header.Get("Content-Language")]++
		w := words.In(m.Header.Get("Content-Language"))
		asks := []string{w.T("Why now"), w.T("It is done"), w.T("Book the shop"), w.T("Not now")}
		if strings.Contains(m.Text, w.T("Before you come")) {
			asks = []string{w.T("What is planned"), w.T("I need another day")}
		}
		if strings.Contains(m.Text, w.T("Please call me")) { // only the shop ends it
			asks = []string{w.T("Why now"), w.T("Call the shop: %s", "970-555-0100"), w.T("Please call me")}
			for _, no := range []string{w.T("It is done"), w.T("Not now")} {
				if strings.Contains(m.Text, no) || strings.Contains(m.HTML, no) {
					t.Errorf("%s: a safety mail offers %q", m.To, no)
				}
			}
		}
		for _, want := range append(asks, w.T("Please take care"), w.T("No more reminders"), "14 Kiln Lane") {
			if !strings.Contains(m.Text, want) {
				t.Errorf("%s: the text lacks %q", m.To, want)
			}
			if !strings.Contains(strings.ReplaceAll(m.HTML, "&#39;", "'"), want) {
				t.Errorf("%s: the HTML lacks %q", m.To, want)
			}
		}
		for _, line := range strings.Split(m.Text, "\n") {
			if len(line) > 120 && !strings.Contains(line, "http") {
				t.Errorf("%s: a long line: %s", m.To, line)
			}
		}
	}
	if languages["en"] < 6 || languages["es"] < 1 || languages["fr"] < 1 {
		t.Errorf("languages of the mails: %v", languages)
	}
}

// browser starts a headless Chromium.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		testkit.SkipOrFail(t, "this needs Chromium, as .ci/run installs it")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.UserDataDir(t.TempDir()))
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel2 := chromedp.NewContext(alloc)
	t.Cleanup(cancel2)
	do(t, ctx, chromedp.Navigate("about:blank"))            // starts the browser, which lives as long as this context
	ctx, cancel3 := context.WithTimeout(ctx, 8*time.Minute) // against a hang only: a busy machine takes its time
	t.Cleanup(cancel3)
	return ctx
}

// do runs one action and returns what it found.
func do[T any](t *testing.T, ctx context.Context, a chromedp.Action[T]) T {
	t.Helper()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// click presses what a person would, once the page lies still: a click is sent to a place,
// and on a page that still moves something else may have come to lie there.
func click[S chromedp.Selectable](t *testing.T, ctx context.Context, sel S) {
	t.Helper()
	const where = `[scrollX, scrollY, innerHeight, document.documentElement.scrollHeight, document.readyState].join()`
	do(t, ctx, chromedp.ScrollIntoView(sel))
	for was, same := "", 0; same < 3; {
		is := do(t, ctx, chromedp.Evaluate[string](where))
		if is == was {
			same++
		} else {
			was, same = is, 0
		}
		time.Sleep(20 * time.Millisecond)
	}
	do(t, ctx, chromedp.Click(sel))
}

// An owner reads the mail in a real browser, presses "It is done" and confirms;
// before the button nothing is written down.
func TestOwnersJourney(t *testing.T) {
	ctx := browser(t)
	d := startDemo(t)
	if _, _, err := d.Pass(t.Context()); err != nil {
		t.Fatal(err)
	}
	do(t, ctx, chromedp.EmulateViewport(390, 844))
	do(t, ctx, chromedp.Navigate(d.MailboxURL()))
	shot(t, ctx, "mailbox-phone")
	click(t, ctx, `//a[contains(., "Okafors")]`)
	do(t, ctx, chromedp.WaitVisible(`//a[contains(., "As the owner sees it")]`))
	shot(t, ctx, "mail-text-phone")
	click(t, ctx, `//a[contains(., "As the owner sees it")]`)
	do(t, ctx, chromedp.WaitVisible(`//a[. = "It is done"]`))
	shot(t, ctx, "mail-phone")
	click(t, ctx, `//a[. = "It is done"]`)
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`button`)))
	heading := do(t, ctx, chromedp.Text(chromedp.CSS(`h1`)))
	shot(t, ctx, "ask-phone")
	if n := answered(t, d); n != 0 || heading != "Is it done?" {
		t.Errorf("%d answers before the button was pressed; heading %q", n, heading)
	}
	click(t, ctx, chromedp.CSS(`button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`p[role=status]`)))
	thanks := do(t, ctx, chromedp.Text(chromedp.CSS(`h1`)))
	shot(t, ctx, "answered-phone")
	if n := answered(t, d); n != 1 || !strings.Contains(thanks, "recorded") {
		t.Errorf("%d answers after the button; heading %q", n, thanks)
	}
	do(t, ctx, chromedp.EmulateViewport(1100, 800))
	do(t, ctx, chromedp.Navigate("http://"+d.Daemon.OpsAddr()+"/status"))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`table`)))
	shot(t, ctx, "status-wide")
	// The next pass knows: the same person is not told again about it.
	if _, again, err := d.Daemon.RunPass(t.Context(), Account, Day); err != nil || len(again) != 0 {
		t.Errorf("told %d times more: %v", len(again), err)
	}
}

func answered(t *testing.T, d *Demo) (n int) {
	t.Helper()
	rows, err := d.Daemon.Desk.Notices(t.Context(), Account, 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.AnsweredAt != nil {
			n++
		}
	}
	return n
}

// shot keeps a screenshot in the folder that SEALMANAC_SCREENSHOTS names.
func shot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("SEALMANAC_SCREENSHOTS")
	if dir == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), do(t, ctx, chromedp.FullScreenshot(100)), 0o644); err != nil {
		t.Fatal(err)
	}
}

// A stored notice can be seen in each language.
func TestPreviewInLanguage(t *testing.T) {
	d := startDemo(t)
	res, _, err := d.Pass(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	tools := daemon.Tools(book(t), testkit.Tables(t), "example.org")
	for _, n := range res.Notices() {
		for tag, want := range map[string]string{"es": "Tenga cuidado", "fr": "Soyez prudent", "en": "Please take care"} {
			again, err := d.Daemon.Desk.InLanguage(t.Context(), Account, tools, &n, tag)
			if err != nil || again.Language != tag || !strings.Contains(again.Text, want) || !strings.Contains(again.HTML,
				`lang="`+tag+`"`) {
				t.Errorf("%s in %s: %v, %q", n.Key, tag, err, again.Subject)
			}
		}
	}
	n := res.Notices()[0]
	n.Key = "none"
	if _, err := d.Daemon.Desk.InLanguage(t.Context(), Account, tools, &n, "es"); err == nil {
		t.Error("a notice that does not exist was shown")
	}
}

// One-click unsubscribe (RFC 8058): a POST without cookies or a browser's marks.
func TestOneClickStop(t *testing.T) {
	d := startDemo(t)
	if _, _, err := d.Pass(t.Context()); err != nil {
		t.Fatal(err)
	}
	link := strings.Trim(d.Mailbox.Messages()[0].Header.Get("List-Unsubscribe"), "<>")
	resp, err := http.Post(link, "application/x-www-form-urlencoded", strings.NewReader("List-Unsubscribe=One-Click"))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	if resp.StatusCode != http.StatusOK || !strings.Contains(string(b), `<p role="status">`) {
		t.Errorf("%d: %s", resp.StatusCode, b)
	}
	// The same from another site's page is refused.
	req, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, link, nil)
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	resp2, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	resp2.Body.Close()
	if resp2.StatusCode != http.StatusForbidden {
		t.Errorf("a cross-site post gives %d", resp2.StatusCode)
	}
}
