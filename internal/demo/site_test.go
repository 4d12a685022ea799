package demo

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"sealmanac/internal/coach"
	"sealmanac/internal/daemon"
	"sealmanac/internal/settings"
	"sealmanac/internal/testkit"
)

// signIn opens the pages as the demo's manager.
func signIn(t *testing.T, ctx context.Context, base string) {
	t.Helper()
	do(t, ctx, chromedp.Navigate(base+"/enter"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=email]`), Email))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=password]`), Password))
	click(t, ctx, chromedp.CSS(`main button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`nav[aria-label=Pages]`)))
}

// sitePages are the pages of members, by a short name.
var sitePages = map[string]string{
	"board": "/board", "coach": "/coach/heron-01", "why": "/coach/heron-01/why?part=galley/outer/top/bulb",
	"fit": "/coach/heron-01/fit", "walk": "/coach/heron-01/walk/galley", "turn": "/coach/kestrel-06/turn",
	"edit": "/coach/heron-01/edit", "new": "/new", "import": "/import", "season": "/season?from=2026-02-09",
	"calls": "/calls", "held": "/held", "notices": "/notices?tab=sent", "kept": "/notices?tab=kept",
	"lots":      "/notices?tab=lots",
	"lifetimes": "/lifetimes", "rules": "/rules", "people": "/people", "changes": "/changes",
	"sheet": "/coach/heron-01/sheet", "trouble": "/coach/nobody",
}

// served is a demo with its pass made, and its pages' address.
func served(t *testing.T) (*Demo, string) {
	t.Helper()
	d := startDemo(t)
	if _, _, err := d.Pass(t.Context()); err != nil {
		t.Fatal(err)
	}
	return d, "http://" + d.Daemon.Addr()
}

// openPages are those without an account, with links of the demo's own.
func openPages(t *testing.T, d *Demo) map[string]string {
	t.Helper()
	p, err := d.Daemon.Desk.CoachPage(t.Context(), Account, "magpie-05")
	if err != nil {
		t.Fatal(err)
	}
	owner := "/o/" + d.Daemon.Desk.Signer.OwnerToken(Account, &p.Coach)
	out := map[string]string{"guides": "/guide/", "guide": "/guide/operating", "enter": "/enter", "forgot": "/forgot",
		"owner": owner, "card": owner + "/card"}
	for _, m := range d.Mailbox.Messages() {
		for _, l := range regexp.MustCompile(`http://\S+/a/\S+`).FindAllString(m.Text, -1) {
			u, err := url.Parse(l)
			if err != nil {
				t.Fatal(err)
			}
			out["ask"] = u.Path
		}
	}
	return out
}

const axeRun = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then(r => JSON.stringify(r.violations.map(v => v.id + ": " + v.help + " " + v.nodes.slice(0, 3).map(n => n.target.join(" ") + " " + (n.any[0] ? n.any[0].message : "")).join(" | "))))`

// axe checks the page that is open against WCAG 2.2 A and AA with axe-core.
func axe(t *testing.T, ctx context.Context, name, source string) {
	t.Helper()
	do(t, ctx, chromedp.Evaluate[any](source+"; 0"))
	var violations []string
	said := do(t, ctx, chromedp.Evaluate[string](axeRun, chromedp.EvalAwaitPromise))
	if err := json.Unmarshal([]byte(said), &violations); err != nil {
		t.Fatal(err)
	}
	for _, v := range violations {
		t.Errorf("%s: %s", name, v)
	}
}

// Every page in light and dark, on a phone, a desk and at 200 % zoom: nothing has to be
// pushed sideways, nothing moves after it was painted, and axe-core finds no violation
// of WCAG 2.2 A and AA.
func TestSitePages(t *testing.T) {
	ctx := browser(t)
	d, base := served(t)
	source, err := os.ReadFile("../../testdata/axe/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	look := func(name, path string) {
		for _, view := range []struct {
			name, scheme string
			width        int64
		}{{"phone", "light", 390}, {"wide", "light", 1200}, {"dark", "dark", 1200}, {"zoom", "light", 640}} {
			do(t, ctx, chromedp.EmulateViewport(view.width, 900))
			scheme(t, ctx, view.scheme)
			if late := map[string]bool{"board": true, "coach": true, "fit": true, "season": true, "owner": true}; late[name] &&
				view.name == "wide" {
				slow(t, ctx, 6) // rows that arrive late show what moves the others
			}
			do(t, ctx, chromedp.Navigate(base+path))
			if h := do(t, ctx, chromedp.Text(chromedp.CSS(`h1`))); strings.Contains(h,
				"could not do this") != (name == "trouble") {
				t.Errorf("%s: %s", name, do(t, ctx, chromedp.Text(chromedp.CSS(`main`))))
			}
			if over := do(t, ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`)); over > 0 {
				t.Errorf("%s, %s: %d px too wide", name, view.name, over)
			}
			if shift := do(t, ctx, chromedp.Evaluate[float64](`new Promise(r => { let s = 0; new PerformanceObserver(l => { for (const e of l.getEntries()) s += e.value; }).observe({type: "layout-shift", buffered: true}); const settled = () => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(() => r(s), 0))); document.readyState === "complete" ? settled() : addEventListener("load", settled); })`, chromedp.EvalAwaitPromise)); shift > 0.01 {
				t.Errorf("%s, %s: the layout shifts by %.3f", name, view.name, shift)
			}
			slow(t, ctx, 1)
			if view.name != "zoom" {
				axe(t, ctx, name+" "+view.name, string(source))
				shot(t, ctx, name+"-"+view.name)
			}
		}
	}
	for name, path := range openPages(t, d) {
		look(name, path)
	}
	pages := base
	base = "http://" + d.Daemon.OpsAddr()
	look("status", "/status")
	base = pages
	signIn(t, ctx, base)
	for name, path := range sitePages {
		look(name, path)
	}
}

