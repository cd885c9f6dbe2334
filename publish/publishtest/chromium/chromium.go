// Package chromium lets a test look at a page as a person does, with Debian's browser.
package chromium

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// Patience ends a wait that would hang. No figure of speed is asserted with it.
const Patience = 60 * time.Second

// Start starts the browser, or skips the test where there is none; with HOLDBELL_REQUIRE=1 its absence
// fails. The context is for Tab.
func Start(t testing.TB) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program chromium is missing; install Debian's package chromium")
		}
		t.Skip("the program chromium is missing; install Debian's package chromium")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("force-device-scale-factor", "1"), chromedp.WSURLReadTimeout(Patience), chromedp.UserDataDir(t.TempDir()))
	allocator, end := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(end)
	ctx, cancel := chromedp.NewContext(allocator)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// faults collects on every page what its scripts fail at and what the browser refuses to load.
const faults = `window.faults = [];
addEventListener("error", (e) => faults.push("error: " + (e.message || (e.target && (e.target.src || e.target.href)))), true);
addEventListener("unhandledrejection", (e) => faults.push("rejected: " + e.reason));
document.addEventListener("securitypolicyviolation", (e) => faults.push("refused: " + e.violatedDirective + " " + e.blockedURI + " " + e.sample));`

// Tab opens a tab of the browser, which hangs for no longer than ten times the patience.
func Tab(t testing.TB, browser context.Context) context.Context {
	t.Helper()
	ctx, end := context.WithTimeout(LongTab(t, browser), 10*Patience)
	t.Cleanup(end)
	return ctx
}

// LongTab opens a tab for a proof that takes hours. The tools' own memory of the network, in which the browser keeps up to
// 200 MB of answers for whoever asks, is off.
func LongTab(t testing.TB, browser context.Context) context.Context {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Disable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: faults}); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// Open goes to an address. What the page before failed at fails the test.
func Open(t testing.TB, tab context.Context, url string) {
	t.Helper()
	Sound(t, tab)
	Do(t, tab, chromedp.Navigate(url))
}

// Sound fails the test when a script of the page failed, or the browser refused something of it.
func Sound(t testing.TB, tab context.Context) {
	t.Helper()
	for _, f := range Get[[]string](t, tab, `window.faults || []`) {
		t.Errorf("the page: %s", f)
	}
}

// Get gives the value of a script's expression.
func Get[T any](t testing.TB, tab context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(tab, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Do runs actions in a tab.
func Do(t testing.TB, tab context.Context, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(tab, actions...); err != nil {
		t.Fatal(err)
	}
}

// Until waits until a script's expression holds, on whatever page the tab goes to meanwhile.
func Until(t testing.TB, tab context.Context, expression string) {
	t.Helper()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for deadline := time.Now().Add(Patience); ; {
		holds, err := chromedp.Run(tab, chromedp.Evaluate[bool]("!!("+expression+")"))
		if holds && err == nil {
			return
		}
		if time.Now().After(deadline) || tab.Err() != nil {
			t.Fatalf("waiting for %s: %v; the page says:\n%s", expression, err, Text(t, tab))
		}
		<-again.C
	}
}

// Text gives what a person reads on the page.
func Text(t testing.TB, tab context.Context) string {
	t.Helper()
	return Get[string](t, tab, `document.body.innerText`)
}

// Size makes the window so wide and high, in a scheme: "light" or "dark".
func Size(t testing.TB, tab context.Context, width, height int64, scheme string) {
	t.Helper()
	if _, err := chromedp.Call(tab, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 600}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}}); err != nil {
		t.Fatal(err)
	}
}

// Picture keeps a picture of the whole page in the folder that HOLDBELL_SCREENSHOTS names, or none.
func Picture(t testing.TB, tab context.Context, name string) {
	t.Helper()
	folder := os.Getenv("HOLDBELL_SCREENSHOTS")
	if folder == "" {
		return
	}
	png, err := chromedp.Run(tab, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, strings.ReplaceAll(name, "/", "-")+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}
