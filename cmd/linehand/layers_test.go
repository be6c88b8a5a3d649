package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// ban says what packages must not come to depend on, and why. A path that
// ends in /… takes the packages below it along.
type ban struct {
	from, to string
	reason   string
	direct   bool // only what the package itself imports counts
}

// bans are the table of DEVELOPERS.md as a test.
var bans = []ban{
	{from: "console/…", to: "script/…", reason: "a line knows only bytes and times"},
	{from: "console/…", to: "transcript/…", reason: "a line knows only bytes and times"},
	{from: "console/reach", to: "console/serial", reason: "a look over the network opens no line"},
	{from: "console/reach", to: "console/ssh", reason: "a look signs in nowhere"},
	{from: "console/screen", to: "console/serial", reason: "text is resolved the same from any line"},
	{from: "transcript", to: "script/…", reason: "a record is a place to put events, and can be read without a dialogue"},
	{from: "transcript", to: "console/…", reason: "a record is a place to put events, whatever the line"},
	{from: "transcript/…", to: "script/engine", reason: "a record is judged by what stands in it, not by what would be decided today"},
	{from: "transcript/…", to: "script/player", reason: "reading a record starts no run"},
	{from: "transcript/…", to: "console/serial", reason: "reading a record opens no line"},
	{from: "script", to: "script/site", reason: "a dialogue is for a kind of unit, not for a site"},
	{from: "script", to: "script/plan", reason: "a dialogue is for a kind of unit, not for a site"},
	{from: "script", to: "transcript/…", reason: "only the player records"},
	{from: "script/site", to: "script/plan", reason: "the profile is read before it is worked out"},
	{from: "script/site", to: "script/secret", reason: "a profile only refers to secrets"},
	{from: "script/plan", to: "script/secret", reason: "a plan holds no secret"},
	{from: "script/plan", to: "script/engine", reason: "the plan is made before a run"},
	{from: "script/plan/sums", to: "script/secret", reason: "sums compare references; values are handed to them"},
	{from: "script/plan/sums", to: "os", direct: true, reason: "sums open no file"},
	{from: "script/plan/rack", to: "script/…", reason: "a sum is arithmetic on numbers"},
	{from: "script/plan/power", to: "script/…", reason: "a sum is arithmetic on numbers"},
	{from: "script/plan/lift", to: "script/…", reason: "a sum is arithmetic on numbers"},
	{from: "script/plan/disk", to: "script/…", reason: "a sum is arithmetic on numbers"},
	{from: "script/plan/schedule", to: "script/…", reason: "a sum is arithmetic on numbers"},
	{from: "script/steps", to: "script/site", reason: "steps are worked out from values, not from files"},
	{from: "script/steps", to: "script/plan", reason: "steps are worked out from values, whoever made them"},
	{from: "script/steps", to: "transcript/…", reason: "who has a step ticked also records it"},
	{from: "script/steps", to: "os", direct: true, reason: "the general set is in the program: it opens no file"},
	{from: "script/visit", to: "script/site", reason: "a visit is given its unit's values"},
	{from: "script/visit", to: "script/plan", reason: "a visit is given its unit's values"},
	{from: "script/visit", to: "script/steps", reason: "a visit is given its steps, wherever they are from"},
	{from: "script/visit", to: "script/secret", reason: "a visit fetches secrets by name"},
	{from: "script/visit", to: "console/reach", reason: "a visit is given who looks over the network"},
	{from: "script/visit", to: "console/ssh", reason: "a visit is given open lines"},
	{from: "script/visit", to: "console/serial", reason: "a visit is given open lines"},
	{from: "script/visit", to: "os", direct: true, reason: "a visit opens no file"},
	{from: "script/visit", to: "net", direct: true, reason: "a visit opens no socket"},
	{from: "cmd/internal/network", to: "fixtures/…", reason: "a visit does not know whether its unit is simulated"},
	{from: "cmd/internal/guide", to: "cmd/internal/station", direct: true, reason: "a guide is laid out from values"},
	{from: "script/engine", to: "script/steps", reason: "the engine speaks with the unit, not with the person"},
	{from: "script/vault", to: "script/site", reason: "a vault knows names and values, not what they are for"},
	{from: "script/site/sheet", to: "script/site", reason: "a worksheet is rows; what they mean the profile says"},
	{from: "cmd/internal/printout", to: "fixtures/…", reason: "a report is shown whatever it is of"},
	{from: "script/engine", to: "script/secret", reason: "the engine hands out secrets by name"},
	{from: "script/engine", to: "script/site", reason: "the engine knows values, not files"},
	{from: "script/engine", to: "transcript/…", reason: "the engine decides; the player records"},
	{from: "script/engine", to: "console/screen", reason: "the engine is given text"},
	{from: "script/engine", to: "script/player", reason: "the player drives the engine"},
	{from: "script/player", to: "script/site", reason: "a run is given its unit's values"},
	{from: "script/player", to: "console/serial", reason: "a run is given an open line"},
	{from: "script/player", to: "console/dial", reason: "a run is given an open line"},
	{from: "console/…", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "script/…", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "transcript/…", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "console/…", to: "cmd/…", reason: "the command stands on top"},
	{from: "script/…", to: "cmd/…", reason: "the command stands on top"},
	{from: "transcript/…", to: "cmd/…", reason: "the command stands on top"},
	{from: "fixtures/…", to: "cmd/…", reason: "the command stands on top"},
	{from: "cmd/internal/station", to: "fixtures/…", reason: "a run does not know whether its unit is simulated"},
	{from: "transcript/handover", to: "script/…", reason: "the document is made of records and of what the caller says is planned"},
	{from: "transcript/handover", to: "cmd/internal/pack", reason: "what a pack says does not depend on how it looks"},
	{from: "transcript/handover", to: "transcript/ledger", reason: "a pack is made of records, wherever they are kept"},
	{from: "cmd/internal/pack", to: "cmd/internal/station", direct: true, reason: "a pack is laid out from values, and runs nothing"},
	{from: "cmd/internal/pack", to: "script/player", direct: true, reason: "a pack is laid out from values, and runs nothing"},
	{from: "cmd/internal/pack", to: "script/secret", direct: true, reason: "a pack holds no secret"},
	{from: "cmd/internal/pack", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "cmd/internal/orders/…", to: "console/…", reason: "an order is names and states, whatever plays it"},
	{from: "cmd/internal/orders/…", to: "script/…", reason: "an order is names and states, whatever plays it"},
	{from: "cmd/internal/orders/…", to: "transcript/…", reason: "a record is kept as bytes under a name"},
	{from: "cmd/internal/paper", to: "console/…", reason: "paper takes text, whatever it is about"},
	{from: "cmd/internal/paper", to: "script/…", reason: "paper takes text, whatever it is about"},
	{from: "cmd/internal/paper", to: "transcript/…", reason: "paper takes text, whatever it is about"},
	{from: "cmd/internal/paper", to: "os", direct: true, reason: "the same text gives the same bytes: it opens no file"},
	{from: "cmd/internal/worksheet", to: "codeberg.org/go-pdf/fpdf", direct: true, reason: "a document is begun in one place"},
	{from: "cmd/internal/pack", to: "codeberg.org/go-pdf/fpdf", direct: true, reason: "a document is begun in one place"},
	{from: "cmd/internal/bench", to: "cmd/internal/orders", reason: "the daemon is told of orders through an interface, wherever they are kept"},
	{from: "cmd/internal/bench", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "cmd/internal/bench", to: "cmd/internal/desk", reason: "holds of a bench go to whoever watches it, not to a terminal"},
	{from: "cmd/internal/bench", to: "net/http", direct: true, reason: "the daemon serves nothing; what does stands on it"},
	{from: "cmd/internal/bench/benchtest", to: "cmd/internal/orders", reason: "a bench in memory has no store"},
	{from: "script/player", to: "cmd/internal/bench", reason: "a run does not know who watches it"},
	{from: "cmd/internal/desk", to: "cmd/internal/station", reason: "the desk sees holds, and nothing else of a run"},

	{from: "cmd/internal/access", to: "cmd/internal/orders", reason: "who may do what does not depend on where the work is kept"},
	{from: "cmd/internal/access", to: "cmd/internal/api", reason: "the gate stands before the API, and knows nothing of it"},
	{from: "cmd/internal/archive", to: "script/player", direct: true, reason: "who reads records plays nothing"},
	{from: "cmd/internal/archive", to: "cmd/internal/access", reason: "records are read by whoever was let in before"},
	{from: "cmd/internal/api", to: "script/player", direct: true, reason: "the API steers a bench, and plays nothing itself"},
	{from: "cmd/internal/api", to: "script/secret", direct: true, reason: "the API hands a secret over, and fetches none"},
	{from: "cmd/internal/api", to: "cmd/internal/web", reason: "the API mounts pages, and makes none"},
	{from: "cmd/internal/web", to: "script/player", direct: true, reason: "pages show a bench, and play nothing"},
	{from: "cmd/internal/web", to: "script/secret", direct: true, reason: "no secret gets to a page"},
	{from: "cmd/internal/web", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "cmd/internal/api", to: "fixtures/…", reason: "what ships does not depend on the simulated units"},
	{from: "cmd/internal/bench", to: "net/http", direct: true, reason: "a bench knows nothing of pages and browsers"},

	{from: "script/engine", to: "os", direct: true, reason: "the engine is pure"},
	{from: "script/engine", to: "net", direct: true, reason: "the engine is pure"},
	{from: "script/engine", to: "sync", direct: true, reason: "the engine starts no goroutine"},
	{from: "script/engine", to: "log", direct: true, reason: "the engine says what it has to say in its decisions"},
	{from: "script/plan", to: "os", direct: true, reason: "a plan opens no file"},
	{from: "script/plan", to: "net", direct: true, reason: "a plan asks no network"},
	{from: "script/plan", to: "time", direct: true, reason: "the same profile gives the same plan at any time"},
	{from: "transcript/handover", to: "os", direct: true, reason: "the same records give the same document: it opens no file"},
	{from: "cmd/internal/pack", to: "math/rand/v2", direct: true, reason: "the same records give the same bytes"},
	{from: "console", to: "os", direct: true, reason: "what a line is does not depend on the system"},
	{from: "script/…", to: "github.com/spf13/viper", reason: "viper changes what people write; it is for settings only"},
	{from: "script/site", to: "encoding/json", direct: true, reason: "a profile is read strictly, by its nodes"},
}

