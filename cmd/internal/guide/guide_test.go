package guide

import (
	"bytes"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"linehand/script/visit"
)

var demo = Guide{Site: "Skerrymore <b>Lab</b>", Units: []Unit{{
	Name: "deep-1", Title: "First shelf", Kind: "brackwater-s24", Serial: "BW24-1", Place: "rack rack-1, unit 3", Plan: "abc",
	Before: []visit.Step{{Name: "strap", Do: "Put it on.", Caution: "Static.", Source: "IEC 61340-5-1", Required: true, Picture: "+--+", Good: "Checked.", Otherwise: "Another."}},
	Values: []visit.Value{{Label: "name", Value: "deep-1"}},
	After: []visit.Step{{Name: "page </script>", Do: "Enter the values.", MustShow: "Ready",
		Values: []visit.Value{{Label: "Address", Value: "192.0.2.21"}, {Label: "Secret", Value: "the secret shelf-admin", Secret: true}}}},
}}}

// TestPage reads the page as a browser would: HTML Living Standard for its
// shape, Content Security Policy Level 3 for what it may do.
func TestPage(t *testing.T) {
	var b, again bytes.Buffer
	if err := demo.HTML(&b); err != nil {
		t.Fatal(err)
	}
	if err := demo.HTML(&again); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Errorf("the same guide gives other bytes (%v)", err)
	}
	doc, err := html.Parse(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	ids, refs := map[string]bool{}, []string{}
	policy, script := "", ""
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		count[n.Data]++
		if n.Data == "script" && n.FirstChild != nil {
			script = n.FirstChild.Data
		}
		for _, a := range n.Attr {
			switch {
			case a.Key == "id":
				if ids[a.Val] {
					t.Errorf("two things have the id %s", a.Val)
				}
				ids[a.Val] = true
			case a.Key == "data-of" || a.Key == "aria-labelledby":
				refs = append(refs, a.Val)
			case a.Key == "content" && strings.Contains(a.Val, "default-src"):
				policy = a.Val
			case a.Key == "src" || a.Key == "style" || strings.HasPrefix(a.Key, "on"):
				t.Errorf("<%s> has %s=%q", n.Data, a.Key, a.Val)
			}
		}
	}
	for _, ref := range refs {
		if !ids[ref] {
			t.Errorf("nothing has the id %s", ref)
		}
	}
	if count["button"] != 2 || count["input"] != 4 || count["b"] != 0 || count["script"] != 1 {
		t.Errorf("it has %v", count)
	}
	if !strings.HasPrefix(policy, "default-src 'none';") || !strings.Contains(policy, "script-src "+digest(script)) || strings.Contains(policy, "unsafe") {
		t.Errorf("the policy is %s", policy)
	}
	for _, text := range []string{"Source: IEC 61340-5-1.", "required", "192.0.2.21", "The page must show:"} {
		if !strings.Contains(b.String(), text) {
			t.Errorf("it does not hold %q", text)
		}
	}
	// It needs no network.
	if at := regexp.MustCompile(`https?://`).FindString(b.String()); at != "" {
		t.Errorf("it names %s", at)
	}
}

func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := demo.Text(&b); err != nil {
		t.Fatal(err)
	}
	want := `deep-1, First shelf, brackwater-s24, BW24-1, rack rack-1, unit 3

Before power and the first boot
[ ] 1. strap (required): Put it on.
      CAUTION: Static. Source: IEC 61340-5-1.
      +--+
      good: Checked.
      otherwise: Another.

Values of the plan
      name: deep-1

Afterwards
[ ] 1. page </script>: Enter the values.
      Address: 192.0.2.21
      Secret: the secret shelf-admin
      the page must show: Ready
`
	if b.String() != want {
		t.Errorf("got\n%s", b.String())
	}
}
