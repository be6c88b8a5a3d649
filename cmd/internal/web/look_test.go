package web_test

import (
	_ "embed"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"
)

//go:embed testdata/faults.js
var faultsScript string

type faults struct {
	Faults []string
	Least  float64
	Texts  int
}

// screens are the sizes that pages are looked at in, in CSS pixels: the least
// width that WCAG 2.2 (1.4.10) asks for, a usual phone, and a desk.
var screens = []struct {
	name          string
	width, height int64
}{{"narrow", 320, 640}, {"phone", 390, 844}, {"desk", 1280, 900}}

// Every page in every size, light and dark: names, landmarks, contrast,
// targets, and nothing that scrolls sideways.
func TestEveryPageForEverybody(t *testing.T) {
	chromium(t)
	_, d, records := demo(t)
	units := d.Plan().Plan.Units
	name := record(t, records, units[0].Name, "Brackwater S24\r\nSign in: ")
	base, link := serve(t, d)
	b := open(t, base, link)
	pages := []struct{ name, path string }{
		{"bench", "/"}, {"line-hold", "/lines/" + url.PathEscape(held)}, {"line-playing", "/lines/" + url.PathEscape(playing)}, {"plan", "/plan"},
		{"records", "/records"}, {"record", "/records/" + url.PathEscape(name)}, {"handover", "/handover"}, {"fleet", "/fleet"},
		{"people", "/people"}, {"sign-out", "/sign-out"}, {"sign-in", "/sign-in?failed=1"}, {"none", "/nothing"},
	}
	for _, dark := range []bool{false, true} {
		for _, s := range screens {
			b.look(s.width, s.height, dark)
			for _, p := range pages {
				b.visit(p.path)
				b.until(patience, "the page is there", "document.readyState === 'complete'")
				what := fmt.Sprintf("%s-%s-%s", p.name, s.name, map[bool]string{false: "light", true: "dark"}[dark])
				got := js[faults](b, faultsScript)
				for _, f := range got.Faults {
					t.Errorf("%s: %s", what, f)
				}
				if got.Texts < 3 {
					t.Errorf("%s: only %d pieces of text were looked at", what, got.Texts)
				}
				if s.name != "narrow" {
					b.shot(what, true)
				}
			}
		}
	}
}

// A person's choice of colours holds on every page, whatever the system says.
func TestColoursAreAChoice(t *testing.T) {
	chromium(t)
	_, d, _ := demo(t)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.look(1280, 900, false)
	paper := `getComputedStyle(document.body).backgroundColor`
	b.visit("/")
	light := js[string](b, paper)
	js[bool](b, `(() => { const s = document.getElementById("scheme"); s.value = "dark"; s.dispatchEvent(new Event("change")); return true })()`)
	dark := js[string](b, paper)
	if light == dark {
		t.Fatalf("the choice changes nothing: %s", dark)
	}
	b.visit("/plan")
	if got := js[string](b, paper); got != dark {
		t.Errorf("another page is %s, want %s", got, dark)
	}
	for _, f := range js[faults](b, faultsScript).Faults {
		t.Errorf("the plan in chosen dark: %s", f)
	}
	b.look(1280, 900, true)
	js[bool](b, `(() => { const s = document.getElementById("scheme"); s.value = "light"; s.dispatchEvent(new Event("change")); return true })()`)
	if got := js[string](b, paper); got != light {
		t.Errorf("light against a dark system is %s, want %s", got, light)
	}
}

// Tab reaches everything that can be used, in the order of the page, and each
// shows that it has the focus.
func TestKeyboardReachesEverything(t *testing.T) {
	chromium(t)
	_, d, records := demo(t)
	name := record(t, records, d.Plan().Plan.Units[0].Name, "Brackwater S24\r\n")
	base, link := serve(t, d)
	b := open(t, base, link)
	for _, path := range []string{"/", "/lines/" + url.PathEscape(held), "/records/" + name, "/handover"} {
		b.look(1280, 900, false)
		b.visit(path)
		want := js[int](b, `(() => {
			const can = Array.from(document.querySelectorAll("a[href], button:not(:disabled), input:not([type=hidden]):not(:disabled), select, textarea, summary, [tabindex='0']"))
				.filter((e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length > 0 && !e.closest("dialog:not([open])"));
			can.forEach((e) => { e.dataset.due = "1"; });
			window.unseen = [];
			return can.length;
		})()`)
		if want < 10 {
			t.Fatalf("%s: only %d things can be used", path, want)
		}
		for range want + 2 {
			b.keys(kb.Tab)
			js[bool](b, `(() => {
				const e = document.activeElement;
				if (e === document.body) return true;
				delete e.dataset.due;
				const s = getComputedStyle(e);
				if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) window.unseen.push(e.outerHTML.slice(0, 80));
				return true;
			})()`)
		}
		if left := js[[]string](b, `Array.from(document.querySelectorAll("[data-due]")).map((e) => e.outerHTML.slice(0, 100))`); len(left) > 0 {
			t.Errorf("%s: Tab does not reach %d of %d, such as %s", path, len(left), want, strings.Join(left[:min(3, len(left))], "\n"))
		}
		if unseen := js[[]string](b, `window.unseen`); len(unseen) > 0 {
			t.Errorf("%s: these do not show that they have the focus: %q", path, unseen[:min(3, len(unseen))])
		}
	}
}

// The keys that are listed do what the list says, and no key stands in it
// twice; they are off where one types, and for whoever has put them off.
func TestKeys(t *testing.T) {
	chromium(t)
	_, d, _ := demo(t)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.visit("/")
	b.live()
	b.shortcut("?")
	b.until(patience, "the list opens", `document.getElementById("keys-help").open`)
	if twice := js[bool](b, `(() => { const k = Array.from(document.querySelectorAll("#keys-help tbody kbd")).map((e) => e.textContent); return new Set(k).size !== k.length })()`); twice {
		t.Error("a key is listed twice")
	}
	b.keys(kb.Escape)
	b.until(patience, "it closes", `!document.getElementById("keys-help").open`)
	b.shortcut("/")
	b.until(patience, "the filter has the focus", `document.activeElement.id === "find"`)
	b.keys("cable 3")
	b.until(patience, "it is filtered", `document.querySelectorAll(".card").length === 1 && document.querySelector(".card").textContent.includes("cable 3")`)
	if got := js[string](b, `document.getElementById("find").value`); got != "cable 3" {
		t.Errorf("what was typed became %q", got)
	}
	b.visit("/")
	b.live()
	b.shortcut("n")
	b.until(patience, "the line that needs a person opens", fmt.Sprintf("decodeURIComponent(location.pathname) === %q", "/lines/"+held))
	b.live()
	b.shortcut("h")
	b.until(patience, "the hold has the focus", `document.activeElement.id === "hold"`)
	b.shortcut("b")
	b.until(patience, "the Bench page", `location.pathname === "/"`)
	b.live()
	js[bool](b, `(() => { localStorage.setItem("linehand-keys", "off"); return true })()`)
	b.shortcut("?")
	if js[bool](b, `document.getElementById("keys-help").open`) {
		t.Error("keys that are put off still work")
	}
}