// slow makes the browser's processor so many times slower.
func slow(t *testing.T, ctx context.Context, times float64) {
	t.Helper()
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
		return chromedp.Call(ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: times})
	})
}

// Each page, with all it loads, stays under 100 kB compressed.
func TestSiteWeight(t *testing.T) {
	_, base := served(t)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar}
	get := func(path string) []byte {
		resp, err := c.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close() //nolint:errcheck // read whole
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if _, err := c.PostForm(base+"/enter", url.Values{"email": {Email}, "password": {Password}}); err != nil {
		t.Fatal(err)
	}
	packed := func(b []byte) int {
		var out bytes.Buffer
		z := gzip.NewWriter(&out)
		_, _ = z.Write(b) // into memory
		_ = z.Close()
		return out.Len()
	}
	assets := 0
	for _, a := range []string{"/static/sealmanac.css", "/static/sealmanac.js", "/worker.js"} {
		assets += packed(get(a))
	}
	for name, path := range sitePages {
		if n := packed(get(path)) + assets; n > 100_000 {
			t.Errorf("%s: %d bytes compressed", name, n)
		} else {
			t.Logf("%-11s %6d bytes compressed", name, n)
		}
	}
}

// A technician inspects a slide where there is no signal: the form waits in the
// browser, is sent when the signal is back, and moves the dates.
func TestInspectionWithoutSignal(t *testing.T) {
	ctx := browser(t)
	d, base := served(t)
	do(t, ctx, chromedp.EmulateViewport(390, 844))
	signIn(t, ctx, base)
	before := heightReadings(t, d)
	begun := time.Now()
	do(t, ctx, chromedp.Navigate(base+"/coach/wren-02"))
	click(t, ctx, `//a[starts-with(., "Inspect")]`)
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`form.walk`)))
	signal(t, ctx, false)
	click(t, ctx, `//label[contains(., "no light")]`)
	click(t, ctx, `//label[contains(., "firm")]`)
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name^="bulb_height|outer/top"]`), "11/16 in"))
	click(t, ctx, chromedp.CSS(`form.walk button:not([type])`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`#waiting ul`)))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`#waiting`))); !strings.Contains(said, "One form waits") {
		t.Errorf("without signal: %q", said)
	}
	shot(t, ctx, "waiting-phone")
	if n := heightReadings(t, d); n != before {
		t.Errorf("%d readings without signal, want %d", n, before)
	}
	signal(t, ctx, true)
	do(t, ctx, chromedp.Evaluate[any](`dispatchEvent(new Event("online")); 0`))
	do(t, ctx, chromedp.WaitNotVisible(chromedp.CSS(`#waiting`)))
	if n := heightReadings(t, d); n != before+1 {
		t.Errorf("%d readings after the signal came back, want %d", n, before+1)
	}
	t.Logf("inspection by machine: %.1f s, 5 taps", time.Since(begun).Seconds())
	// What somebody else changed meanwhile is shown, not overwritten.
	do(t, ctx, chromedp.Navigate(base+"/coach/wren-02"))
	click(t, ctx, `//a[starts-with(., "Inspect")]`)
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`form.walk`)))
	text, version, err := d.Daemon.Desk.Text(t.Context(), Account, "wren-02")
	if err != nil {
		t.Fatal(err)
	}
	text = strings.Replace(text, "The Okafors' motor coach", "The Okafors' old motor coach", 1)
	d.clock.set(evening.Add(time.Minute))
	if _, bad, err := d.Daemon.Desk.SaveText(t.Context(), Account, "somebody", "wren-02", version, "x.yaml",
		[]byte(text)); err != nil || bad.Err() != nil {
		t.Fatal(err, bad)
	}
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name^="bulb_height|outer/top"]`), "15 mm"))
	click(t, ctx, chromedp.CSS(`form.walk button:not([type])`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`[data-said]`)))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`[data-said]`))); !strings.Contains(said,
		"changed by somebody else") {
		t.Errorf("a conflict says %q", said)
	}
}

func signal(t *testing.T, ctx context.Context, on bool) {
	t.Helper()
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (network.EmulateNetworkConditionsByRuleResult, error) {
		p := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{}}
		if !on {
			p.MatchedNetworkConditions = []*network.Conditions{{Offline: true, DownloadThroughput: -1, UploadThroughput: -1}}
		}
		return chromedp.Call(ctx, network.EmulateNetworkConditionsByRule, p)
	})
}

func heightReadings(t *testing.T, d *Demo) (n int) {
	t.Helper()
	p, err := d.Daemon.Desk.CoachPage(t.Context(), Account, "wren-02")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range p.Coach.Readings {
		if r.Kind == coach.BulbHeight {
			n++
		}
	}
	return n
}

// Without scripts everything but the queue and dragging works: an inspection, a day
// agreed, and taking an entry back.
func TestWithoutScripts(t *testing.T) {
	ctx := browser(t)
	d, base := served(t)
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
		return chromedp.Call(ctx, emulation.SetScriptExecutionDisabled,
			emulation.SetScriptExecutionDisabledParams{Value: true})
	})
	signIn(t, ctx, base)
	do(t, ctx, chromedp.Navigate(base+"/coach/wren-02/walk/salon"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name^="bulb_height|outer/top"]`), "16 mm"))
	click(t, ctx, chromedp.CSS(`form.walk button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`p.said`)))
	if n := heightReadings(t, d); n != 1 {
		t.Errorf("%d readings", n)
	}
	click(t, ctx, `//button[contains(@aria-label, "undo bulb height")]`)
	do(t, ctx, chromedp.WaitVisible(`//p[contains(., "Undone")]`))
	if n := heightReadings(t, d); n != 0 {
		t.Errorf("%d readings after taking it back", n)
	}
}

// By keyboard alone: sign in, skip to the page, open the first coach, go back.
func TestKeyboardOnly(t *testing.T) {
	ctx := browser(t)
	_, base := served(t)
	do(t, ctx, func(ctx context.Context, _ *chromedp.Target) (cdp.Empty, error) {
		return chromedp.Call(ctx, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
	})
	do(t, ctx, chromedp.Navigate(base+"/enter"))
	type_ := func(keys string) { do(t, ctx, chromedp.KeyEvent(keys)) }
	focus := func(sel string) {
		t.Helper()
		for range 80 {
			if do(t, ctx, chromedp.Evaluate[bool](fmt.Sprintf(`document.activeElement && document.activeElement.matches(%q)`,
				sel))) {
				if !do(t, ctx, chromedp.Evaluate[bool](`getComputedStyle(document.activeElement).outlineStyle !== "none" || document.activeElement.matches("a")`)) {
					t.Errorf("%s has the focus and does not show it", sel)
				}
				return
			}
			type_("\t")
		}
		t.Fatalf("%s cannot be reached by Tab", sel)
	}
	focus(`input[name=email]`)
	type_(Email)
	focus(`input[name=password]`)
	type_(Password + "\r")
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`table.board`)))
	focus(`a.skip`)
	type_("\r")
	focus(`table.board a`)
	type_("\r")
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`svg.elevation`)))
	focus(`svg.elevation a`)
	focus(`form[action$="/pin"] input[name=day]`)
}

