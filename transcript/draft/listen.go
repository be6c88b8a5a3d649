package draft

import (
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"linehand/console/screen"
	"linehand/transcript"
)

// What a session by hand puts on record; package script/player writes it.
const (
	noteTyped  = "typed"
	noteHidden = "typed-hidden"
	typedName  = "typed"
)

// turn is one thing that the person typed, and where.
type turn struct {
	event  int           // of the first key
	began  time.Duration // when the first key was pressed
	waited time.Duration // how long the unit had been quiet by then
	since  string        // what the unit had printed since the turn before
	prompt string        // the line it waited in
	broken bool          // the unit had ended that line

	press     string // a key by its name; "" for a line
	unknown   bool   // the key was a printable one: nobody knows which
	countdown bool   // the prompt was redrawn with another number
	hidden    bool
	shown     string
	doubtful  bool // shown was read off the screen, not noted
	enter     string

	reply   []string // the lines that the unit ended after it
	refused []string // words with which it was refused before
}

// hearing is a session, taken apart.
type hearing struct {
	unit    Unit
	turns   []turn
	boot    []string // lines before the first turn
	last    string   // the unfinished line at the end
	lines   []string // all finished lines
	chatter []*regexp.Regexp
	silent  time.Duration // the longest wait for the unit's first words after a key or the start
	wake    string        // the key that was pressed at a silent unit
	redraw  string        // the key that brought the same prompt again
	erase   string        // the key that took characters back
	crlf    bool
	lf      bool
}

// stamped are the console messages that break in at any moment: with the
// seconds since the start as Linux prints them, or with a date as RFC 3164
// section 4.1.2 or RFC 3339 section 5.6 write it.
var stamped = []string{
	`\[ *\d+\.\d{3,9}\] [^\n]*\n?`,
	`(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) [ \d]\d \d\d:\d\d:\d\d [^\n]*\n?`,
	`\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:?\d\d)? [^\n]*\n?`,
}

// fewStamped is how many such lines make them chatter.
const fewStamped = 2

// listener follows a session.
type listener struct {
	*hearing
	scr     *screen.Screen
	place   screen.Place // where the turn before ended
	now     turn         // the turn in progress
	typing  bool
	printed bool // now holds keys that are no control keys
	ended   int  // lines ended since the first key of now
	heardAt time.Duration
	saidAt  time.Duration
	counts  map[string]map[string]bool // shapes of the unfinished line, with the numbers seen in them
	note    transcript.Event
}

// listen takes a record apart.
func listen(s Session) *hearing {
	h := &hearing{unit: s.Unit}
	h.findChatter(s.Record)
	l := &listener{hearing: h, scr: screen.New(80, 24), counts: map[string]map[string]bool{}}
	l.scr.OnLine(func(line screen.Line) { l.line(line.Text) })
	l.place = l.scr.Place()
	for _, e := range s.Record.Events {
		l.event(e)
	}
	if l.typing {
		l.finishPress()
	}
	h.last, _ = promptOf(l.tail())
	return h
}

// findChatter looks for stamped lines before anything else is judged.
func (h *hearing) findChatter(rec *transcript.Record) {
	var lines []string
	scr := screen.New(80, 24)
	scr.OnLine(func(line screen.Line) { lines = append(lines, line.Text) })
	for _, e := range rec.Events {
		if e.Kind == transcript.Heard {
			for _, p := range e.Data {
				scr.Write([]byte(p.String()))
			}
		}
	}
	text := strings.Join(lines, "\n")
	for _, pattern := range stamped {
		re := regexp.MustCompile("(?m)" + pattern)
		if len(re.FindAllStringIndex(text, fewStamped)) >= fewStamped {
			h.chatter = append(h.chatter, re)
		}
	}
}

func (l *listener) line(text string) {
	l.lines = append(l.lines, text)
	l.ended++
	if l.typing {
		return
	}
	if n := len(l.turns); n > 0 {
		l.turns[n-1].reply = append(l.turns[n-1].reply, text)
	} else {
		l.boot = append(l.boot, text)
	}
}

