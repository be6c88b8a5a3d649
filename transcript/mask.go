package transcript

import (
	"bytes"
	"strings"
	"sync"
)

// Mask knows the secrets and takes them out of what is recorded, logged and
// shown, in each spelling that forms lists.
//
// A secret of fewer than four bytes is not looked for in what is heard, nor
// in texts: it would be found in every other word, and would thereby be told.
// It is masked where it is typed by itself, and in the window of its typing
// (Journal.Window).
//
// A Mask may be used from several goroutines and for several records.
type Mask struct {
	mu      sync.Mutex
	secrets []secret
	auto    *automaton // nil: to be built
}

type secret struct{ name, value string }

// NewMask returns a mask that knows no secret yet.
func NewMask() *Mask { return new(Mask) }

// Add makes the secret known. It is masked in all that is recorded after.
// An empty value is no secret.
func (m *Mask) Add(name, value string) {
	if value == "" {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	s := secret{name, value}
	for _, known := range m.secrets {
		if known == s {
			return
		}
	}
	m.secrets = append(m.secrets, s)
	m.auto = nil
}

// Text is s with each secret replaced by ‹secret NAME›.
func (m *Mask) Text(s string) string {
	parts := m.parts([]byte(s))
	if len(parts) == 1 && parts[0].Secret == "" {
		return s
	}
	var text strings.Builder
	for _, part := range parts {
		text.WriteString(part.String())
	}
	return text.String()
}

// String shows the part to people: its bytes, or ‹secret NAME›.
func (p Part) String() string {
	if p.Secret != "" {
		return "‹secret " + p.Secret + "›"
	}
	return string(p.Bytes)
}

// parts masks p, which stands by itself.
func (m *Mask) parts(p []byte) []Part {
	s := newStream(m)
	s.scan(p)
	s.complete()
	s.plain(s.pos)
	return s.take()
}

// said masks what is about to be typed.
func (m *Mask) said(data []Part) []Part {
	var out []Part
	for _, part := range join(data) {
		switch name := m.alone(part.Bytes); {
		case part.Secret != "":
			out = append(out, part)
		case name != "":
			out = append(out, Part{Secret: name})
			if end := part.Bytes[len(bytes.TrimRight(part.Bytes, "\r\n")):]; len(end) > 0 {
				out = append(out, Part{Bytes: end})
			}
		default:
			out = append(out, m.parts(part.Bytes)...)
		}
	}
	return out
}

// alone is the name of the secret that p is, apart from a line end.
func (m *Mask) alone(p []byte) string {
	text := string(bytes.TrimRight(p, "\r\n"))
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range m.secrets {
		if s.value == text {
			return s.name
		}
	}
	return ""
}

// values are the values that go by a name.
func (m *Mask) values(name string) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []string
	for _, s := range m.secrets {
		if s.name == name {
			list = append(list, s.value)
		}
	}
	return list
}

func (m *Mask) automaton() *automaton {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.auto == nil {
		m.auto = build(m.secrets)
	}
	return m.auto
}

// join puts neighbouring bytes into one part.
func join(data []Part) []Part {
	var out []Part
	for _, part := range data {
		last := len(out) - 1
		if last >= 0 && part.Secret == "" && out[last].Secret == "" {
			out[last].Bytes = append(out[last].Bytes[:len(out[last].Bytes):len(out[last].Bytes)], part.Bytes...)
			continue
		}
		out = append(out, part)
	}
	return out
}
