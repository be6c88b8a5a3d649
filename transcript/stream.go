package transcript

import "bytes"

// stream masks bytes in the order in which they come, whatever the pieces.
// It holds back only bytes that may be the beginning of a secret.
//
// All occurrences of all forms are masked, also those that overlap: what is
// let through is what no occurrence covers. An occurrence within a longer
// one is part of that.
type stream struct {
	mask *Mask
	auto *automaton

	state   int32   // row offset in auto
	pos     int64   // bytes fed so far
	base    int64   // position of held[0]
	done    int64   // position up to which everything has been given out
	held    []byte  // bytes [base, pos)
	pending []found // occurrences not given out yet, ordered by both ends
	last    string  // the secret given out right before done, if any

	chunk int64  // position where the latest piece began
	old   []Part // given out: bytes that came before the latest piece
	new   []Part // given out: what came with it

	window window
}

// found is an occurrence of a secret at [start, end).
type found struct {
	start, end int64
	name       string
}

func newStream(m *Mask) *stream { return &stream{mask: m, auto: m.automaton()} }

// feed takes the next piece of what is heard.
func (s *stream) feed(p []byte) {
	s.chunk = s.pos
	if s.window.open {
		s.feedWindow(p)
		return
	}
	s.scan(p)
	s.release()
}

// scan runs the automaton over p.
func (s *stream) scan(p []byte) {
	if a := s.mask.automaton(); a != s.auto {
		s.renew(a)
	}
	a, at := s.auto, s.state
	s.held = append(s.held, p...)
	for _, c := range p {
		at = a.next[at+a.class[c]]
		s.pos++
		if at == 0 {
			if len(s.pending) > 0 {
				s.settle(s.pos)
			}
			continue
		}
		n := at / a.width
		if length := int64(a.match[n]); length > 0 {
			s.find(found{s.pos - length, s.pos, a.names[a.matched[n]]})
		}
		if len(s.pending) > 0 {
			s.settle(s.pos - int64(a.depth[n]))
		}
	}
	s.state = at
}

// renew goes on with an automaton that knows more secrets: what is held back
// is looked at again.
func (s *stream) renew(a *automaton) {
	again := bytes.Clone(s.held[s.done-s.base:])
	s.auto, s.state, s.pending = a, 0, nil
	s.held, s.base, s.pos = s.held[:0], s.done, s.done
	s.scan(again)
}

// find notes an occurrence; those within it are part of it.
func (s *stream) find(f found) {
	for len(s.pending) > 0 && s.pending[len(s.pending)-1].start >= f.start {
		s.pending = s.pending[:len(s.pending)-1]
	}
	s.pending = append(s.pending, f)
}

// settle gives out the occurrences that nothing can begin before or with any
// more: a form in progress begins at or after edge.
func (s *stream) settle(edge int64) {
	n := 0
	for n < len(s.pending) && s.pending[n].start < edge {
		s.secret(s.pending[n])
		n++
	}
	s.pending = append(s.pending[:0], s.pending[n:]...)
}

// complete gives out all occurrences, as if nothing came after.
func (s *stream) complete() { s.settle(s.pos) }

// release gives out the bytes that cannot be part of a secret. What is pending
// begins at the edge or after it.
func (s *stream) release() { s.plain(s.edge()) }

// edge is where the form in progress begins.
func (s *stream) edge() int64 {
	return s.pos - int64(s.auto.depth[s.state/s.auto.width])
}

// holding is how many bytes are held back.
func (s *stream) holding() int64 { return s.pos - s.done + int64(len(s.window.run)) }

// plain gives out the bytes up to position to.
func (s *stream) plain(to int64) {
	if to <= s.done {
		return
	}
	p := s.held[s.done-s.base : to-s.base]
	before := min(max(s.chunk-s.done, 0), int64(len(p)))
	if len(s.new) > 0 {
		before = 0
	}
	if before > 0 {
		s.old = append(s.old, Part{Bytes: bytes.Clone(p[:before])})
	}
	if p = p[before:]; len(p) > 0 {
		s.new = append(s.new, Part{Bytes: bytes.Clone(p)})
	}
	s.done, s.last = to, ""
}

// secret gives out an occurrence, after the bytes before it.
func (s *stream) secret(f found) {
	s.plain(f.start)
	if f.end <= s.done {
		return
	}
	if overlaps := f.start < s.done; !overlaps || s.last != f.name {
		s.new = append(s.new, Part{Secret: f.name})
	}
	s.done, s.last = f.end, f.name
}

// tooMuch is the number of bytes of a secret's beginning that are not
// written even when the rest never comes.
const tooMuch = 3

// finish gives out the rest: nothing comes after. A longer beginning of a
// secret is withheld as if it were the whole.
func (s *stream) finish() {
	s.endRun()
	if s.pos-max(s.done, s.edge()) >= tooMuch {
		s.pending = s.pending[:0]
		s.plain(s.edge())
		s.secret(found{s.edge(), s.pos, s.auto.names[s.auto.owner[s.state/s.auto.width]]})
	}
	s.complete()
	s.plain(s.pos)
	s.state = 0
}

// quiet is called when the line has gone quiet. What was found is given out,
// and so are one or two held bytes, which tell next to nothing of a secret
// and are most often the end of a prompt; when the rest of the secret comes
// after all, it is masked.
func (s *stream) quiet() {
	s.chunk = s.pos
	s.endRun()
	if len(s.pending) > 0 && s.pending[0].start <= s.edge() {
		s.complete()
	}
	if len(s.pending) == 0 && s.pos-s.edge() <= s.auto.quiet {
		s.plain(s.pos)
	}
}

// typed masks a piece of what a person types, which cannot be held back: from
// the third byte of a secret's beginning on, it is masked at once.
func (s *stream) typed(p []byte) []Part {
	s.last = "" // each piece is an event of its own, and shows what stood in it
	s.feed(p)
	if s.window.open {
		s.endRun()
		return s.take()
	}
	if s.pos-s.edge() >= tooMuch {
		s.pending = s.pending[:0]
		s.secret(found{max(s.done, s.edge()), s.pos, s.auto.names[s.auto.owner[s.state/s.auto.width]]})
	}
	s.complete()
	s.plain(s.pos)
	return s.take()
}

// take returns what was given out since it was called last.
func (s *stream) take() []Part {
	old, new := s.takeBoth()
	return append(old, new...)
}

// takeBoth returns what was given out since it was called last: what came
// before the latest piece, and what came with it.
func (s *stream) takeBoth() (old, new []Part) {
	old, new = s.old, s.new
	s.old, s.new = nil, nil
	s.held = append(s.held[:0], s.held[s.done-s.base:]...)
	s.base = s.done
	return old, new
}
