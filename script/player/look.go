package player

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"linehand/script"
	"linehand/script/engine"
	"linehand/transcript"
)

// endedSettle is how many times longer a line must be quiet when the cursor
// has left the prompt's line: a question that ends in a line end is rare, a
// log line that looks like one is not.
const endedSettle = 5

// looksInARow bounds how often one text may change the engine's state.
const looksInARow = 100

// look asks the engine what to do about what the unit shows, and does it.
func (p *play) look(live []engine.Live) (*engine.Ending, error) {
	if err := p.rec.quiet(); err != nil {
		return nil, &recordError{err}
	}
	if end, err := p.failedOr(p.wake()); end != nil || err != nil {
		return end, err
	}
	for range looksInARow {
		d, err := p.decide(live)
		if err != nil {
			return nil, err
		}
		if p.failed != nil {
			return p.failed, nil
		}
		p.marks()
		switch d := d.(type) {
		case engine.Look:
			if live, err = p.eng.Live(); err != nil {
				return nil, err
			}
			continue
		case engine.Wait:
			return p.idle()
		case engine.Type:
			return p.failedOr(p.answer(d))
		case engine.Redraw:
			return p.failedOr(p.redraw(d.Because))
		case engine.Hold:
			return p.hold(d)
		case engine.Finish:
			return &d.Ending, nil
		}
	}
	return nil, fmt.Errorf("the dialogue goes round in circles%s without typing anything", p.where())
}

func (p *play) failedOr(err error) (*engine.Ending, error) {
	if p.failed != nil {
		return p.failed, nil
	}
	return nil, err
}

// decide matches the text that the unit shows and asks the engine.
func (p *play) decide(live []engine.Live) (engine.Decision, error) {
	now := time.Now()
	shown := engine.Shown{Since: p.sinceAnswer(), Quiet: now.Sub(p.lastHeard), Now: now, Heard: p.lastHeard}
	shown.Tail = tail(shown.Since)
	match := -1
	if strings.TrimSpace(shown.Tail) != "" {
		cases, owner := p.cases(live, shown.Quiet, endsLine(shown.Tail))
		i, err := p.m.look(shown.Tail, cases)
		if err != nil {
			return nil, err
		}
		if i >= 0 {
			match = owner[i]
		}
	}
	// A line that a prompt ends is whole. One that has merely paused may be
	// in the middle of a serial number.
	switch {
	case match >= 0:
		p.readFacts(p.scr.Current())
		p.readFailure(p.scr.Current())
	case shown.Quiet >= time.Second:
		p.readFailure(p.scr.Current())
	}
	return p.eng.Decide(live, match, shown)
}

// cases lists the expressions of the live prompts for which the line has
// been quiet long enough, and for each the prompt it belongs to.
func (p *play) cases(live []engine.Live, quiet time.Duration, ended bool) (cases []*regexp.Regexp, owner []int) {
	for i, l := range live {
		if quiet < p.settle(l, ended) {
			continue
		}
		for _, re := range l.Prompts {
			cases = append(cases, re)
			owner = append(owner, i)
		}
	}
	return cases, owner
}

func (p *play) settle(l engine.Live, ended bool) time.Duration {
	settle := settleOf(l, p.lineSettle())
	if ended {
		settle *= endedSettle
	}
	return settle
}

// settleOf is how long the line must be quiet for a prompt, where line is
// what the line itself asks for.
func settleOf(l engine.Live, line time.Duration) time.Duration {
	switch {
	case l.AtOnce:
		return 0
	case l.Settle > 0:
		return l.Settle
	}
	return line
}

// What a line itself asks of the settle time. A USB adapter hands over what
// it has heard every 16 ms or so (from memory), now and then late.
const (
	settleLeast = 20 * time.Millisecond
	settleUSB   = 45 * time.Millisecond
)

// lineSettle is the dialogue's settle time, where it names one, and never
// less than the line needs: what its adapter does, and twelve characters'
// time, so that no gap between two characters passes for the end of a prompt.
func (p *play) lineSettle() time.Duration {
	info := p.Line.Info()
	least := settleLeast
	if strings.HasPrefix(info.Identity, "usb") {
		least = settleUSB
	}
	return max(p.Dialogue.Line.Settle, least, 12*info.Settings.CharTime())
}

