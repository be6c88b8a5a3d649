package script

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before it is committed")

func TestParseExample(t *testing.T) {
	d, err := Load("testdata/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if d.Name != "brackwater-s24" || len(d.Stages) != 7 || len(d.SHA256) != 64 {
		t.Errorf("read %q with %d stages, digest %q", d.Name, len(d.Stages), d.SHA256)
	}
	if diff := cmp.Diff([]string{"join-hydro", "shelf-admin"}, d.SecretNames()); diff != "" {
		t.Errorf("secrets (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"firmware", "serial"}, d.FactNames()); diff != "" {
		t.Errorf("facts (-want +got):\n%s", diff)
	}
	signIn := d.Stages[0].Exchanges
	if x := signIn[0]; x.Press == nil || x.Press.Bytes != " " || !x.AtOnce || x.Echo != EchoNone {
		t.Errorf("the countdown's exchange is %+v", x)
	}
	if x := signIn[2]; x.Echo != EchoHidden || len(x.Prompts) != 2 {
		t.Errorf("the pass phrase's exchange is %+v", x)
	}
	if d.Stages[1].Within != DefaultWithin || d.Wake.Within != 12*time.Minute || d.Redraw.Bytes != "\x12" {
		t.Errorf("times or keys are off: %v, %v, %q", d.Stages[1].Within, d.Wake, d.Redraw.Bytes)
	}
	title, err := d.Stages[4].Title(shelf())
	if err != nil || title != "port e0" {
		t.Errorf("title %q, %v", title, err)
	}
	if len(d.Before) != 3 || len(d.After) != 2 || !d.BeforeSaid || !d.AfterSaid {
		t.Errorf("%d steps before and %d after", len(d.Before), len(d.After))
	}
	if s := d.Before[1]; s.General != "drives" || !strings.HasPrefix(s.Picture, "+----+") || s.Source != CommonPractice || s.Required != nil || s.Do != nil {
		t.Errorf("the changed step is %+v", s)
	}
	if s := d.Before[2]; s.Required == nil || !*s.Required || s.Pos.Line != 23 || s.Good == nil {
		t.Errorf("the own step is %+v", s)
	}
	if s := d.Serves; s.Within != 12*time.Minute || s.Every != 2*time.Second || len(s.Looks) != 2 || s.Looks[0].Port != 0 || s.Looks[1].Port != 443 {
		t.Errorf("serves is %+v", s)
	}
	reads := d.Stages[5].Exchanges
	if r := reads[0].Reads[0]; r.As != AsTime || r.Within != 30*time.Second || r.Equals != nil {
		t.Errorf("the clock's read-back is %+v", r)
	}
	if r := reads[2].Reads[0]; r.Open == nil || !r.Open.Regexp {
		t.Errorf("the check's read-back is %+v", r)
	}
}

// minimal is a dialogue around the stages of a test.
func minimal(stages string) string {
	return "format: linehand.dialogue/1\nname: tamsin-p8\nfacts: {serial: 'S/N (\\S+)'}\nstages:\n" + stages
}

func mustParse(t testing.TB, text string) *Dialogue {
	t.Helper()
	d, err := Parse("d.yaml", []byte(text))
	if err != nil {
		t.Fatalf("%v\nin\n%s", err, text)
	}
	return d
}

func TestAnswersStayAsWritten(t *testing.T) {
	for _, word := range []string{"0123", "1.10", "y", "n", "yes", "No", "on", "off", "0x1F", "1e3", "12:30:45", "1_000", "'~'", "'null'", "true"} {
		d := mustParse(t, minimal("  - stage: a\n    exchanges: [{prompt: 'P:', answer: "+word+"}]\n"))
		pieces, err := d.Stages[0].Exchanges[0].Answer.Render(nil)
		want := []Piece{{Text: strings.Trim(word, "'")}}
		if diff := cmp.Diff(want, pieces); err != nil || diff != "" {
			t.Errorf("%s: %v (-want +got):\n%s", word, err, diff)
		}
	}
}

// TestBadFiles holds each file of testdata/bad against the exact words that
// it draws.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, path := range files {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			src, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Parse(name, src)
			if err == nil {
				t.Fatal("was read without a fault")
			}
			golden(t, strings.TrimSuffix(path, ".yaml")+".golden", err.Error()+"\n")
		})
	}
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}

func TestFloodOfFaultsIsCutShort(t *testing.T) {
	_, err := Parse("d.yaml", []byte("format: linehand.dialogue/1\nstages: ["+strings.Repeat("[],", 150)+"[]"+"]\n"))
	faults, ok := err.(Errors)
	if !ok || len(faults) != maxFaults+1 {
		t.Fatalf("%d faults", len(faults))
	}
	// 151 stages, each at fault, and the missing name.
	if got, want := faults[maxFaults].What, "52 more faults from here on"; got != want {
		t.Errorf("the last says %q, want %q", got, want)
	}
}

func TestLoadTellsWhatIsMissing(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); err == nil || !strings.HasPrefix(err.Error(), "read dialogue: open ") {
		t.Errorf("got %v", err)
	}
	large := filepath.Join(t.TempDir(), "large.yaml")
	if err := os.WriteFile(large, []byte(strings.Repeat("#", maxFileBytes+1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(large); err == nil || !strings.Contains(err.Error(), "larger than 1 MiB") {
		t.Errorf("got %v", err)
	}
}

// TestFormatPage: the page's example is the file of the tests, word for
// word, and every key that the parser knows has a place on the page.
func TestFormatPage(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	example, err := os.ReadFile("testdata/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), "```yaml\n"+string(example)+"```\n") {
		t.Error("FORMAT.md does not hold testdata/example.yaml as it is")
	}
	for _, name := range strings.Fields(`format name title line wake redraw identity facts chatter queries stop-on stages
		speed framing flow enter settle pace erase columns press every within text because
		stage each needed looks exchanges refused-by if-refused until finish
		before after serves step general do caution source picture good otherwise required values must-show label value
		looks address by port open place supplies lift storage
		prompt answer when echo times at-once sometimes reads what as regexp equals keep`) {
		if !strings.Contains(string(page), "`"+name+"`") {
			t.Errorf("FORMAT.md does not explain `%s`", name)
		}
	}
	for _, name := range allowedFunctions {
		if !strings.Contains(string(page), "`"+name+"`") {
			t.Errorf("FORMAT.md does not list the function `%s`", name)
		}
	}
}

// TestNearestKey mistypes each key of an exchange by one letter left out.
func TestNearestKey(t *testing.T) {
	for _, key := range strings.Fields("prompt answer press when needed enter echo times at-once sometimes settle reads refused-by") {
		for i := range key {
			mistyped := key[:i] + key[i+1:]
			_, err := Parse("d.yaml", []byte(minimal("  - stage: a\n    exchanges: [{"+mistyped+": x}]\n")))
			if err == nil || !strings.Contains(err.Error(), `an exchange has no key "`+mistyped+`"; did you mean "`+key+`"?`) {
				t.Errorf("%s: %v", mistyped, err)
			}
		}
	}
}
