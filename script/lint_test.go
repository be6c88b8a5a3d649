package script

import (
	"os"
	"path/filepath"
	"testing"
)

func TestTry(t *testing.T) {
	files, _ := filepath.Glob("../fixtures/dialogues/*.yaml")
	files = append(files, "testdata/example.yaml")
	for _, f := range files {
		src, _ := os.ReadFile(f)
		d, err := Parse(filepath.Base(f), src)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, x := range Lint(d) {
			t.Log(x)
		}
		for _, x := range LintValues(d, shelf()) {
			t.Log(x)
		}
	}
}
