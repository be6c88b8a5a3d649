package player

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"linehand/console/screen"
	"linehand/script"
	"linehand/script/engine"
	"linehand/transcript"
)

// tries is how often an answer is typed before a person is asked.
const tries = 3

// slower is the next pause between characters: 10 ms cured the worst loss
// that was measured on real consoles, 5 ms did not.
func slower(pace time.Duration) time.Duration {
	if pace < 10*time.Millisecond {
		return 10 * time.Millisecond
	}
	return min(3*pace, 200*time.Millisecond)
}

// answer types an answer, checks its echo, and only then presses Enter.
func (p *play) answer(t engine.Type) error {
	p.shutWindow()
	p.watch(Typing, t.Exchange, nil)
	if t.Key != nil {
		p.since = p.scr.Place()
		if err := p.send(said(t, "key"), t.Key.Bytes); err != nil {
			return err
		}
		p.done(t)
		return nil
	}
	a, err := p.render(t)
	if err != nil {
		return err
	}
	typed, err := p.typeEchoed(t, a)
	if err != nil {
		if errors.Is(err, errStopped) {
			p.takeBack()
		}
		return err
	}
	if !typed {
		return nil // a hold took over
	}
	p.since = p.scr.Place()
	if p.window == windowTyping {
		p.window = windowEntered // before Enter: the line end may come at once
	}
	p.entered, p.enteredAt = standing{utf8.RuneCountInString(a.text), a.secret != ""}, time.Now()
	if t.Enter.Bytes != "" {
		e := said(t, "enter")
		e.Value = ""
		if err := p.send(e, t.Enter.Bytes); err != nil {
			return err
		}
	}
	p.done(t)
	return nil
}

// done notes that an exchange has had its answer.
func (p *play) done(t engine.Type) {
	p.halfTyped = 0
	if p.eng.Verified() {
		p.standing = standing{}
	}
	p.answered++
	p.here++
	p.eng.Answered(t, time.Now())
	p.watch(Waiting, "", nil)
}

// rendered is an answer with its secrets.
type rendered struct {
	text   string
	parts  []transcript.Part // for the record, secrets by name
	secret string            // name of a secret in it, "" if there is none
	path   string            // plan path of its value, when it is just that
}

func (p *play) render(t engine.Type) (rendered, error) {
	var a rendered
	for _, piece := range t.Pieces {
		if piece.Secret == "" {
			a.text += piece.Text
			a.parts = append(a.parts, transcript.Part{Bytes: []byte(piece.Text)})
			a.path = piece.Path
			continue
		}
		value, err := p.Secrets.Secret(piece.Secret)
		if err != nil {
			return a, fmt.Errorf("answering %q (%s): %w", t.Exchange, t.Pos, err)
		}
		a.text += value
		a.parts = append(a.parts, transcript.Part{Secret: piece.Secret})
		a.secret = piece.Secret
	}
	if len(t.Pieces) > 1 {
		a.path = ""
	}
	return a, nil
}

func said(t engine.Type, why string) transcript.Event {
	return transcript.Event{Why: why, Stage: t.Stage, Exchange: t.Exchange, Pos: t.Pos}
}

// typeEchoed types until the echo is right. It returns false when it was
// not to be had and a hold has dealt with it.
func (p *play) typeEchoed(t engine.Type, a rendered) (bool, error) {
	var why string
	if err := p.clearUnseen(t, a); err != nil {
		return false, err
	}
	for try := range tries {
		before := p.scr.Current()
		at := p.scr.Place()
		e := said(t, "answer")
		e.Data, e.Value = a.parts, a.path
		if try > 0 {
			e.Code = "retype"
		}
		if a.text != "" {
			if err := p.typeOnce(e, a); err != nil {
				return false, err
			}
		}
		var ok bool
		var err error
		if ok, why, err = p.echoed(t.Echo, a, at, before); err != nil || ok {
			return ok, err
		}
		p.note("echo", fmt.Sprintf("after typing the answer to %q: %s", t.Exchange, why))
		erased, err := p.erase(a, at, before)
		if err != nil {
			return false, err
		}
		if !erased {
			// Noise can make an Enter out of any character: whatever waits
			// now, it is not the question that was being answered.
			why += ", and it could not be taken back"
			break
		}
		p.pace = slower(p.pace)
	}
	p.halfTyped = 0
	p.shutWindow()
	_, err := p.holdFor(engine.HoldEcho, t, fmt.Sprintf("the echo of the answer to %q is wrong: %s; Enter was not sent", t.Exchange, why))
	return false, err
}

// unseenMost is how many characters may stand at a prompt that shows none of
// them.
const unseenMost = 128

// clearUnseen erases what may stand already at the first prompt of a line
// that shows nothing of what is typed: whoever was here before, perhaps a run
// that was killed, may have left a secret half typed.
func (p *play) clearUnseen(t engine.Type, a rendered) error {
	if p.here > 0 || a.text == "" || t.Echo != script.EchoHidden && t.Echo != script.EchoNone {
		return nil
	}
	e, keys := p.erasing(unseenMost, true)
	e.Text = "what may stand there unseen"
	if err := p.send(e, keys); err != nil {
		return err
	}
	wire := time.Duration(len(keys)) * p.Line.Info().Settings.CharTime()
	_, err := p.pump(time.Now().Add(wire+p.lineSettle()), nil)
	return err
}