func (l *listener) event(e transcript.Event) {
	switch {
	case e.Kind == transcript.Heard:
		l.heard(e)
	case e.Kind == transcript.Note && (e.Code == noteTyped || e.Code == noteHidden):
		l.note = e
	case e.Kind == transcript.Said && e.Why == "hand":
		l.said(e)
	}
}

func (l *listener) heard(e transcript.Event) {
	if l.heardAt <= l.saidAt {
		l.silent = max(l.silent, e.At-l.saidAt)
	}
	for _, p := range e.Data {
		l.scr.Write([]byte(p.String()))
	}
	l.heardAt = e.At
	l.count()
}

// count notes the numbers in the unfinished line, to tell a countdown.
func (l *listener) count() {
	shape, numbers := shapeOf(l.tail())
	if numbers == "" {
		return
	}
	if l.counts[shape] == nil {
		l.counts[shape] = map[string]bool{}
	}
	l.counts[shape][numbers] = true
}

var digits = regexp.MustCompile(`\d+`)

// shapeOf is a text without its numbers, and the numbers.
func shapeOf(text string) (shape, numbers string) {
	text = strings.TrimSpace(text)
	return strings.Join(strings.Fields(digits.ReplaceAllString(text, "#")), " "), strings.Join(digits.FindAllString(text, -1), " ")
}

func (l *listener) counting(prompt string) bool {
	shape, _ := shapeOf(prompt)
	return len(l.counts[shape]) > 1
}

// since is what was printed since the turn before, without chatter.
func (l *listener) since() string {
	return without(l.scr.Since(l.place, 1<<16), l.chatter)
}

// tail is the unfinished line, without chatter.
func (l *listener) tail() string {
	text := l.since()
	return text[strings.LastIndexByte(text, '\n')+1:]
}

// without takes chatter out as a run does: each message to the end of its
// line.
func without(text string, chatter []*regexp.Regexp) string {
	for _, re := range chatter {
		text = re.ReplaceAllString(text, "")
	}
	return text
}

func (l *listener) said(e transcript.Event) {
	defer func() { l.saidAt = e.At }()
	raw, printed := keys(e)
	if e.Text == "Enter" {
		l.enter(e, raw)
		return
	}
	if l.typing && l.leftBehind() {
		l.finishPress()
	}
	if !l.typing {
		l.begin(e)
	}
	l.printed = l.printed || printed
	l.now.press += raw
	if printed {
		l.now.press += "\x00"
	}
}

// keys are the control keys of an event, and whether others were among them.
func keys(e transcript.Event) (raw string, printed bool) {
	for _, p := range e.Data {
		if p.Secret != "" {
			printed = true
			continue
		}
		raw += string(p.Bytes)
	}
	return raw, printed
}

// begin begins a turn at the first key.
func (l *listener) begin(e transcript.Event) {
	since := l.since()
	l.now = turn{event: e.N, began: e.At, waited: e.At - l.heardAt, since: since}
	l.now.prompt, l.now.broken = promptOf(since)
	l.now.countdown = l.counting(l.now.prompt)
	l.typing, l.printed, l.ended = true, false, 0
}

// promptOf is the last line with something in it, and whether it had ended.
func promptOf(text string) (prompt string, broken bool) {
	text = strings.TrimRight(text, " \t\x00")
	cut := strings.TrimRight(text, " \t\r\n\x00")
	prompt = cut[strings.LastIndexByte(cut, '\n')+1:]
	return once(strings.TrimSpace(strings.TrimLeftFunc(prompt, ornament))), len(cut) < len(text)
}

// once is a prompt that was printed again behind itself, because a message
// broke in between.
func once(prompt string) string {
	for n := len(prompt) / 2; n > 0; n-- {
		if half := strings.TrimSpace(prompt[:n]); half != "" && strings.TrimSpace(prompt[n:]) == half {
			return half
		}
		if n < len(prompt)/2 {
			break
		}
	}
	return prompt
}

