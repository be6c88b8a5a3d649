package transcript

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// window is the time in which a secret is typed and echoed. A line that
// doubles, drops or flips characters then shows near-secrets, which no
// search finds: every printable run is masked, unless it can tell nothing.
type window struct {
	open   bool
	name   string
	run    []byte // of the printable run in progress, what is not given out yet
	masked bool   // of that run, something was masked: so is the rest
}

// maxRun bounds the run that is kept, in bytes.
const maxRun = 4096

// openWindow begins the typing of a secret.
func (s *stream) openWindow(name string) {
	s.chunk = s.pos
	s.finish()
	s.window = window{open: true, name: name}
}

// closeWindow ends it.
func (s *stream) closeWindow() {
	s.chunk = s.pos
	s.endRun()
	s.window = window{}
	s.state, s.last = 0, ""
}

// feedWindow takes the next piece of what is heard while a secret is typed.
func (s *stream) feedWindow(p []byte) {
	fresh := len(s.window.run) == 0
	for _, c := range p {
		switch {
		case c < ' ' || c == 0x7f:
			s.endRunAs(fresh)
			s.window.masked, fresh = false, true
			s.windowPart(Part{Bytes: []byte{c}}, true)
		case s.window.masked:
		case len(s.window.run) == maxRun:
			s.mark(fresh)
		default:
			s.window.run = append(s.window.run, c)
		}
	}
}

// endRun gives out the run so far; more of it may come.
func (s *stream) endRun() { s.endRunAs(false) }

// endRunAs gives out the run, which began in the latest piece when fresh.
func (s *stream) endRunAs(fresh bool) {
	run := s.window.run
	switch {
	case len(run) == 0:
	case tellsNothing(string(run), s.mask.values(s.window.name)):
		s.windowPart(Part{Bytes: append([]byte(nil), run...)}, fresh)
		s.window.run = run[:0]
	default:
		s.mark(fresh)
	}
}

func (s *stream) mark(fresh bool) {
	s.windowPart(Part{Secret: s.window.name}, fresh)
	s.window.run, s.window.masked = s.window.run[:0], true
}

// windowPart gives out a part, with the latest piece or as older than that.
func (s *stream) windowPart(part Part, fresh bool) {
	to := &s.new
	if !fresh && len(s.new) == 0 {
		to = &s.old
	}
	if n := len(*to); n > 0 && part.Secret == "" && (*to)[n-1].Secret == "" {
		(*to)[n-1].Bytes = append((*to)[n-1].Bytes, part.Bytes...)
		return
	}
	*to = append(*to, part)
}

// tellsNothing reports whether a run is blank, or one mask character again
// and again that is not itself out of the secret.
func tellsNothing(run string, values []string) bool {
	first, _ := utf8.DecodeRuneInString(run)
	for _, r := range run {
		if r != first || r == utf8.RuneError {
			return false
		}
	}
	if first == ' ' {
		return true
	}
	if (unicode.IsLetter(first) || unicode.IsDigit(first)) && first != 'x' && first != 'X' {
		return false
	}
	for _, value := range values {
		if strings.Contains(value, run) {
			return false
		}
	}
	return true
}
