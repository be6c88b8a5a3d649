package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// chromium finds the browser of the package that fixtures/rig/packages.txt
// names. Where it is missing the test is skipped; under CI=true it fails.
func chromium(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil && os.Getenv("CI") == "true" {
		t.Fatal("the pages must be looked at in a browser under CI: install the package chromium")
	}
	if err != nil {
		t.Skip("no browser here: install the package chromium")
	}
	return path
}

// browser is a tab that is signed in at a bench.
type browser struct {
	t    testing.TB
	ctx  context.Context
	base string
}

const patience = 2 * time.Minute // for what a page is to do, on a machine that is busy; a batch waits longer

// open starts a browser of its own, and signs in by the bench's link.
func open(t testing.TB, base, link string) *browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(chromium(t)), chromedp.UserDataDir(t.TempDir()),
		chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(allocator)
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx) // waits until the browser has ended, and let go of its folder
		cancel()
		stop()
	})
	b := &browser{t, ctx, base}
	must(t, chromedp.Do(ctx, chromedp.Navigate(link)))
	return b
}

// do does steps, within a time.
func (b *browser) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	b.within(patience, what, steps...)
}

func (b *browser) within(limit time.Duration, what string, steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, limit)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatalf("%s: %v\n%s", what, err, b.about())
	}
}

// about is what the page says, for a failed test.
func (b *browser) about() string {
	ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
	defer cancel()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText.slice(0, 4000)`))
	if err != nil {
		return err.Error()
	}
	return text
}

func (b *browser) visit(path string) {
	b.t.Helper()
	b.do("open "+path, chromedp.Navigate(b.base+path))
}

// live waits until the page's script runs, and hears of changes.
func (b *browser) live() {
	b.t.Helper()
	b.until(patience, "the page is live", `document.readyState === "complete" && document.getElementById("live").textContent.includes("Live")`)
}

// js evaluates an expression in the page.
func js[T any](b *browser, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v\n%s", expression, err, b.about())
	}
	return v
}

// until waits until an expression holds in the page.
func (b *browser) until(limit time.Duration, what, expression string) {
	b.t.Helper()
	for end := time.Now().Add(limit); ; time.Sleep(50 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(b.ctx, 10*time.Second)
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		cancel()
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("it never came to this: %s (%s; %v)\n%s", what, expression, err, b.about())
		}
	}
}

func (b *browser) click(selector string) {
	b.t.Helper()
	b.do("click "+selector, chromedp.Click(chromedp.CSS(selector)))
}

func (b *browser) fill(selector, text string) {
	b.t.Helper()
	b.do("fill in "+selector, chromedp.SetValue(chromedp.CSS(selector), text))
}

// selectOption chooses in a list, and has the page hear of it.
func selectOption(selector, value string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		ok, err := chromedp.Evaluate[bool](fmt.Sprintf(`(() => { const s = document.querySelector(%s); s.value = %s; s.dispatchEvent(new Event("change", { bubbles: true })); return s.value === %[2]s })()`, quote(selector), quote(value)))(ctx, t)
		if err == nil && !ok {
			err = fmt.Errorf("there is no choice %q", value)
		}
		return chromedp.Void{}, err
	}
}

// keys presses keys wherever the focus is.
func (b *browser) keys(keys string) {
	b.t.Helper()
	b.do("press "+keys, chromedp.KeyEvent(keys))
}

// shortcut presses a key that writes nothing, as a browser has it whose page
// takes the key.
func (b *browser) shortcut(key string) {
	b.t.Helper()
	b.do("press "+key, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
			if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: key}); err != nil {
				return err
			}
		}
		return nil
	}))
}

// said waits until the page has told something.
func (b *browser) said(words string) {
	b.t.Helper()
	b.until(patience, "it says "+words, fmt.Sprintf("document.getElementById('said').textContent.includes(%s)", quote(words)))
}

func quote(s string) string {
	data, _ := json.Marshal(s)
	return string(data)
}

// complaints collects what the browser has to say against the pages, from now
// on.
func (b *browser) complaints() func() []string {
	b.t.Helper()
	var mu sync.Mutex
	var list []string
	must(b.t, chromedp.Listen(b.ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			list = append(list, e.ExceptionDetails.Text)
		case *cdplog.EventEntryAdded:
			if e.Entry.Level == "error" {
				list = append(list, e.Entry.Text)
			}
		}
	}))
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(list)
	}
}

// look sets the size of the window, and light or dark.
func (b *browser) look(width, height int64, dark bool) {
	b.t.Helper()
	value := "light"
	if dark {
		value = "dark"
	}
	b.do("set the window", chromedp.EmulateViewport(width, height), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	}))
}

// shot keeps a picture of the page where LINEHAND_SHOTS names a folder.
func (b *browser) shot(name string, whole bool) {
	b.t.Helper()
	folder := os.Getenv("LINEHAND_SHOTS")
	if folder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	action := chromedp.CaptureScreenshot()
	if whole {
		action = chromedp.FullScreenshot(100)
	}
	data, err := chromedp.Run(ctx, action)
	if err != nil {
		b.t.Errorf("picture of %s: %v", name, err)
		return
	}
	must(b.t, os.MkdirAll(folder, 0o755))
	must(b.t, os.WriteFile(filepath.Join(folder, strings.ReplaceAll(name, "/", "_")+".png"), data, 0o644))
}
