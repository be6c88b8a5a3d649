package settings

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
)

func flags(t *testing.T, args ...string) *pflag.FlagSet {
	t.Helper()
	f := pflag.NewFlagSet("test", pflag.ContinueOnError)
	f.String("records", "", "")
	f.Int("speed", 0, "")
	f.Duration("away", 0, "")
	if err := f.Parse(args); err != nil {
		t.Fatal(err)
	}
	return f
}

func write(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOrder(t *testing.T) {
	t.Chdir(t.TempDir())
	file := write(t, "records: of-the-file\nspeed: 19200\naway: 90s\nperson: of the file\n")

	s, err := Load(flags(t), "")
	if err != nil {
		t.Fatal(err)
	}
	if s.Records != "records" || s.Speed != 0 || s.Away != 5*time.Minute || s.OnHold != "auto" || s.LogLevel != "warn" {
		t.Errorf("the defaults are %+v", s)
	}

	s, err = Load(flags(t), file)
	if err != nil {
		t.Fatal(err)
	}
	if s.Records != "of-the-file" || s.Speed != 19200 || s.Away != 90*time.Second || s.Person != "of the file" {
		t.Errorf("with a file: %+v", s)
	}

	t.Setenv("LINEHAND_RECORDS", "of-the-environment")
	t.Setenv("LINEHAND_SPEED", "38400")
	t.Setenv("LINEHAND_ON_HOLD", "end")
	s, err = Load(flags(t, "--speed", "57600"), file)
	if err != nil {
		t.Fatal(err)
	}
	if s.Records != "of-the-environment" || s.Speed != 57600 || s.OnHold != "end" || s.Away != 90*time.Second {
		t.Errorf("with all of them: %+v", s)
	}
}

func TestFileInTheWorkingFolder(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile(File, []byte("person: here\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Load(flags(t), "")
	if err != nil || s.Person != "here" {
		t.Errorf("got %+v, %v", s, err)
	}
}

func TestRefused(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, test := range []struct{ text, want string }{
		{"colour: red\n", `there is no setting "colour"`},
		{"speed: fast\n", `speed: "fast" is not a number`},
		{"speed: -1\n", `speed: "-1" is not a number`},
		{"speed: 96.5\n", `speed: "96.5" is not a number`},
		{"away: soon\n", `away: "soon" is not a duration`},
		{"on-hold: wait\n", `on-hold: "wait" is none of ask, end and auto`},
		{"records: [\n", "settings.yaml"},
	} {
		if _, err := Load(flags(t), write(t, test.text)); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%q: %v, want %q", test.text, err, test.want)
		}
	}
	if _, err := Load(flags(t), "not-there.yaml"); err == nil {
		t.Error("a settings file that was named and is not there is no error")
	}
}