// listed is what go list tells of a package.
type listed struct {
	ImportPath, Dir string
	Standard        bool
	GoFiles, Deps   []string
	Imports         []string
}

const module = "linehand"

func list(t *testing.T) map[string]listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-deps", "-json=ImportPath,Dir,Standard,GoFiles,Deps,Imports", module+"/...")
	cmd.Stderr = &bytes.Buffer{}
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, cmd.Stderr)
	}
	all := make(map[string]listed)
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		all[p.ImportPath] = p
	}
}

// matches tells whether a package is what a ban names. Paths of ours are
// written without the module.
func matches(pattern, path string) bool {
	own := strings.TrimPrefix(path, module+"/")
	if base, below := strings.CutSuffix(pattern, "/…"); below {
		return own != path && (own == base || strings.HasPrefix(own, base+"/"))
	}
	return own == pattern
}

func TestLayers(t *testing.T) {
	all := list(t)
	for _, b := range bans {
		found := false
		for path, p := range all {
			found = found || matches(b.to, path)
			if !matches(b.from, path) {
				continue
			}
			deps := p.Deps
			if b.direct {
				deps = p.Imports
			}
			for _, dep := range deps {
				if matches(b.to, dep) {
					t.Errorf("%s depends on %s: %s", path, dep, b.reason)
				}
			}
		}
		if !found {
			t.Errorf("the ban of %s for %s bans nothing: there is no such package any more", b.to, b.from)
		}
	}
}