// typeOnce puts an answer on record and sends it, paced.
func (p *play) typeOnce(e transcript.Event, a rendered) error {
	e.Kind = transcript.Said
	p.halfSecret = a.secret != ""
	if p.halfSecret {
		if err := p.rec.Window(a.secret); err != nil {
			return &recordError{err}
		}
		p.window = windowTyping
	}
	if err := p.rec.Say(e); err != nil {
		return &recordError{err}
	}
	if p.pace == 0 {
		p.halfTyped = utf8.RuneCountInString(a.text)
		return p.transmit(a.text)
	}
	for _, r := range a.text {
		p.halfTyped++
		if err := p.transmit(string(r)); err != nil {
			return err
		}
		if _, err := p.pump(time.Now().Add(p.pace), nil); err != nil {
			return err
		}
	}
	return nil
}

// How long an echo may take, beyond the time that its characters need.
const (
	echoLate  = 3 * time.Second        // nothing, or only a part, has come
	echoWrong = 200 * time.Millisecond // quiet after something that cannot become right
	echoShort = time.Second            // quiet after a part of it
)

// echoed waits for the echo of an answer and tells whether it is right, or
// why not.
func (p *play) echoed(mode script.EchoMode, a rendered, at screen.Place, before string) (bool, string, error) {
	onWire := time.Duration(len(a.text)) * p.Line.Info().Settings.CharTime()
	start := time.Now()
	switch {
	case a.text == "":
		return true, "", nil
	case mode == script.EchoNone:
		_, err := p.pump(start.Add(onWire), nil)
		return err == nil, "", err
	case mode == script.EchoHidden:
		return p.hiddenEcho(a, at, before, start.Add(p.hiddenWait(onWire)))
	}
	right := func() bool { return p.shows(a.text, at, before) }
	limit := start.Add(2*onWire + echoLate)
	for {
		why, err := p.echoComes(a, at, right, start.Add(onWire), limit)
		if why != "" || err != nil {
			return false, why, err
		}
		// The last character may have been doubled on its way: the second of
		// its echoes is still to come. So may be the rest of a message that
		// breaks in right behind it; that is waited for.
		if _, err := p.pump(time.Now().Add(p.echoRest()), nil); err != nil {
			return false, "", err
		}
		if right() {
			return true, "", nil
		}
	}
}

// echoComes waits until the echo is right, and tells why it will not be.
func (p *play) echoComes(a rendered, at screen.Place, right func() bool, sent, limit time.Time) (why string, err error) {
	for !right() {
		got := p.echoSince(at)
		wait := echoShort
		if got != "" && !strings.HasPrefix(a.text, got) {
			wait = echoWrong
		}
		if got == "" {
			wait = echoLate
		}
		due := earlier(limit, latest(p.lastHeard, sent).Add(wait))
		if !time.Now().Before(due) {
			if got == "" {
				return "the unit shows nothing of what was typed", nil
			}
			return fmt.Sprintf("the unit shows %q", briefly(p.unsecret(a, got))), nil
		}
		if _, err := p.pump(due, right); err != nil {
			return "", err
		}
		if p.failed != nil {
			return "the unit has failed", nil
		}
	}
	return "", nil
}

// echoRest is how long after its last character an echo must stay as it is:
// three characters' time, and what an adapter may hold back.
func (p *play) echoRest() time.Duration {
	info := p.Line.Info()
	rest := 3 * info.Settings.CharTime()
	if strings.HasPrefix(info.Identity, "usb") {
		rest += settleUSB / 2
	}
	return rest
}

// hiddenWait is how long nothing at all must be shown of a secret before it
// counts as hidden: the first sign of a mask is due within a settle time of
// the first character, and the last when all of them have been on the wire.
func (p *play) hiddenWait(onWire time.Duration) time.Duration {
	return max(p.Line.Info().Settings.CharTime()+p.lineSettle(), onWire+p.echoRest())
}

// shows tells whether the screen holds just text since at, however it was
// redrawn.
func (p *play) shows(text string, at screen.Place, before string) bool {
	got := p.echoSince(at)
	if got == text {
		return true
	}
	// The blank that ends many a prompt may come late, from a unit that has
	// much to do, when the answer is on its way already.
	if got == " "+text && !strings.HasSuffix(before, " ") {
		return true
	}
	// A message may have broken in and the prompt been drawn afresh with what
	// was typed so far.
	line := withoutChatter(p.scr.Current(), p.Dialogue.Chatter)
	return strings.TrimSpace(before) != "" && line == before+text
}

func (p *play) echoSince(at screen.Place) string {
	return withoutChatter(p.scr.Since(at, sinceMost), p.Dialogue.Chatter)
}

