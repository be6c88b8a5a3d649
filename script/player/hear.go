package player

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"linehand/console"
	"linehand/console/screen"
	"linehand/script/engine"
	"linehand/transcript"
)

// pump takes in what the line brings until done says so (nil: never), the
// time has come, or the run ends. It tells whether anything was heard.
func (p *play) pump(until time.Time, done func() bool) (heard bool, err error) {
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	for {
		if p.ctx.Err() != nil {
			return heard, errStopped
		}
		select {
		case c := <-p.ear.chunks:
			heard = true
			if err := p.take(c); err != nil {
				return heard, err
			}
			// Everything that is there already belongs to the same moment.
			if _, err := p.takeWaiting(); err != nil {
				return heard, err
			}
			if done != nil && done() || p.failed != nil {
				return heard, nil
			}
		case p.grip = <-p.calls:
			return heard, nil
		case <-timer.C:
			// A busy machine may be late for both: the line has not been quiet
			// while something waits to be taken.
			late, err := p.takeWaiting()
			return heard || late, err
		case <-p.ctx.Done():
			return heard, errStopped
		}
	}
}

// takeWaiting takes what was read already, without waiting for more. It
// tells whether there was anything.
func (p *play) takeWaiting() (heard bool, err error) {
	for {
		select {
		case c := <-p.ear.chunks:
			heard = true
			if err := p.take(c); err != nil {
				return heard, err
			}
		default:
			return heard, nil
		}
	}
}

// take records one read and resolves it to text.
func (p *play) take(c chunk) error {
	if len(c.bytes) > 0 {
		if err := p.record(c); err != nil {
			return err
		}
		p.lastHeard = c.at
		p.heard.add(c.bytes)
		p.scr.Write(c.bytes)
		if err := p.replyQueries(); err != nil {
			return err
		}
	}
	if c.err != nil {
		if errors.Is(c.err, console.ErrClosed) {
			return errStopped
		}
		return fmt.Errorf("%w: %w", errLost, c.err)
	}
	return nil
}

// windowState is how far the echo of a secret is over.
type windowState int

const (
	windowShut    windowState = iota
	windowTyping              // the secret is being typed
	windowEntered             // Enter has been sent; the next line end ends the echo
)

// record writes what was heard. While a secret's echo may still come, it is
// withheld up to the line end that follows Enter.
func (p *play) record(c chunk) error {
	rest := c.bytes
	if p.window == windowEntered {
		if i := bytes.IndexAny(rest, "\r\n"); i >= 0 {
			if err := p.rec.Heard(c.at, rest[:i+1]); err != nil {
				return &recordError{err}
			}
			p.shutWindow()
			rest = rest[i+1:]
		}
	}
	if len(rest) == 0 {
		return nil
	}
	if err := p.rec.Heard(c.at, rest); err != nil {
		return &recordError{err}
	}
	return nil
}

func (p *play) shutWindow() {
	if p.window != windowShut {
		_ = p.rec.EndWindow() // a failure shows at the next event
		p.window = windowShut
	}
}

// finishedLine looks through a line that the unit has finished.
func (p *play) finishedLine(l screen.Line) {
	p.readFacts(l.Text)
	p.readFailure(l.Text)
}

func (p *play) readFacts(text string) {
	for _, f := range p.Dialogue.Facts {
		if m := f.Pattern.FindStringSubmatch(text); len(m) > 1 {
			p.fact(f.Name, m[1])
		}
	}
}

// readFailure looks for words that end the run.
func (p *play) readFailure(text string) {
	for _, s := range p.Dialogue.StopOn {
		if s.Text.In.MatchString(text) && p.failed == nil {
			p.failed = &engine.Ending{How: engine.Failed,
				Sentence: fmt.Sprintf("The unit says %q%s: %s.", strings.TrimSpace(text), p.where(), s.Because),
				Next:     "Have the unit seen to; nothing more was sent to it."}
		}
	}
}

func (p *play) fact(name, value string) {
	if p.eng.Fact(name, value) {
		// A recorder that fails shows at the next thing recorded before it is
		// sent, at the latest.
		_ = p.rec.Append(transcript.Event{Kind: transcript.Fact, Name: name, Text: strings.TrimSpace(value)})
	}
}

// replyQueries answers terminal status queries where the dialogue asks for
// that.
func (p *play) replyQueries() error {
	for _, q := range p.scr.Queries() {
		if !p.Dialogue.AnswerQueries {
			continue
		}
		err := p.send(transcript.Event{Why: "reply", Text: q.Name}, string(q.Reply))
		if err != nil {
			return err
		}
	}
	return nil
}

// sinceAnswer is the plain text since the last answer, without chatter.
func (p *play) sinceAnswer() string {
	return withoutChatter(p.scr.Since(p.since, sinceMost), p.Dialogue.Chatter)
}