func endsLine(text string) bool { return strings.HasSuffix(strings.TrimRight(text, " \t\x00"), "\n") }

// nextLook is when the text has to be looked at again if nothing comes.
func (p *play) nextLook(live []engine.Live) time.Time {
	now := time.Now()
	quiet := now.Sub(p.lastHeard)
	next := now.Add(time.Minute)
	after := func(t time.Duration) {
		if t > quiet {
			next = earlier(next, p.lastHeard.Add(t))
		}
	}
	for _, t := range []time.Duration{time.Second, 2 * time.Second, p.Patience} {
		after(t)
	}
	line := p.lineSettle() // once: this is done for every few characters
	for _, l := range live {
		settle := settleOf(l, line)
		after(settle)
		if !l.AtOnce {
			after(settle * endedSettle)
		}
	}
	if due := p.asked.Add(p.Patience); p.asked.After(p.lastHeard) && due.After(now) {
		next = earlier(next, due)
	}
	next = earlier(next, p.nextWake())
	next = earlier(next, p.limit())
	if next.Before(now) {
		// Something is due already and nothing came of it: not a busy loop.
		next = now.Add(20 * time.Millisecond)
	}
	return next
}

func earlier(a, b time.Time) time.Time {
	if b.IsZero() || a.Before(b) {
		return a
	}
	return b
}

// limit is when the run must do something about nothing happening.
func (p *play) limit() time.Time {
	if t, _ := p.eng.Deadline(); !t.IsZero() {
		return t
	}
	return p.attached.Add(p.wakeWithin())
}

func (p *play) wakeWithin() time.Duration {
	if w := p.Dialogue.Wake; w != nil && w.Within > 0 {
		return w.Within
	}
	return 5 * time.Minute
}

// idle decides about a unit that shows nothing to answer.
func (p *play) idle() (*engine.Ending, error) {
	now := time.Now()
	quiet := now.Sub(p.lastHeard)
	if p.window == windowEntered && quiet >= time.Second {
		p.shutWindow() // a unit that answers without a line end
	}
	if d := p.diagnosis(quiet); d != nil {
		return p.hold(*d)
	}
	last := strings.TrimSpace(withoutChatter(p.scr.Current(), p.Dialogue.Chatter))
	if quiet >= p.Patience && last != "" && strings.TrimSpace(p.sinceAnswer()) != "" {
		switch d := p.eng.Unknown(last).(type) {
		case engine.Redraw:
			return p.failedOr(p.redraw(d.Because))
		case engine.Hold:
			return p.hold(d)
		}
	}
	// The redraw key was pressed at a question, and nothing came of it.
	if p.asked.After(p.lastHeard) && now.Sub(p.asked) >= p.Patience && strings.TrimSpace(p.scr.Current()) != "" {
		return p.hold(p.eng.HoldFor(engine.HoldUnknown, fmt.Sprintf("the unit shows %q and does not answer the redraw key", p.lastLine())))
	}
	if !now.Before(p.limit()) {
		return p.hold(p.overdue())
	}
	return nil, nil
}

// overdue says what did not come in time.
func (p *play) overdue() engine.Hold {
	if p.heard.bytes == 0 {
		return p.eng.HoldFor(engine.HoldSilent, fmt.Sprintf("nothing was heard for %s", round(time.Since(p.attached))))
	}
	_, stage := p.eng.Deadline()
	if stage == "" {
		return p.eng.HoldFor(engine.HoldStrange, fmt.Sprintf("the unit speaks, but within %s it showed no prompt that the dialogue knows; its last line is %q", p.wakeWithin(), p.lastLine()))
	}
	return p.eng.HoldFor(engine.HoldOverdue, fmt.Sprintf("stage %q has taken longer than it may; the unit's last line is %q", stage, p.lastLine()))
}

func (p *play) lastLine() string {
	lines := strings.Split(strings.TrimSpace(p.scr.Tail(400)), "\n")
	return p.Mask(strings.TrimSpace(lines[len(lines)-1]))
}

