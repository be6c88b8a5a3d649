// Package desk is the technician at the terminal: it shows a hold, says what
// can be done about it, and reads the choice. Several runs share one desk;
// their holds come one after the other, each with its unit's name.
package desk

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/term"

	"linehand/script/player"
	"linehand/script/visit"
	"linehand/transcript"
)

// Desk asks one person about the holds of several runs.
type Desk struct {
	in     *reader
	out    io.Writer
	person string
	quiet  func(func()) // keeps other writers off the terminal meanwhile
	turn   chan struct{}
	echoes bool // a terminal shows what is typed, and goes to the next line
	sitting
}

// New makes a desk that reads from in and writes to out. Quiet, which may be
// nil, runs a function while nobody else writes there.
func New(in io.Reader, out io.Writer, person string, quiet func(func())) *Desk {
	if quiet == nil {
		quiet = func(f func()) { f() }
	}
	d := &Desk{in: newReader(in), out: out, person: person, quiet: quiet, turn: make(chan struct{}, 1)}
	d.echoes = d.in.isTerminal()
	d.lists = make(chan struct{}, 1)
	d.lists <- struct{}{}
	d.turn <- struct{}{}
	return d
}

// For is the desk as a run of the unit sees it.
func (d *Desk) For(unit string) player.Desk { return seat{d, unit} }

type seat struct {
	*Desk
	unit string
}

// answer reads one line. Where no terminal shows the line's end, the desk
// ends the line of its question itself.
func (s seat) answer(ctx context.Context) (string, error) {
	text, err := s.in.line(ctx)
	if !s.echoes {
		fmt.Fprintln(s.out)
	}
	return text, err
}

// errNobody says that the input has ended.
var errNobody = errors.New("the terminal has no more input")

// Hold shows the hold when the desk is free, and returns the choice.
func (s seat) Hold(ctx context.Context, held player.Held) (player.Release, error) {
	select {
	case <-s.turn:
	case <-ctx.Done():
		return player.Release{}, ctx.Err()
	}
	defer func() { s.turn <- struct{}{} }()
	var r player.Release
	var err error
	s.quiet(func() {
		s.show(held)
		for done := false; !done && err == nil; {
			r, done, err = s.choose(ctx, held)
		}
		if ctx.Err() != nil {
			fmt.Fprintf(s.out, "\n%s: the hold is over.\n", s.unit)
		}
	})
	r.By = s.person
	return r, err
}

// show prints what a person needs to decide.
func (s seat) show(held player.Held) {
	w := s.out
	fmt.Fprintf(w, "\n%s: HOLD: %s.\n", s.unit, plain(held.Reason))
	switch {
	case slices.Contains(visit.Parts(), visit.Part(held.Stage)):
		fmt.Fprintf(w, "  in part %q of the visit; nothing goes on until you choose\n", held.Stage)
	case held.Stage != "":
		fmt.Fprintf(w, "  in stage %q; nothing is sent until you choose\n", held.Stage)
	default:
		fmt.Fprintf(w, "  before the first stage; nothing is sent until you choose\n")
	}
	if held.Advice != "" {
		wrapped(w, "  ", plain(held.Advice))
	}
	if len(held.Screen) > 0 {
		fmt.Fprintln(w, "  the unit's last screen:")
		for _, row := range held.Screen {
			fmt.Fprintf(w, "  | %s\n", plain(row))
		}
	}
	if len(held.Hoped) > 0 {
		fmt.Fprintln(w, "  hoped for one of:")
		for _, prompt := range held.Hoped {
			fmt.Fprintf(w, "  - %s\n", plain(prompt))
		}
	}
	fmt.Fprintln(w, "  what to do:")
	for _, c := range held.Choices {
		for _, o := range options[c] {
			fmt.Fprintf(w, "  %s  %s\n", o.letter, o.words)
		}
	}
}

// option is one way to release a hold.
type option struct {
	letter, words string
	secret        bool
}

// options are what stands behind each choice.
var options = map[player.Choice][]option{
	player.ByHand:  {{"t", "type an answer to the unit yourself (it is recorded)", false}, {"h", "type a secret to the unit yourself (hidden, not recorded)", true}},
	player.Again:   {{letter: "a", words: "look again, as things are now"}},
	player.GoTo:    {{letter: "s", words: "go on at another stage"}},
	player.Confirm: {{letter: "r", words: "this is the right chassis: I have read its serial number"}},
	visit.GoOn:     {{letter: "g", words: "go on all the same: I take it on myself, and it stands in the record"}},
	player.GiveUp:  {{letter: "x", words: "give up and leave the unit as it is"}},
}