// The first run: the log's link makes the manager; one coach and one fitting later the
// board shows what leaks next.
func TestFirstRun(t *testing.T) {
	ctx := browser(t)
	c := settings.Default()
	c.StorePath, c.Listen, c.OpsListen = filepath.Join(t.TempDir(), "x.db"), "127.0.0.1:0", ""
	var log lines
	dm, err := daemon.New(t.Context(), daemon.Options{Config: c, Rules: book(t), Tables: testkit.Tables(t),
		Log: slog.New(slog.NewTextHandler(&log, nil)), Poll: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = dm.Close(context.Background()) })
	if err := dm.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	link := regexp.MustCompile(`http://\S+/first/[\w-]+`).FindString(log.String())
	if link == "" {
		t.Fatalf("no link in the log:\n%s", log.String())
	}
	do(t, ctx, chromedp.EmulateViewport(390, 844))
	do(t, ctx, chromedp.Navigate("http://"+dm.Addr()+"/"))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`main`))); !strings.Contains(said, "Nobody can sign in yet") {
		t.Errorf("an empty store says %q", said)
	}
	begun := time.Now()
	do(t, ctx, chromedp.Navigate(link))
	for field, v := range map[string]string{"shop": "Heron Bay Seals", "postal": "1 Pier Road", "zone": "America/Denver",
		"email": "mia@example.org", "name": "Mia", "password": "four words of mine"} {
		do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=`+field+`]`), v))
	}
	click(t, ctx, chromedp.CSS(`main button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`.empty`)))
	shot(t, ctx, "empty-phone")
	click(t, ctx, `//a[. = "Add a coach"]`)
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`input[name=place]`)))
	for field, v := range map[string]string{"coach": "juniper-07", "label": "The Hales' coach", "place": "Grand Junktion",
		"name": "Jo Hale", "email": "jo@example.org"} {
		do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=`+field+`]`), v))
	}
	do(t, ctx, chromedp.Evaluate[any](`document.querySelector("input[name=from]").value = "2024-04-01"; 0`))
	click(t, ctx, chromedp.CSS(`main form button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`[role=alert]`)))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`[role=alert]`))); !strings.Contains(said,
		"is not a place we know") || !strings.Contains(said, "Grand Junction") {
		t.Errorf("a mistyped town says %q", said)
	}
	do(t, ctx, chromedp.Evaluate[any](`document.querySelector("input[name=place]").value = "Grand Junction, CO"; 0`))
	click(t, ctx, chromedp.CSS(`main form button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`form[data-fit]`)))
	fitting := time.Now()
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=new_slide]`), "galley"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=width]`), "11 ft"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=slide_height]`), "76 in"))
	tick(t, ctx, "outer/top")
	tick(t, ctx, "outer/aft")
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=height]`), "13/16 in"))
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name=gaps]`), "1/4 in, 9/32 in"))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`[data-verdict]`))); !strings.Contains(said, "too large") {
		t.Errorf("the fit check says %q", said)
	}
	do(t, ctx, chromedp.Evaluate[any](`const g = document.querySelector("input[name=gaps]"); g.value = "1/2 in, 9/16 in"; g.dispatchEvent(new Event("input")); 0`))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`[data-verdict]`))); !strings.Contains(said, "it fits") {
		t.Errorf("the fit check says %q", said)
	}
	do(t, ctx, chromedp.Evaluate[any](`document.querySelector("input[name=day]").value = "2024-05-02"; 0`))
	shot(t, ctx, "fitting-phone")
	click(t, ctx, chromedp.CSS(`form[data-fit] > button`))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS(`svg.elevation`)))
	t.Logf("from the link to a dated coach by machine: %.1f s, of it the fitting %.1f s", time.Since(begun).Seconds(),
		time.Since(fitting).Seconds())
	p, err := dm.Desk.CoachPage(t.Context(), "main", "juniper-07")
	if err != nil || len(p.Outcome.Forecasts) != 6 || !p.Outcome.Forecasts[0].Hold.IsZero() {
		t.Fatalf("%v, %d forecasts", err, len(p.Outcome.Forecasts))
	}
	do(t, ctx, chromedp.Navigate("http://"+dm.Addr()+"/board"))
	if said := do(t, ctx, chromedp.Text(chromedp.CSS(`table.board`))); !strings.Contains(said, "The Hales' coach") {
		t.Errorf("the board: %q", said)
	}
}

// tick ticks an edge, and that edge only.
func tick(t *testing.T, ctx context.Context, edge string) {
	t.Helper()
	const ticked = `[...document.querySelectorAll("input[name=run]:checked")].map(b => b.value)`
	before := do(t, ctx, chromedp.Evaluate[[]string](ticked))
	click(t, ctx, chromedp.CSS(`input[value="`+edge+`"]`))
	after := do(t, ctx, chromedp.Evaluate[[]string](ticked))
	if len(after) != len(before)+1 || !slices.Contains(after, edge) {
		t.Fatalf("%s was clicked: of %v came %v", edge, before, after)
	}
}

// lines collects a log.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