func round(d time.Duration) time.Duration { return d.Round(100 * time.Millisecond) }

// waker presses keys at a unit that says nothing.
type waker struct {
	redraw *script.Key
	wake   *script.Wake
	opened time.Time
	quiet  time.Duration // tells a pause in what a unit prints from its end
	last   time.Time     // when a key was pressed last
	tries  int
}

// redrawTries is how often the redraw key, which accepts nothing, is tried
// before the wake key, which may take a default.
const redrawTries = 2

func newWaker(d *script.Dialogue, opened time.Time, quiet time.Duration) waker {
	return waker{redraw: d.Redraw, wake: d.Wake, opened: opened, quiet: quiet}
}

func (w *waker) every() time.Duration {
	if w.wake != nil && w.wake.Every > 0 {
		return w.wake.Every
	}
	return 5 * time.Second
}

// wakeAfter is how long a line that was just opened may be silent before the
// wake key is pressed, which may take a default. The redraw key accepts
// nothing: it may ask as soon as the line has been quiet for as long as tells
// a pause in what a unit prints from its end.
const wakeAfter = time.Second

// due is when a key is to be pressed: soon after the line was opened, and
// then whenever the unit has said nothing for a while.
func (w *waker) due(heard time.Time) time.Time {
	if w.last.IsZero() && heard.IsZero() {
		after := wakeAfter
		if w.redraw != nil {
			after = w.quiet
		}
		return w.opened.Add(min(after, w.every()))
	}
	return latest(w.last, heard).Add(w.every())
}

// press is the key for this time; none when the dialogue has none for it.
func (w *waker) press(now time.Time) (script.Key, bool) {
	w.last = now
	w.tries++
	if w.redraw != nil && (w.tries <= redrawTries || w.wake == nil) {
		return *w.redraw, true
	}
	if w.wake == nil {
		return script.Key{}, false
	}
	return w.wake.Press, w.wake.Press.Bytes != ""
}

// mayWake tells whether keys may be pressed to make the unit speak: nothing
// has been answered on this line, and no question stands there that the key
// might answer.
func (p *play) mayWake() bool {
	if p.here > 0 || p.Dialogue.Wake == nil && p.Dialogue.Redraw == nil {
		return false
	}
	return !p.spoken() || strings.TrimSpace(p.scr.Current()) == ""
}

// nextWake is when a key is to be pressed; the zero time: not at all.
func (p *play) nextWake() time.Time {
	if !p.mayWake() {
		return time.Time{}
	}
	var heard time.Time
	if p.spoken() {
		heard = p.lastHeard
	}
	return p.waker.due(heard)
}

// spoken tells whether the unit has said anything since the line was opened;
// our own bytes coming back are nothing.
func (p *play) spoken() bool {
	return p.heard.bytes > 0 && (p.heard.bytes > len(p.said) || !ownEcho(p.heard.first, p.said))
}

// wake presses a key at a silent unit when it is time.
func (p *play) wake() error {
	now := time.Now()
	if due := p.nextWake(); due.IsZero() || now.Before(due) {
		return nil
	}
	if key, ok := p.waker.press(now); ok {
		return p.press("wake", key)
	}
	return nil
}

func (p *play) redraw(because string) error {
	p.eng.Redrawn()
	since := p.since
	err := p.showAfresh(because)
	if p.eng.Reading() {
		// The unit may be in the middle of what it was asked for.
		p.since = since
	}
	return err
}

// showAfresh presses the redraw key, and lets the engine have it pressed once
// more: a unit that is busy throws keys away.
func (p *play) showAfresh(because string) error {
	p.note("redraw", because)
	p.since = p.scr.Place()
	p.asked = time.Now()
	return p.press("redraw", *p.Dialogue.Redraw)
}

// press sends one key that is not an answer.
func (p *play) press(why string, key script.Key) error {
	return p.send(transcript.Event{Why: why, Text: key.Name}, key.Bytes)
}

// sortedSpeeds are the speeds worth trying, the likeliest first.
func sortedSpeeds(but int) []int {
	return slices.DeleteFunc([]int{9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200, 300}, func(s int) bool { return s == but })
}