// hiddenEcho waits for the echo of a secret: nothing at all, or one and the
// same mask character for each character typed.
func (p *play) hiddenEcho(a rendered, at screen.Place, before string, until time.Time) (bool, string, error) {
	want := utf8.RuneCountInString(a.text)
	masked := func() bool { return p.scr.Current() != before && maskCount(p.scr.Current()) == want }
	for {
		if _, err := p.pump(until, masked); err != nil {
			return false, "", err
		}
		if masked() {
			return true, "", nil
		}
		if quiet := p.lastHeard.Add(echoWrong); quiet.After(until) && p.scr.Current() != before {
			until = quiet // a mask that is still being drawn
			continue
		}
		break
	}
	now := p.scr.Current()
	got := p.echoSince(at)
	switch n := maskCount(now); {
	case now == before || got == "":
		return true, "", nil
	case got == a.text:
		p.note("secret-shown", fmt.Sprintf("the unit shows secret %s as it is typed; the record withholds it", a.secret))
		return true, "", nil
	case n > 0 && n != want:
		return false, fmt.Sprintf("the unit masks %d characters where another number was typed", n), nil
	default:
		return false, "the unit shows something else than nothing or a mask while a secret is typed (withheld)", nil
	}
}

// maskCount is the length of the run of one and the same sign at the end of
// a line; 0 when the line ends in a letter, a digit or a blank.
func maskCount(line string) int {
	last, _ := utf8.DecodeLastRuneInString(line)
	if last == utf8.RuneError || unicode.IsLetter(last) || unicode.IsDigit(last) || unicode.IsSpace(last) {
		return 0
	}
	n := 0
	for strings.HasSuffix(line, string(last)) {
		line = strings.TrimSuffix(line, string(last))
		n++
	}
	return n
}

// briefly is the beginning of a text that may be as long as a unit likes.
func briefly(text string) string {
	const most = 120
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:most]) + " …"
}

// unsecret keeps a secret, also a mangled one, out of a sentence.
func (p *play) unsecret(a rendered, got string) string {
	if a.secret != "" {
		return "something else (withheld)"
	}
	return p.Mask(got)
}

// erase takes back what was typed and has not been entered. Characters that
// are still shown afterwards (doubled on the way) are taken back too. It tells
// whether the prompt stands as it did before.
func (p *play) erase(a rendered, at screen.Place, before string) (bool, error) {
	clear := func() bool { return p.echoSince(at) == "" || p.scr.Current() == before }
	n := max(utf8.RuneCountInString(a.text), utf8.RuneCountInString(p.echoSince(at)))
	noisy := !plain(p.echoSince(at))
	for range tries {
		if err := p.eraseOnce(n, a.secret != ""); err != nil {
			return false, err
		}
		noisy = noisy || !plain(p.echoSince(at))
		if clear() {
			if noisy {
				// What looks empty need not be: a unit keeps bytes that make no
				// sign of their own. Its line can be erased past its beginning.
				if err := p.eraseOnce(unseenMost, a.secret != ""); err != nil {
					return false, err
				}
			}
			p.halfTyped = 0
			return true, nil
		}
		n = max(1, utf8.RuneCountInString(p.echoSince(at)))
	}
	// Blanks that cannot be taken back were not typed: they are the end of
	// the prompt, and came late. The answer is typed again behind them.
	if strings.Trim(p.echoSince(at), " ") == "" {
		p.halfTyped = 0
		return true, nil
	}
	return false, nil
}

// eraseOnce presses the erase key n times and hears what comes of it.
func (p *play) eraseOnce(n int, secret bool) error {
	e, keys := p.erasing(n, secret)
	if err := p.send(e, keys); err != nil {
		return err
	}
	wire := time.Duration(4*n) * p.Line.Info().Settings.CharTime()
	_, err := p.pump(time.Now().Add(wire+300*time.Millisecond), nil)
	return err
}

// plain tells whether a text is of printable ASCII alone, as most answers
// are: each character of it is one byte and one sign.
func plain(text string) bool {
	return strings.IndexFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) < 0
}

// erasing is what takes n typed characters back, and the event for it. Of a
// secret the record holds one key only: the number would tell its length.
func (p *play) erasing(n int, secret bool) (e transcript.Event, keys string) {
	key := p.Dialogue.Line.Erase
	if key.Bytes == "" {
		key = script.Key{Name: "Backspace", Bytes: "\b"}
	}
	if p.Dialogue.Line.EraseAll {
		n = 1
	}
	keys = strings.Repeat(key.Bytes, n)
	e = transcript.Event{Kind: transcript.Said, Why: "erase", Text: key.Name, Data: []transcript.Part{{Bytes: []byte(keys)}}}
	if secret {
		e.Data[0].Bytes = []byte(key.Bytes)
	}
	return e, keys
}

// takeBack erases what is half typed when the run is being stopped, so that
// nothing of it waits in the unit. The run's context is done: it sends
// without hearing.
func (p *play) takeBack() {
	if p.halfTyped == 0 {
		return
	}
	e, keys := p.erasing(p.halfTyped, p.halfSecret)
	e.Text = "taken back, because the run was stopped"
	if p.rec.Say(e) != nil {
		return
	}
	if err := <-p.m.send(keys); err == nil {
		p.halfTyped = 0
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