// choose reads a choice; done is false when it was none.
func (s seat) choose(ctx context.Context, held player.Held) (r player.Release, done bool, err error) {
	fmt.Fprintf(s.out, "%s> ", s.unit)
	letter, err := s.answer(ctx)
	if err != nil {
		return r, false, err
	}
	letter = strings.ToLower(strings.TrimSpace(letter))
	for _, c := range held.Choices {
		for _, o := range options[c] {
			if o.letter == letter {
				return s.details(ctx, held, c, o)
			}
		}
	}
	fmt.Fprintln(s.out, "  choose one of the letters above")
	return r, false, nil
}

// details asks for what a choice needs besides.
func (s seat) details(ctx context.Context, held player.Held, c player.Choice, o option) (r player.Release, done bool, err error) {
	r.Choice = c
	switch c {
	case player.ByHand:
		r.Secret = o.secret
		if r.Secret {
			fmt.Fprint(s.out, "  the secret, with Enter at its end: ")
			r.Text, err = s.in.hidden(ctx)
			fmt.Fprintln(s.out)
			return r, err == nil, err
		}
		fmt.Fprint(s.out, "  what to type, with Enter at its end: ")
		r.Text, err = s.answer(ctx)
		return r, err == nil, err
	case player.GoTo:
		return s.stage(ctx, held, r)
	}
	return r, true, nil
}

func (s seat) stage(ctx context.Context, held player.Held, r player.Release) (player.Release, bool, error) {
	for i, name := range held.Stages {
		fmt.Fprintf(s.out, "  %2d  %s\n", i+1, name)
	}
	fmt.Fprint(s.out, "  number of the stage: ")
	text, err := s.answer(ctx)
	if err != nil {
		return r, false, err
	}
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || n < 1 || n > len(held.Stages) {
		fmt.Fprintln(s.out, "  there is no stage of that number")
		return r, false, nil
	}
	r.Stage = held.Stages[n-1]
	return r, true, nil
}

// Ask asks for a secret without echo.
func (d *Desk) Ask(ctx context.Context) func(prompt string) (string, error) {
	return func(prompt string) (text string, err error) {
		d.quiet(func() {
			fmt.Fprintf(d.out, "%s: ", plain(prompt))
			text, err = d.in.hidden(ctx)
			fmt.Fprintln(d.out)
		})
		return text, err
	}
}

// plain leaves out what a terminal would take for a command, and what would
// hide something.
func plain(s string) string { return transcript.Printable(s) }

// reader reads lines on demand. A read that nobody waits for any more goes
// on, because a terminal's cannot be called back; what it brings is dropped.
type reader struct {
	mu      sync.Mutex
	in      io.Reader
	buf     *bufio.Reader
	pending chan read // a read under way; nil: none
}

type read struct {
	text string
	err  error
}

func newReader(in io.Reader) *reader { return &reader{in: in, buf: bufio.NewReader(in)} }

func (r *reader) isTerminal() bool {
	f, ok := r.in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// line reads one line, without its end.
func (r *reader) line(ctx context.Context) (string, error) {
	return r.get(ctx, func() (string, error) {
		text, err := r.buf.ReadString('\n')
		if err != nil && text == "" {
			return "", errNobody
		}
		return strings.TrimRight(text, "\r\n"), nil
	})
}

// hidden reads one line without echo, where in is a terminal.
func (r *reader) hidden(ctx context.Context) (string, error) {
	if !r.isTerminal() {
		return r.line(ctx)
	}
	fd := int(r.in.(*os.File).Fd())
	before, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("look at the terminal: %w", err)
	}
	text, err := r.get(ctx, func() (string, error) {
		b, err := term.ReadPassword(fd)
		return string(b), err
	})
	if ctx.Err() != nil {
		// The read goes on without us, and would leave the echo off.
		_ = term.Restore(fd, before)
	}
	return text, err
}

func (r *reader) get(ctx context.Context, f func() (string, error)) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.pending != nil {
		// What was typed at a hold that has lifted is no answer to this one.
		select {
		case <-r.pending:
		case <-ctx.Done():
			return "", ctx.Err()
		}
		r.pending = nil
	}
	pending := make(chan read, 1)
	go func() {
		text, err := f()
		pending <- read{text, err}
	}()
	select {
	case got := <-pending:
		return got.text, got.err
	case <-ctx.Done():
		r.pending = pending
		return "", ctx.Err()
	}
}
