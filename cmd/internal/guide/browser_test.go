package guide

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// TestInABrowser works the page as a person does: it fits a telephone in light
// and dark, a value is copied with its button, and a tick is still there when
// the page is opened again.
func TestInABrowser(t *testing.T) {
	path, err := exec.LookPath("chromium")
	if err != nil && os.Getenv("CI") == "true" {
		t.Fatal("the page must be looked at in a browser under CI: install the package chromium")
	}
	if err != nil {
		t.Skip("no browser here: install the package chromium")
	}
	page := filepath.Join(t.TempDir(), "guide.html")
	f, err := os.Create(page)
	if err == nil {
		err = demo.HTML(f)
	}
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	defer stop()
	tab, cancel := chromedp.NewContext(allocator)
	defer cancel()
	defer func() { _ = chromedp.Cancel(tab) }() // waits until the browser has let go of its folder
	if err := chromedp.Do(tab); err != nil {    // starts it, for as long as tab lasts
		t.Fatal(err)
	}
	ctx, over := context.WithTimeout(tab, time.Minute)
	defer over()
	do := func(steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, steps...); err != nil {
			t.Fatal(err)
		}
	}
	text := func(expression string) string {
		t.Helper()
		got, err := chromedp.Run(ctx, chromedp.Evaluate[string]("String("+expression+")"))
		if err != nil {
			t.Fatalf("%s: %v", expression, err)
		}
		return got
	}
	colours := map[string]bool{}
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{360, 1200} {
			if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			}); err != nil {
				t.Fatal(err)
			}
			do(chromedp.EmulateViewport(width, 800), chromedp.Navigate("file://"+filepath.ToSlash(page)))
			if got := text("document.documentElement.scrollWidth <= innerWidth"); got != "true" {
				t.Errorf("%s, %d wide: the page is %s wide", scheme, width, text("document.documentElement.scrollWidth"))
			}
			for _, want := range []string{"IEC 61340-5-1", "Static."} {
				if got := text(`document.querySelector(".caution").innerText.includes("` + want + `")`); got != "true" {
					t.Errorf("the caution does not show %q", want)
				}
			}
		}
		colours[text("getComputedStyle(document.body).backgroundColor + getComputedStyle(document.body).color")] = true
	}
	if len(colours) != 2 {
		t.Errorf("light and dark look the same: %v", colours)
	}

	do(chromedp.Click(chromedp.CSS(`button[aria-label="Copy Address"]`)))
	for end := time.Now().Add(10 * time.Second); text(`document.getElementById("said").textContent`) == "" && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if got := text(`document.getElementById("said").textContent`); got != "Copied: 192.0.2.21" {
		t.Errorf("the page says %q", got)
	}
	if got := text("getSelection().toString()"); got != "192.0.2.21" {
		t.Errorf("selected is %q", got)
	}
	if got := text(`document.querySelectorAll("button[aria-label='Copy Secret']").length`); got != "0" {
		t.Error("a secret can be copied")
	}

	do(chromedp.Click(chromedp.CSS(`input[data-name="strap"]`)), chromedp.Navigate("about:blank"), chromedp.Navigate("file://"+filepath.ToSlash(page)))
	if got := text(`document.querySelector('input[data-name="strap"]').checked + " " + document.querySelector("li").className`); got != "true done" {
		t.Errorf("after it is opened again the tick is %s", got)
	}
	if got := text(`document.querySelectorAll("input:checked").length`); got != "1" {
		t.Errorf("%s boxes are ticked", got)
	}
}