// ornament is a sign before a prompt's first word that says nothing.
func ornament(r rune) bool {
	return r >= utf8.RuneSelf && !unicode.IsLetter(r) && !unicode.IsDigit(r) || r == ' '
}

// leftBehind tells whether the unit has gone on from the prompt of the turn
// in progress without an Enter: then what was typed there was one key.
func (l *listener) leftBehind() bool {
	tail := strings.TrimLeftFunc(l.tail(), ornament)
	if !l.printed {
		return !strings.HasPrefix(strings.TrimSpace(tail), l.now.prompt) || l.ended > 0
	}
	return common(tail, l.now.prompt) < (3*len(l.now.prompt)+4)/5
}

func common(a, b string) int {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// finishPress ends the turn in progress as a key without Enter.
func (l *listener) finishPress() {
	t := l.now
	l.typing = false
	t.countdown = t.countdown || l.counting(t.prompt)
	raw := t.press
	t.press, t.unknown = keyName(raw)
	if t.press == "" && !t.unknown {
		return
	}
	t.reply = l.lines[len(l.lines)-min(l.ended, len(l.lines)):]
	for _, line := range t.reply {
		shape, numbers := shapeOf(line)
		if before, counted := shapeOf(t.prompt); shape == before && numbers != counted {
			t.countdown = true
		}
	}
	l.turns = append(l.turns, t)
	l.note = transcript.Event{}
}

// keyName is a key as a dialogue calls it. A printable one is not known.
func keyName(raw string) (name string, unknown bool) {
	switch raw {
	case "\x00":
		return "Space", true
	case "\t":
		return "Tab", false
	case "\x1b":
		return "Esc", false
	case "\x1b[A":
		return "Up", false
	case "\x1b[B":
		return "Down", false
	case "\x1b[C":
		return "Right", false
	case "\x1b[D":
		return "Left", false
	}
	if len(raw) == 1 && raw[0] < ' ' {
		return "Ctrl-" + string(rune(raw[0]+'@')), false
	}
	return "", strings.Contains(raw, "\x00")
}

// enter ends the turn in progress, or is one by itself.
func (l *listener) enter(e transcript.Event, raw string) {
	if l.typing && l.leftBehind() {
		l.finishPress()
	}
	if !l.typing && l.pairedLF(raw) {
		return
	}
	if !l.typing {
		l.begin(e)
	}
	t := l.now
	t.enter = raw
	l.lf = l.lf || raw == "\n"
	if strings.ContainsAny(t.press, "\b\x7f\x15") {
		l.erase = t.press[strings.IndexAny(t.press, "\b\x7f\x15"):][:1]
	}
	if t.press != "" {
		l.readLine(&t)
	}
	t.press, t.countdown = "", false
	l.turns = append(l.turns, t)
	l.typing, l.note = false, transcript.Event{}
	l.place = l.scr.Place()
	l.counts = map[string]map[string]bool{}
}

// pairedLF takes the LF of a CR LF.
func (l *listener) pairedLF(raw string) bool {
	n := len(l.turns)
	if raw != "\n" || n == 0 || l.turns[n-1].enter != "\r" || strings.TrimSpace(l.since()) != "" {
		return false
	}
	l.turns[n-1].enter, l.crlf = "\r\n", true
	return true
}

// readLine finds out what the unit showed of the line.
func (l *listener) readLine(t *turn) {
	if l.note.Code == noteTyped {
		t.shown = l.note.Text
		return
	}
	tail := strings.TrimLeftFunc(l.tail(), ornament)
	shown := strings.TrimSpace(tail[common(tail, t.prompt):])
	if shown == "" || oneSign(shown) || len(tail) < len(t.prompt)*3/5 {
		t.hidden = true
		return
	}
	t.shown, t.doubtful = shown, true
}

// oneSign tells whether a text is one mask character again and again.
func oneSign(text string) bool {
	first, _ := utf8.DecodeRuneInString(text)
	return strings.Trim(text, string(first)) == "" && !unicode.IsLetter(first) && !unicode.IsDigit(first)
}
