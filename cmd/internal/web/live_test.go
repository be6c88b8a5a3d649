package web_test

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"linehand/cmd/internal/bench"
)

// What changes is put into the page, and nothing else of it: what is being
// typed, chosen or looked at stays.
func TestChangesComeInByThemselves(t *testing.T) {
	chromium(t)
	fake, d, _ := demo(t)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.visit("/")
	b.live()
	b.click(`#needing-h ~ .cards input[type=checkbox]`)
	js[bool](b, `(() => { window.kept = document.querySelector("#others-h ~ .cards .card"); document.getElementById("state").focus(); return true })()`)
	l, err := fake.Line(playing)
	must(t, err)
	l.Stage, l.No, l.Left = "pool", 7, 45
	fake.Set(l)
	b.until(patience, "the new stage shows", `document.querySelector("#lines").textContent.includes("stage 7 of 9: pool") && document.querySelector("#lines").textContent.includes("less than a minute left")`)
	l.State, l.Person, l.Why = bench.Holding, true, "a question"
	fake.Set(l)
	b.until(patience, "it moves to those that need a person", `document.querySelector("#needing-h ~ .cards").textContent.includes("cable 1")`)
	b.said("cable 1: on hold")
	b.until(patience, "the title counts", `/^\(5\) /.test(document.title)`)
	if !js[bool](b, `document.querySelector("#needing-h ~ .cards input[type=checkbox]").checked`) {
		t.Error("what was chosen is lost")
	}
	if !js[bool](b, `document.activeElement.id === "state"`) {
		t.Error("the focus is lost")
	}
	fake.Print(held, bench.Shown{Screen: []string{hostile, "", "more> "}, Row: 2, Column: 6})
	b.visit("/lines/" + url.PathEscape(held))
	b.until(patience, "the screen comes", `document.getElementById("screen").textContent.includes("<script>alert(2)")`)
	fake.Print(held, bench.Shown{Screen: []string{"Pool:", "RAID 6"}, Row: 1, Column: 6})
	b.until(patience, "the next screen comes", `document.getElementById("screen").textContent.includes("Pool:\nRAID 6")`)
	if js[int](b, `document.querySelectorAll("#screen > :not(.cursor)").length`) != 0 {
		t.Error("text of a unit became markup")
	}
}

// Holds are released, units allowed and lines named through the API; what
// goes wrong is told in a sentence.
func TestActing(t *testing.T) {
	chromium(t)
	fake, d, _ := demo(t)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.visit("/")
	b.click(`.bar form:first-child button`)
	b.said("Choose units first")
	b.click(`#needing-h ~ .cards .pick input`)
	b.click(`#allow-chosen button`)
	b.said("They are allowed")
	b.visit("/lines/" + url.PathEscape(held))
	fake.Fail("Release", fmt.Errorf("%w: secret words", errors.New("disk full")))
	b.fill("#hand", "y")
	b.click(`#hand + button`)
	b.said("It failed; the bench's log says why.")
	if strings.Contains(js[string](b, `document.body.textContent`), "secret words") {
		t.Error("what was not written for people is told")
	}
	if got := js[string](b, `document.getElementById("hand").value`); got != "y" {
		t.Errorf("what was typed is lost after a fault: %q", got)
	}
	fake.Fail("Release", nil)
	b.click(`.choice button.danger`)
	b.until(patience, "it asks first", `document.getElementById("ask").open`)
	b.keys(kb.Escape)
	b.until(patience, "it is left", `!document.getElementById("ask").open`)
	b.click(`#hand + button`)
	b.said("It was typed.")
	b.until(patience, "the hold is gone", `!document.getElementById("hold")`)
	b.fill("#label", "blue cable")
	b.click(`#label + button`)
	b.until(patience, "the label shows", `document.querySelector("h1").textContent.includes("blue cable")`)
	var texts []string
	for _, c := range fake.Calls() {
		texts = append(texts, fmt.Sprintf("%s %s by %s", c.What, c.Text, c.By.Name))
	}
	want := []string{"Allow shelf-03 by Robin", "Release type  y by Robin", "Label blue cable by Robin"}
	if strings.Join(texts, ";") != strings.Join(want, ";") {
		t.Errorf("the bench was asked for %q, want %q", texts, want)
	}
}

// A keyboard is taken, every key goes to the unit in order, and it is given
// back.
func TestTyping(t *testing.T) {
	chromium(t)
	fake, d, _ := demo(t)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.visit("/lines/" + url.PathEscape(playing))
	b.click("#take-over button")
	b.until(patience, "the field has the focus", `document.activeElement.id === "typed"`)
	b.until(patience, "it says who types", `document.getElementById("keyboard-part").textContent.includes("You type on this line.")`)
	for _, c := range "10.0.0.1/24" {
		b.keys(string(c))
	}
	b.keys(kb.Backspace)
	b.keys(kb.ArrowUp)
	b.keys(kb.Enter)
	for _, key := range []string{"Tab", "Interrupt", "Enter"} {
		b.click(`[data-send="` + key + `"]`)
	}
	b.fill("#typed-secret", "not to be kept")
	b.click("#typed-secret + button")
	b.said("It was kept nowhere")
	if got := js[string](b, `document.getElementById("typed-secret").value`); got != "" {
		t.Error("the secret stays in the page")
	}
	b.click("#give-back button")
	b.until(patience, "it is given back", `document.getElementById("typing").hidden && document.querySelector("#take-over")`)
	var typed strings.Builder
	for _, c := range fake.Calls() {
		if c.What == "Type" {
			typed.WriteString(c.Text)
		}
	}
	if want := "10.0.0.1/24\x7f\x1b[A\r\t\x03\r"; typed.String() != want {
		t.Errorf("typed %q, want %q", typed.String(), want)
	}
}

// The policy is strict, the pages keep to it, and a session that is ended
// leads to where one signs in.
func TestStrictAndSignedOut(t *testing.T) {
	chromium(t)
	fake, d, records := demo(t)
	name := record(t, records, d.Plan().Plan.Units[0].Name, "Brackwater S24\r\n")
	base, link := serve(t, d)
	resp, err := http.Get(base + "/sign-in")
	must(t, err)
	wantWords(t, "the sign-in page", body(t, resp.Body), "Passphrase")
	resp.Body.Close()
	if policy := resp.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") {
		t.Errorf("policy %q", policy)
	}
	b := open(t, base, link)
	complaints := b.complaints()
	for _, path := range []string{"/", "/plan", "/lines/" + url.PathEscape(held), "/records/" + name, "/handover", "/people"} {
		b.visit(path)
		b.until(patience, "the style is there", `document.styleSheets.length === 1 && document.styleSheets[0].cssRules.length > 50`)
	}
	b.visit("/")
	b.live()
	if list := complaints(); len(list) > 0 {
		t.Errorf("the browser complains: %q", list)
	}
	for _, s := range d.Gate.Sessions() {
		d.Gate.EndSession(robin, s.ID)
	}
	fake.Tell("bench")
	b.until(patience, "it goes to sign-in", `location.pathname === "/sign-in"`)
}