// TestLayersNotice makes sure that the test above can fail.
func TestLayersNotice(t *testing.T) {
	for _, test := range []struct {
		pattern, path string
		want          bool
	}{
		{"console/…", "linehand/console", true},
		{"console/…", "linehand/console/serial", true},
		{"console/…", "linehand/consoles", false},
		{"script", "linehand/script/plan", false},
		{"os", "os", true},
		{"os", "linehand/os", true},
		{"script/…", "example.net/script", false},
	} {
		if got := matches(test.pattern, test.path); got != test.want {
			t.Errorf("matches(%q, %q) = %v", test.pattern, test.path, got)
		}
	}
}

// TestOneComment: each package says in exactly one file what it is for, and
// none has a name that says nothing.
func TestOneComment(t *testing.T) {
	for path, p := range list(t) {
		if path != module && !strings.HasPrefix(path, module+"/") {
			continue
		}
		if slices.Contains([]string{"util", "utils", "common", "helpers", "manager", "misc"}, filepath.Base(path)) {
			t.Errorf("%s: a package is named for what it does", path)
		}
		var with []string
		for _, name := range p.GoFiles {
			f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(p.Dir, name), nil, parser.PackageClauseOnly|parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			if f.Doc != nil {
				with = append(with, name)
			}
		}
		if len(with) != 1 && len(p.GoFiles) > 0 {
			t.Errorf("%s has %d files with a package comment, want 1: %v", path, len(with), with)
		}
	}
}
