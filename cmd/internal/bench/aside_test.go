package bench

import "testing"

func TestAside(t *testing.T) {
	var a aside
	a.Put("h", []byte("one"))
	if s, ok := a.Take("h"); !ok || string(s) != "one" {
		t.Errorf("took %q, %t", s, ok)
	}
	if _, ok := a.Take("h"); ok {
		t.Error("a secret could be taken twice")
	}
}
