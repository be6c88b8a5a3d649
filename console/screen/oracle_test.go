package screen

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/hinshun/vt10x"
	"pgregory.net/rapid"
)

// oracle is the visible screen as a general-purpose terminal emulation
// library has it. It takes the bytes in one piece, as that library loses
// characters that are split over writes.
func oracle(cols, rows int, data []byte) (screen []string, row, col int) {
	term := vt10x.New(vt10x.WithSize(cols, rows))
	term.Write(data)
	for line := range strings.Lines(term.String()) {
		screen = append(screen, strings.TrimRight(line, " \n"))
	}
	c := term.Cursor()
	return screen, c.Y, c.X
}

func compare(t interface {
	Helper()
	Fatalf(string, ...any)
}, cols, rows int, data []byte) {
	t.Helper()
	s := New(cols, rows)
	s.Write(data)
	want, row, col := oracle(cols, rows, data)
	if d := cmp.Diff(want, s.Rows()); d != "" {
		t.Fatalf("%q: the screen differs from the emulator's (- emulator, + ours):\n%s", data, d)
	}
	if y, x := s.Cursor(); y != row || x != col {
		t.Fatalf("%q: cursor at %d, %d; the emulator has it at %d, %d", data, y, x, row, col)
	}
}

// TestRecorded compares every recording in testdata with the emulator, and
// checks that it resolves the same in pieces of 16 bytes. Recordings are the
// raw bytes of a console, named for what they are: NAME.bytes.
func TestRecorded(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("testdata", "*.bytes"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			compareRecording(t, data)
		})
	}
}

// TestLikeRecorded does the same for streams composed after the manner of
// real consoles, one habit each.
func TestLikeRecorded(t *testing.T) {
	var boot strings.Builder
	for i := range 300 {
		fmt.Fprintf(&boot, "[%5d.%06d] port %d: link is \x1b[32mup\x1b[0m, 1000 Mb/s\r\n", i/7, i*131071%1000000, i)
	}
	for name, text := range map[string]string{
		"boot log":          boot.String(),
		"countdown":         "Press a key to stop:  3 " + "\b\b\b 2 " + "\b\b\b 1 " + "\b\b\b 0 \r\n=> ",
		"erased hint":       "\x1b[0;1;38:5:185mName: (press TAB for no echo) \x1b[0m" + strings.Repeat("\b \b", 24) + "***\r\n",
		"cursor report":     "\r\n~ # \x1b[6n",
		"bracketed paste":   "\x1b[?2004huser$ ls\r\n\x1b[?2004l\rfile\r\n",
		"line editor, edge": "$ " + strings.Repeat("x", 77) + "y \r" + "z" + "\r\n",
		"pager":             "one\r\n--More--\r        \rtwo\r\n--More--\b\b\b\b\b\b\b\b        \b\b\b\b\b\b\b\bthree\r\n",
		"three line ends":   "a\r\nb\r\r\nc\n\rd",
		"UTF-8":             "‣ Näme für Gerät „X“: ",
		"panel":             "\x1b[2J\x1b[H+----+\x1b[2;1H|    |\x1b[3;1H+----+\x1b[2;3Hok\x1b[5;1H\x1b[K> ",
	} {
		t.Run(name, func(t *testing.T) { compareRecording(t, []byte(text)) })
	}
}

func compareRecording(t *testing.T, data []byte) {
	compare(t, 80, 24, data)
	whole, pieces := New(80, 24), New(80, 24)
	whole.Write(data)
	for rest := data; len(rest) > 0; {
		n := min(16, len(rest))
		pieces.Write(rest[:n])
		rest = rest[n:]
	}
	if d := cmp.Diff(whole.Tail(0), pieces.Tail(0)); d != "" {
		t.Errorf("in pieces of 16 bytes the text differs: %s", d)
	}
}

