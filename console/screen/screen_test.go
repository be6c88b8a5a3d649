package screen

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func feed(t testing.TB, s *Screen, text string) {
	t.Helper()
	if n, err := s.Write([]byte(text)); n != len(text) || err != nil {
		t.Fatalf("Write(%q) = %d, %v", text, n, err)
	}
}

// visible is the screen without its blank rows at the bottom.
func visible(s *Screen) string {
	return strings.TrimRight(strings.Join(s.Rows(), "\n"), "\n")
}

// The forms come from ECMA-48, 5th edition, the clause named with each: 5.4 as
// it stands there, the clauses of 8.3 by number and coding after
// published indexes of them. Where only a terminal's practice decides, the
// source is console_codes(4).
func TestSequences(t *testing.T) {
	tests := []struct{ name, source, in, want string }{
		{"CSI is ESC 5/11", "ECMA-48 5.4", "a\x1b[1mb", "ab"},
		{"parameter bytes 3/0 to 3/15", "ECMA-48 5.4", "a\x1b[0123456789:;<=>?mb", "ab"},
		{"private parameters", "ECMA-48 5.4.1", "a\x1b[<1mb\x1b[=1mc\x1b[>1md\x1b[?1me", "abcde"},
		{"intermediate bytes 2/0 to 2/15", "ECMA-48 5.4", "a\x1b[1 !\"#$%&'()*+,-./mb", "ab"},
		{"final bytes up to 7/14", "ECMA-48 5.4", "a\x1b[1pb\x1b[1~c", "abc"},
		{"DEL ends no sequence", "ECMA-48 5.4 (final bytes end at 7/14)", "a\x1b[1\x7fmb", "ab"},
		{"controls act inside", "console_codes(4)", "ab\x1b[3\r1mc", "cb"},
		{"CAN aborts", "console_codes(4)", "a\x1b[3\x181m", "a1m"},
		{"SUB aborts", "console_codes(4)", "a\x1b[3\x1a1m", "a1m"},
		{"ESC starts anew", "console_codes(4)", "a\x1b[3\x1b[1mb", "ab"},
		{"NUL does nothing", "RFC 20", "a\x00b", "ab"},
		{"DEL does nothing", "RFC 20", "a\x7fb", "ab"},
		{"BEL does nothing to text", "RFC 20", "a\ab", "ab"},
		{"BS", "ECMA-48 8.3.5", "abc\b\bX", "aXc"},
		{"BS stops at the first column", "console_codes(4)", "a\b\b\bX", "X"},
		{"CR", "ECMA-48 8.3.15", "abc\rX", "Xbc"},
		{"LF keeps the column", "ECMA-48 8.3.74", "abc\nd", "abc\n   d"},
		{"VT and FF as LF", "console_codes(4)", "a\vb\fc", "a\n b\n  c"},
		{"HT, stops every 8", "console_codes(4)", "a\tb\tc", "a       b       c"},
		{"CUU", "ECMA-48 8.3.22", "a\r\n\nb\x1b[2Ac", "ac\n\nb"},
		{"CUD", "ECMA-48 8.3.19", "a\x1b[2Bb", "a\n\n b"},
		{"CUF", "ECMA-48 8.3.20", "a\x1b[2Cb", "a  b"},
		{"CUB", "ECMA-48 8.3.18", "abc\x1b[2DX", "aXc"},
		{"CNL", "ECMA-48 8.3.12", "abc\x1b[2Ed", "abc\n\nd"},
		{"CPL", "ECMA-48 8.3.13", "a\r\nbc\x1b[Fd", "d\nbc"},
		{"CHA", "ECMA-48 8.3.9", "abcd\x1b[2GX", "aXcd"},
		{"CUP", "ECMA-48 8.3.21", "\x1b[2;3Ha\x1b[Hb", "b\n  a"},
		{"CUP, first parameter left out", "ECMA-48 5.4.2", "\x1b[;3Ha", "  a"},
		{"HVP", "ECMA-48 8.3.63", "\x1b[2;3fa", "\n  a"},
		{"VPA", "ECMA-48 8.3.158", "ab\x1b[3dc", "ab\n\n  c"},
		{"a position beyond the screen", "console_codes(4)", "\x1b[1;999Ha\x1b[99999999999;1H\x1b[Ab", strings.Repeat(" ", 79) + "a" + strings.Repeat("\n", 22) + "b"},
		{"HPA", "ECMA-48 8.3.57", "abcd\x1b[2`X", "aXcd"},
		{"HPR", "ECMA-48 8.3.59", "a\x1b[2ab", "a  b"},
		{"HPB", "ECMA-48 8.3.58", "abc\x1b[2jX", "aXc"},
		{"VPR", "ECMA-48 8.3.160", "a\x1b[2eb", "a\n\n b"},
		{"VPB", "ECMA-48 8.3.159", "a\r\n\nb\x1b[2kc", "ac\n\nb"},
		{"CHT", "ECMA-48 8.3.10", "a\x1b[2Ib", "a               b"},
		{"CBT", "ECMA-48 8.3.7", "0123456789ab\x1b[ZX", "01234567X9ab"},
		{"HTS", "ECMA-48 8.3.62", "abc\x1bH\r\tX", "abcX"},
		{"TBC 3", "ECMA-48 8.3.154", "\x1b[3g\tX", strings.Repeat(" ", 79) + "X"},
		{"SL is not ICH", "ECMA-48 8.3.121", "abc\x1b[2G\x1b[2 @X", "aXc"},
		{"ED 0", "ECMA-48 8.3.39", "abc\r\ndef\x1b[1;2H\x1b[J", "a"},
		{"ED 1", "ECMA-48 8.3.39", "abc\r\ndef\r\nghi\x1b[2;2H\x1b[1J", "\n  f\nghi"},
		{"ED 2", "ECMA-48 8.3.39", "abc\r\ndef\x1b[2Jg", "\n   g"},
		{"EL 0", "ECMA-48 8.3.41", "abc\x1b[2G\x1b[K", "a"},
		{"EL 1", "ECMA-48 8.3.41", "abc\x1b[2G\x1b[1K", "  c"},
		{"EL 2", "ECMA-48 8.3.41", "abc\x1b[2Kd", "   d"},
		{"ECH", "ECMA-48 8.3.38", "abcd\x1b[2G\x1b[2X", "a  d"},
		{"ICH", "ECMA-48 8.3.64", "abcd\x1b[2G\x1b[2@X", "aX bcd"},
		{"DCH", "ECMA-48 8.3.26", "abcd\x1b[2G\x1b[2P", "ad"},
		{"IL", "ECMA-48 8.3.67", "a\r\nb\r\nc\x1b[2H\x1b[L", "a\n\nb\nc"},
		{"DL", "ECMA-48 8.3.32", "a\r\nb\r\nc\x1b[2H\x1b[M", "a\nc"},
		{"SU", "ECMA-48 8.3.147", "a\r\nb\r\nc\x1b[S", "b\nc"},
		{"SD", "ECMA-48 8.3.113", "a\r\nb\x1b[T", "\na\nb"},
		{"REP", "ECMA-48 8.3.103", "ab\x1b[3bc", "abbbbc"},
		{"NEL", "ECMA-48 8.3.86", "ab\x1bEc", "ab\nc"},
		{"RI", "ECMA-48 8.3.104", "ab\r\n\x1bMc", "cb"},
		{"RIS", "ECMA-48 8.3.105", "ab\x1bcd", "d"},
		{"OSC up to ST", "ECMA-48 8.3.89", "a\x1b]0;title\x1b\\b", "ab"},
		{"OSC up to BEL", "common practice", "a\x1b]0;title\ab", "ab"},
		{"DCS, APC, PM, SOS", "ECMA-48 5.6", "a\x1bPq\x1b\\b\x1b_x\x1b\\c\x1b^y\x1b\\d\x1bXz\x1b\\e", "abcde"},
		{"CAN ends a string", "console_codes(4)", "a\x1b]0;t\x18b", "ab"},
		{"save and restore", "console_codes(4)", "ab\x1b7cd\x1b8X", "abXd"},
		{"designate a set", "ECMA-35 14.3", "a\x1b(Bb\x1b)0c", "abc"},
		{"0x9B is no CSI in UTF-8", "from memory", "a\xc4\x9bb", "aěb"},
		{"bytes that are not UTF-8", "Unicode 3.9, U+FFFD", "a\xffb\xc4c", "a\ufffdb\ufffdc"},
		{"combining mark", "Unicode 2.11", "e\u0301x", "e\u0301x"},
		{"wide characters", "UAX 11", "世x\x1b[3GY", "世Y"},
		{"half a wide character goes", "common practice", "世界\x1b[2GX", " X界"},
		{"wrap waits at the edge", "VT100, from memory", strings.Repeat("a", 80) + "\rb", "b" + strings.Repeat("a", 79)},
		{"wrap", "VT100, from memory", strings.Repeat("a", 80) + "b", strings.Repeat("a", 80) + "\nb"},
		{"worked example", "what the terminal library pyte 0.8.0 makes of it",
			"abc\r\x1b[2Kok\x1b[1;31mred\x1b[0m\r\nline2\bX\x1b[?25l\x1b[3;5HZ", "okred\nlineX\n    Z"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := New(80, 24)
			feed(t, s, tt.in)
			if got := visible(s); got != tt.want {
				t.Errorf("%s: %q gives\n%q, want\n%q", tt.source, tt.in, got, tt.want)
			}
		})
	}
}

