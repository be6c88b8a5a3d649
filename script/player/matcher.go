package player

import (
	"regexp"

	"linehand/console"
)

// matcher finds the prompt in which a text ends, and sends what is typed.
// newMatcher makes one on the expect engine where that builds, and on
// regexp elsewhere; both pass the same suite.
type matcher interface {
	// look returns the place of the first expression that matches text, or
	// -1. Texts are looked at one by one: nothing of an earlier one is left.
	look(text string, cases []*regexp.Regexp) (int, error)
	// send hands text to the line. The channel brings one error or nil when
	// the line has taken it, and always brings it.
	send(text string) <-chan error
	// close ends the matcher and waits for its goroutines. A send under way
	// is waited for.
	close()
}

// plainMatcher is the matcher for systems without the expect engine.
type plainMatcher struct {
	line console.Line
	busy chan struct{} // holds a token while a send is under way
}

func newPlainMatcher(line console.Line) *plainMatcher {
	return &plainMatcher{line: line, busy: make(chan struct{}, 1)}
}

func (m *plainMatcher) look(text string, cases []*regexp.Regexp) (int, error) {
	for i, re := range cases {
		if re.MatchString(text) {
			return i, nil
		}
	}
	return -1, nil
}

func (m *plainMatcher) send(text string) <-chan error {
	done := make(chan error, 1)
	m.busy <- struct{}{}
	go func() {
		_, err := m.line.Write([]byte(text))
		<-m.busy
		done <- err
	}()
	return done
}

func (m *plainMatcher) close() {
	m.busy <- struct{}{} // waits for a send under way
}