// What the emulator is known to get wrong is left out of the random streams:
// parameters of 0 or left out, ED 1 on the second row, RIS, CAN and SUB,
// bytes between parameters and final byte, wide and combining characters,
// insert mode. It also keeps the wait at the right edge across erasing (the
// kernel's console does not), so erasing is preceded by a move.
func TestRandomStreams(t *testing.T) {
	const cols, rows = 20, 8
	number := rapid.IntRange(1, 25)
	text := rapid.Map(rapid.StringMatching(`[ -~é‣]{1,25}`), func(s string) string { return s })
	control := rapid.SampledFrom([]string{"\r\n", "\n", "\r", "\b", "\t", "\r\r\n", "\x00", "\x07", "\x1bD", "\x1bE", "\x1bM", "\x1b7", "\x1b8", "\x1b[1;31m", "\x1b[?25l", "\x1b(B", "\x1b]0;title\x07", "\x1bPq\x1b\\"})
	move := rapid.Custom(func(t *rapid.T) string {
		final := rapid.SampledFrom(strings.Split("A B C D E F G d e a ` I Z", " ")).Draw(t, "final")
		return fmt.Sprintf("\x1b[%d%s", number.Draw(t, "n"), final)
	})
	position := rapid.Custom(func(t *rapid.T) string {
		return fmt.Sprintf("\x1b[%d;%d%s", number.Draw(t, "row"), number.Draw(t, "col"), rapid.SampledFrom([]string{"H", "f"}).Draw(t, "final"))
	})
	edit := rapid.Custom(func(t *rapid.T) string {
		at := position.Draw(t, "at")
		switch final := rapid.SampledFrom(strings.Split("J K @ P L M X S T", " ")).Draw(t, "final"); final {
		case "J":
			return at + rapid.SampledFrom([]string{"\x1b[J", "\x1b[2J"}).Draw(t, "erase")
		case "K":
			return at + rapid.SampledFrom([]string{"\x1b[K", "\x1b[1K", "\x1b[2K"}).Draw(t, "erase")
		default:
			return at + fmt.Sprintf("\x1b[%d%s", number.Draw(t, "n"), final)
		}
	})
	stream := rapid.SliceOf(rapid.OneOf(text, text, control, control, move, position, edit))
	t.Run("whole screen", rapid.MakeCheck(func(t *rapid.T) {
		compare(t, cols, rows, []byte(strings.Join(stream.Draw(t, "stream"), "")))
	}))
	inside := rapid.SliceOf(rapid.OneOf(text, control, position, edit))
	t.Run("scroll region", rapid.MakeCheck(func(t *rapid.T) {
		top := rapid.IntRange(1, rows-1).Draw(t, "top")
		bottom := rapid.IntRange(top+1, rows).Draw(t, "bottom")
		region := fmt.Sprintf("\x1b[%d;%dr", top, bottom)
		compare(t, cols, rows, []byte(strings.Join(stream.Draw(t, "before"), "")+region+strings.Join(inside.Draw(t, "inside"), "")))
	}))
}

func BenchmarkPlainText(b *testing.B) {
	line := []byte("The quick brown fox jumps over the lazy dog, port 17 is up, 1000 Mb/s\r\n")
	data := bytes.Repeat(line, 1<<20/len(line))
	for _, size := range []int{len(data), 1024, 16} {
		b.Run(fmt.Sprintf("pieces of %d", size), func(b *testing.B) {
			s := New(80, 24)
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				for rest := data; len(rest) > 0; {
					n := min(size, len(rest))
					s.Write(rest[:n])
					rest = rest[n:]
				}
			}
		})
	}
}

func BenchmarkColourAndLines(b *testing.B) {
	line := []byte("\x1b[0;32m[  OK  ]\x1b[0m Started some service \xe2\x80\xa3 with a name.\r\n")
	data := bytes.Repeat(line, 1<<20/len(line))
	s := New(80, 24)
	s.OnLine(func(Line) {})
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		s.Write(data)
	}
}

func BenchmarkNewScreen(b *testing.B) {
	b.ReportAllocs() // bytes a screen
	for b.Loop() {
		New(80, 24)
	}
}

func BenchmarkSince(b *testing.B) {
	s := New(80, 24)
	s.Write(bytes.Repeat([]byte("some text on a row\r\n"), 300))
	p := s.Place()
	s.Write([]byte("answer\r\nrefused: no such port\r\nName of the unit: "))
	b.ReportAllocs()
	for b.Loop() {
		s.Since(p, 2048)
	}
}