func TestLines(t *testing.T) {
	long := strings.Repeat("0123456789", 17)
	tests := []struct {
		name, in string
		want     []string
	}{
		{"CR LF", "one \r\ntwo\r\nthree", []string{"one", "two"}},
		{"CR CR LF", "one\r\r\ntwo\r\r\n", []string{"one", "two"}},
		{"LF CR", "one\n\rtwo\n\r", []string{"one", "two"}},
		{"empty", "\r\n\r\n", []string{"", ""}},
		{"redrawn", "wait 3\b2\b1\r\n", []string{"wait 1"}},
		{"soft-wrapped", long + "\r\nb\r\n", []string{long, "b"}},
		{"full row, then CR LF", strings.Repeat("x", 80) + "\r\nb\r\n", []string{strings.Repeat("x", 80), "b"}},
		{"many rows", strings.Repeat("a\r\n", 1000), slicesRepeat("a", 1000)},
		{"wide at the edge", strings.Repeat("x", 79) + "世\r\n", []string{strings.Repeat("x", 79) + "世"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := New(80, 24)
			var got []string
			s.OnLine(func(l Line) {
				if l.No != int64(len(got)) {
					t.Errorf("line %q has number %d, want %d", l.Text, l.No, len(got))
				}
				got = append(got, l.Text)
			})
			feed(t, s, tt.in)
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func slicesRepeat(text string, n int) []string {
	return strings.Split(strings.Repeat(text+"\n", n-1)+text, "\n")
}

func TestSince(t *testing.T) {
	tests := []struct{ name, before, after, want string }{
		{"nothing new", "login: ", "", ""},
		{"echo", "login: ", "root", "root"},
		{"echo with blanks", "login: ", "a  ", "a  "},
		{"answer and prompt", "login: ", "root\r\nPassword: ", "root\nPassword: "},
		{"prompt ends in a colour reset and NUL", "x", "\r\n\x1b[1mName: \x1b[0m\x00", "\nName: "},
		{"prompt ends in a line end", "x", "\r\nName:  \r\n", "\nName:\n"},
		{"pager wiped", "--More--", "\r        \rnext line", "next line"},
		{"pager wiped by EL", "--More--", "\r\x1b[Knext line\r\n--More--", "next line\n--More--"},
		{"hint rubbed out", "Name: (press TAB)", strings.Repeat("\b \b", 11) + "*", "*"},
		{"hint being rubbed out", "Name: (press TAB)", strings.Repeat("\b \b", 11), ""},
		{"countdown", "stop:  3 ", "\b\b\b 2 ", "2 "},
		{"repainted prompt and echo", "login: ", "\rlogin: ro", "ro"},
		{"another prompt over the first", "Password: ", "\rPassword again: ", "Password again: "},
		{"form repainted from the top left", "a\r\nb\r\nc: ", "\x1b[Hform\r\nName:", "form\nName:\nc:"},
		{"screen erased, cursor home", "a\r\nb\r\nc: ", "\x1b[2J\x1b[HName: ", "\nName: "},
		{"home, then erased to the end", "a\r\nb\r\nc: ", "\x1b[H\x1b[JName: ", "\nName: "},
		{"reset", "a\r\nb\r\nc: ", "\x1bcName: ", "\nName: "},
		{"reset, place on a blank row", "a\r\n\n\n", "\x1bcName: ", "Name: "},
		{"scrolled", "a: ", strings.Repeat("\r\nx", 100), strings.Repeat("\nx", 100)},
		{"wrapped echo", strings.Repeat("p", 78), "abcd", "abcd"},
		{"place at the edge", strings.Repeat("p", 80), "abcd", "abcd"},
		{"in a scroll region", "\x1b[1;5r\x1b[5;1Ha: ", "x\r\ny\r\nz: ", "x\ny\nz: "},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := New(80, 24)
			feed(t, s, tt.before)
			p := s.Place()
			feed(t, s, tt.after)
			if got := s.Since(p, 0); got != tt.want {
				t.Errorf("after %q, %q: got\n%q, want\n%q", tt.before, tt.after, got, tt.want)
			}
		})
	}
}

func TestSinceLimit(t *testing.T) {
	s := New(80, 24)
	feed(t, s, "aé世x")
	for limit, want := range map[int]string{0: "aé世x", 100: "aé世x", 1: "x", 2: "x", 3: "x", 4: "世x", 5: "世x", 6: "é世x", 7: "aé世x"} {
		if got := s.Since(Place{}, limit); got != want {
			t.Errorf("limit %d: got %q, want %q", limit, got, want)
		}
		if got := s.Tail(limit); got != want {
			t.Errorf("Tail(%d): got %q, want %q", limit, got, want)
		}
	}
}

func TestSinceAfterItsRowIsGone(t *testing.T) {
	s := New(80, 24)
	feed(t, s, "early: ")
	p := s.Place()
	for i := range 1000 {
		feed(t, s, fmt.Sprintf("\r\nline %d", i))
	}
	got := s.Since(p, 0)
	lines := strings.Split(got, "\n")
	if len(lines) != 224 || lines[0] != "line 776" || lines[223] != "line 999" {
		t.Errorf("%d rows from %q to %q, want 224 from line 776 to line 999", len(lines), lines[0], lines[len(lines)-1])
	}
	s.Reset()
	feed(t, s, "new")
	if got := s.Since(p, 0); got != "new" {
		t.Errorf("after Reset: got %q, want %q", got, "new")
	}
}

func TestCurrent(t *testing.T) {
	long := strings.Repeat("0123456789", 17)
	for in, want := range map[string]string{
		"":                      "",
		"a\r\nName: ":           "Name: ",
		"a\r\n" + long:          long,
		"abc\b\b":               "a",
		"a\r\n":                 "",
		"Name: \x1b[7m \x1b[0m": "Name:  ",
	} {
		s := New(80, 24)
		feed(t, s, in)
		if got := s.Current(); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

func TestQueries(t *testing.T) {
	s := New(80, 24)
	feed(t, s, "\x1b[5n\x1b[3;7H\x1b[6n\x1b[c\x1b[0c\x1bZ\x1b[?6n\x1b[>c\x1b[1c")
	want := []Query{
		{"device status", []byte("\x1b[0n")},      // DSR, ECMA-48 8.3.35
		{"cursor position", []byte("\x1b[3;7R")},  // CPR, ECMA-48 8.3.14
		{"device attributes", []byte("\x1b[?6c")}, // DA, ECMA-48 8.3.24; console_codes(4)
		{"device attributes", []byte("\x1b[?6c")}, // the same with its default
		{"device attributes", []byte("\x1b[?6c")}, // DECID, console_codes(4)
	}
	if d := cmp.Diff(want, s.Queries()); d != "" {
		t.Error(d)
	}
	if got := s.Queries(); len(got) != 0 {
		t.Errorf("asked again: %v, want none", got)
	}
}

func TestHostileStrings(t *testing.T) {
	s := New(80, 24)
	feed(t, s, "\x1b]"+strings.Repeat("x", 10000)+"\r\nlogin: ")
	if got := s.Current(); got != "login: " {
		t.Errorf("after a string that never ends: %q, want the prompt", got)
	}
	s = New(80, 24)
	for i := range 5000 { // more characters with marks than are kept
		feed(t, s, string(rune('A'+i%26))+string(rune(0x300+i%112))+string(rune(0x300+i%97)))
	}
	if n := len(s.clusters.texts); n > maxClusters {
		t.Errorf("%d clusters kept, want at most %d", n, maxClusters)
	}
	feed(t, s, strings.Repeat("\x1b[5n", 1000))
	if n := len(s.Queries()); n != maxQueries {
		t.Errorf("%d queries kept, want %d", n, maxQueries)
	}
}

func TestRowsHoldNoControls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := New(20, 5)
		s.Write(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"))
		for _, r := range s.Rows() {
			if strings.ContainsFunc(r, func(r rune) bool { return r < 0x20 || r >= 0x7f && r < 0xa0 }) {
				t.Fatalf("control character in %q", r)
			}
			if w := widths.StringWidth(r); w > 20 && !strings.ContainsRune(r, 0x200d) {
				t.Fatalf("%q is %d columns wide", r, w)
			}
		}
	})
}

// result is everything that can be asked of a screen.
type result struct {
	Rows     []string
	Row, Col int
	Current  string
	Tail     string
	Since    string
	Lines    []Line
	Queries  []Query
}

func resolve(cols, rows int, pieces ...[]byte) result {
	s := New(cols, rows)
	var r result
	s.OnLine(func(l Line) { r.Lines = append(r.Lines, l) })
	s.Write([]byte("before: "))
	p := s.Place()
	for _, piece := range pieces {
		s.Write(piece)
	}
	r.Rows, r.Current, r.Tail = s.Rows(), s.Current(), s.Tail(0)
	r.Row, r.Col = s.Cursor()
	r.Since, r.Queries = s.Since(p, 0), s.Queries()
	return r
}

// fragments make random streams that are worth resolving.
var fragments = rapid.OneOf(
	rapid.SliceOfN(rapid.Byte(), 1, 4),
	rapid.Map(rapid.SampledFrom([]string{
		"text ", "\r\n", "\n", "\r", "\b", "\t", "é", "世", "e\u0301", "\x1b[", "\x1b]", "\x1b\\", "\x1bP", "\x1b",
		"\x1b[H", "\x1b[2J", "\x1b[K", "\x1b[1K", "\x1b[3;4H", "\x1b[2L", "\x1b[2M", "\x1b[3P", "\x1b[3@", "\x1b[4h", "\x1b[2;4r",
		"\x1b[r", "\x1bM", "\x1bD", "\x1bc", "\x1b[6n", "\x1b7", "\x1b8", "\x1b[?6h", "\x1b[?7l", "\x1b[3S", "\x1b[2T", "\x1b[9b", "\x1b[?1049h",
		"0123456789012345678", "99;", ";", "\x18",
	}), func(s string) []byte { return []byte(s) }),
)

func TestAnySplitGivesTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := bytes.Join(rapid.SliceOf(fragments).Draw(t, "fragments"), nil)
		cols, rows := rapid.IntRange(1, 24).Draw(t, "cols"), rapid.IntRange(1, 8).Draw(t, "rows")
		whole := resolve(cols, rows, data)
		var pieces [][]byte
		for rest := data; len(rest) > 0; {
			n := rapid.IntRange(1, min(len(rest), 7)).Draw(t, "piece")
			pieces = append(pieces, rest[:n])
			rest = rest[n:]
		}
		if d := cmp.Diff(whole, resolve(cols, rows, pieces...)); d != "" {
			t.Fatalf("%q split: %s", data, d)
		}
	})
}