// sinceMost bounds how much text a refusal or a read-back is looked for in.
const sinceMost = 64 << 10

// tailMost bounds the text in which prompts are looked for.
const tailMost = 2 << 10

// tail is the end of text, cut at a line or, where a line is too long, at a
// character.
func tail(text string) string {
	if len(text) <= tailMost {
		return text
	}
	text = text[len(text)-tailMost:]
	if i := strings.IndexByte(text, '\n'); i >= 0 && i < len(text)-1 {
		return text[i+1:]
	}
	return strings.ToValidUTF8(text, "")
}

// withoutChatter takes out console messages, each from where its pattern
// matches to the end of its line: a message may break into a line at any
// moment, and what follows it goes on with that line.
func withoutChatter(text string, chatter []*regexp.Regexp) string {
	for _, re := range chatter {
		if !re.MatchString(text) {
			continue
		}
		var b strings.Builder
		for text != "" {
			at := re.FindStringIndex(text)
			if at == nil || at[1] == at[0] {
				break
			}
			b.WriteString(text[:at[0]])
			// A pattern may take the line end with it.
			if text[at[1]-1] == '\n' {
				text = text[at[1]:]
				continue
			}
			end := strings.IndexByte(text[at[1]:], '\n')
			if end < 0 {
				text = ""
				break
			}
			text = text[at[1]+end+1:]
		}
		b.WriteString(text)
		text = b.String()
	}
	return text
}

// heardStats is what diagnosis needs to know of a line since it was opened.
type heardStats struct {
	bytes int
	first []byte // the first few hundred bytes
	last  []byte // the last few hundred
}

const statsMost = 512

// latest is the end of what was heard, by which it is judged whether it is
// text: a unit may change its speed, or only its first words have been whole.
func (h *heardStats) latest() []byte { return h.last[max(0, len(h.last)-64):] }

func (h *heardStats) add(b []byte) {
	h.bytes += len(b)
	if room := statsMost - len(h.first); room > 0 {
		h.first = append(h.first, b[:min(room, len(b))]...)
	}
	h.last = append(h.last, b...)
	if len(h.last) > statsMost {
		h.last = append(h.last[:0], h.last[len(h.last)-statsMost:]...)
	}
}

// send records what is about to go out, then sends it and waits until the
// line has taken it, hearing meanwhile.
func (p *play) send(e transcript.Event, text string) error {
	e.Kind = transcript.Said
	if e.Data == nil {
		e.Data = []transcript.Part{{Bytes: []byte(text)}}
	}
	if err := p.rec.Say(e); err != nil {
		return &recordError{err}
	}
	return p.transmit(text)
}

// transmit sends what is on record already.
func (p *play) transmit(text string) error {
	p.said = append(p.said, text...)
	if len(p.said) > 2*statsMost {
		p.said = append(p.said[:0], p.said[len(p.said)-statsMost:]...)
	}
	taken := p.m.send(text)
	for {
		select {
		case err := <-taken:
			return p.sendFault(err)
		case c := <-p.ear.chunks:
			if err := p.take(c); err != nil {
				// The writer must be heard out: it may still be writing.
				if werr := <-taken; werr != nil {
					p.note("write-failed", werr.Error())
				}
				return err
			}
		}
	}
}

func (p *play) sendFault(err error) error {
	if err == nil {
		return nil
	}
	p.note("write-failed", fmt.Sprintf("what was said last may not have reached the unit: %v", err))
	return fmt.Errorf("%w: %w", errLost, err)
}

func (p *play) note(code, text string) {
	p.Log.Debug().Str("code", code).Str("note", p.shown(text)).Msg("note")
	_ = p.rec.Append(transcript.Event{Kind: transcript.Note, Code: code, Text: text, Stage: p.eng.Progress().Stage})
}

// marks records what the engine has noted.
func (p *play) marks() {
	for _, m := range p.eng.Marks() {
		if m.State != "" {
			_ = p.rec.Append(transcript.Event{Kind: transcript.Stage, Name: m.Stage, Stage: m.Stage, State: string(m.State)})
			p.watch(Waiting, "", nil)
			continue
		}
		p.note("progress", m.Note)
	}
	for _, r := range p.eng.Reads() {
		text := r.Fault
		if !r.Compared {
			_ = p.rec.Append(transcript.Event{Kind: transcript.Note, Code: "read", Stage: r.Stage, Exchange: r.Exchange, Pos: r.Pos, Name: r.What, Text: r.Got})
			continue
		}
		state := ""
		if r.Open {
			state = transcript.OpenYet
		}
		_ = p.rec.Append(transcript.Event{Kind: transcript.ReadBack, State: state, Stage: r.Stage, Exchange: r.Exchange, Pos: r.Pos,
			Name: r.What, Value: r.Path, Got: r.Got, Want: r.Want, Equal: r.Equal, Text: text})
	}
}