func FuzzScreen(f *testing.F) {
	f.Add([]byte("abc\r\x1b[2Kok\x1b[1;31mred\x1b[0m\r\nline2\bX"), uint16(3))
	f.Add([]byte("\x1b]0;t\x1b\\\x1b[2;4r\x1b[6n世e\u0301\xff\xc4"), uint16(9))
	f.Add([]byte("\x1b[4h\x1b[99999999b\x1b[3S\x1b[2T\x1b[?1049h\x1bM\x1bc"), uint16(1))
	f.Fuzz(func(t *testing.T, data []byte, at uint16) {
		k := int(at) % (len(data) + 1)
		whole := resolve(20, 6, data)
		if d := cmp.Diff(whole, resolve(20, 6, data[:k], data[k:])); d != "" {
			t.Fatalf("split at %d: %s", k, d)
		}
		var single [][]byte
		for i := range data {
			single = append(single, data[i:i+1])
		}
		if d := cmp.Diff(whole, resolve(20, 6, single...)); d != "" {
			t.Fatalf("byte by byte: %s", d)
		}
		if len(whole.Queries) > maxQueries || len(whole.Tail) > (6+historyCells/20)*20*maxClusterSize {
			t.Fatalf("%d queries, %d bytes of text", len(whole.Queries), len(whole.Tail))
		}
	})
}

// A control string that noise has begun, and that never ends, hides no more
// than its line.
func TestAStringWithoutEndEndsWithItsLine(t *testing.T) {
	for _, begin := range []string{"\x1b]0;", "\x1bP", "\x1bX", "\x1b^", "\x1b_"} {
		s := New(80, 24)
		s.Write([]byte("up " + begin + "swallowed\r\nSign in: "))
		if got := strings.TrimRight(s.Current(), " "); got != "Sign in:" {
			t.Errorf("%q: the prompt is %q", begin, got)
		}
	}
}
