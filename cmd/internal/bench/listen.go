package bench

import (
	"context"
	"errors"
	"io"
	"strings"
	"time"

	"linehand/console"
	"linehand/console/screen"
	"linehand/script"
	"linehand/transcript"
)

// How long things take while a line is listened to.
const (
	retryLost   = time.Second / 4  // before a line that was lost is opened again
	retryOpen   = 2 * time.Second  // before a line that could not be opened is tried again
	quietFor    = time.Second      // text has come, and nothing more
	answerIn    = 2 * time.Second  // after a key was pressed
	settingsFor = 20 * time.Second // before other settings are tried, when nothing readable comes
	askEvery    = 20 * time.Second // before a unit that speaks is asked again who it is, unless a person wants it
	checkEvery  = 2 * time.Second  // whether what keeps a unit waiting is over
)

// redraws is how often the key that accepts nothing is pressed before another
// is considered.
const redraws = 2

// listen opens the line and hears who is on it, until there is something to
// play, or the line is gone or put to rest.
func (l *line) listen(ctx context.Context) {
	plan := l.d.planned.Load()
	sets := plan.kinds.settings()
	set := sets[l.tried%len(sets)]
	opened, err := l.d.cfg.Open(ctx, l.address, set, "linehand bench")
	if err != nil {
		l.cannotOpen(ctx, err)
		return
	}
	h := &hearing{line: l, port: opened, plan: plan, kinds: plan.kinds.at(set), opened: time.Now(), seen: map[string]time.Time{}}
	if opened.Info().Settings.Speed == 0 {
		h.kinds = plan.kinds // a line without a speed: whatever speaks
	}
	h.scr = screen.New(h.kinds.columns(), 24)
	h.scr.OnLine(func(s screen.Line) { h.finished(s.Text) })
	if h.journal, err = transcript.Create("", transcript.Header{Unit: "line", Mode: "listen"}, l.d.cfg.Mask, transcript.WithFile(nowhere{}), transcript.WithTelling(l.view.heard)); err != nil {
		opened.Close()
		l.say(Busy, true, err.Error())
		l.wait(ctx, retryOpen)
		return
	}
	l.hears(opened.Info().Device)
	h.loop(ctx)
	opened.Close()
	h.wait()
	if err := h.journal.Close(); err != nil {
		l.d.cfg.Log.Debug().Err(err).Msg("listening")
	}
	if h.other {
		l.tried++
	}
	if h.lost {
		l.wait(ctx, retryLost)
	}
}

// hears shows that the line is open, where nothing better is known of it.
func (l *line) hears(device string) {
	l.set(func(s *Line) {
		if s.Device == "" {
			s.Device = device
		}
		switch s.State {
		case Matched, Unmatched, Finished:
			return
		}
		if s.Ending != nil && s.Unit != "" {
			s.State, s.Person, s.Why = Finished, true, "it has been played; take the cable to the next unit"
			return
		}
		s.State, s.Person, s.Why = Listening, false, "it waits for a unit to speak"
	})
}

// cannotOpen says why a line cannot be opened, and waits.
func (l *line) cannotOpen(ctx context.Context, err error) {
	var busy *console.BusyError
	switch {
	case ctx.Err() != nil:
		return
	case errors.As(err, &busy):
		l.say(Busy, true, busy.Error())
	case errors.Is(err, console.ErrAbsent):
		l.forget()
		l.say(Absent, false, "it is not there")
	default:
		l.say(Busy, true, err.Error())
	}
	l.wait(ctx, retryOpen)
}

// hearing is a line that is listened to.
type hearing struct {
	*line
	port    console.Line
	plan    *planned // as it was when listening began
	kinds   kinds
	scr     *screen.Screen
	journal *transcript.Journal // writes nowhere: it masks what is shown
	chunks  chan heardBytes
	stop    chan struct{}
	done    chan struct{}

	opened time.Time
	last   time.Time            // when the last byte came
	unread bool                 // text has come after a pause that told no serial number
	asks   bool                 // somebody is to be asked who it is
	tries  int                  // keys pressed since
	pressd time.Time            // when the last one was
	asked  time.Time            // when the first one was
	vain   bool                 // it was asked, and did not say
	seen   map[string]time.Time // serial numbers on an unfinished line, and when
	bytes  int
	bad    int  // of them, what is no text
	spoke  bool // it is shown that text comes
	lost   bool
	other  bool // other settings are to be tried
}

type heardBytes struct {
	bytes []byte
	at    time.Time
	err   error
}

// loop hears until there is something else to do.
func (h *hearing) loop(ctx context.Context) {
	h.chunks, h.stop, h.done = make(chan heardBytes, 64), make(chan struct{}), make(chan struct{})
	go h.read()
	knock := h.knocking()
	for {
		select {
		case c := <-h.chunks:
			if c.err != nil {
				h.gone()
				return
			}
			h.hear(c)
		case <-h.knocked:
			h.ask()
		case <-knock:
			knock = h.knocking()
			if !h.unread {
				h.ask()
			}
		case <-h.look:
		case <-time.After(h.pause()):
		case <-ctx.Done():
			return
		}
		h.quiet()
		if h.over() {
			return
		}
	}
}

// knocking is when a quiet line is asked next; never, unless the site wants
// it.
func (h *hearing) knocking() <-chan time.Time {
	if h.d.cfg.Knock == 0 {
		return nil
	}
	return time.After(h.d.cfg.Knock)
}

// pause is how long nothing has to be done.
func (h *hearing) pause() time.Duration {
	if h.unread || h.asks {
		return quietFor / 4
	}
	return checkEvery
}

// over tells whether listening is over.
func (h *hearing) over() bool {
	h.d.mu.Lock()
	rest, plugged := h.rest, h.plugged
	h.d.mu.Unlock()
	return rest || !plugged || h.other || h.d.planned.Load().sheet != h.plan.sheet || h.next() != nil
}

// gone: the cable is out, and whoever was on it is not known any more.
func (h *hearing) gone() {
	h.lost = true
	h.forget()
	h.say(Listening, false, "it waits for a unit to speak")
}

func (h *hearing) read() {
	defer close(h.done)
	buf := make([]byte, 4096)
	for {
		n, at, err := h.port.Read(buf)
		c := heardBytes{at: at, err: err}
		if n > 0 {
			c.bytes = append([]byte(nil), buf[:n]...)
		}
		select {
		case h.chunks <- c:
		case <-h.stop:
			return
		}
		if err != nil {
			return
		}
	}
}

func (h *hearing) wait() {
	close(h.stop)
	<-h.done
}

func (h *hearing) hear(c heardBytes) {
	paused := h.last.IsZero() || c.at.Sub(h.last) >= quietFor
	h.last = c.at
	h.bytes += len(c.bytes)
	for _, b := range c.bytes {
		if b >= 0x7f || b < ' ' && !strings.ContainsRune("\a\b\t\n\v\f\r\x1b\x00", rune(b)) {
			h.bad++
		}
	}
	// What comes after a key was pressed is its answer, and no news.
	if paused && !h.asks && c.at.Sub(h.pressd) >= answerIn && c.at.Sub(h.asked) > askEvery {
		h.unread, h.tries = true, 0
	}
	if h.bytes > 16 && h.bad*3 <= h.bytes && !h.spoke {
		h.spoke = true
		h.set(func(s *Line) {
			if s.State == Listening {
				s.Why = "text comes; the unit has not said yet who it is"
			}
		})
	}
	_ = h.journal.Heard(c.at, c.bytes) // it writes nowhere
	h.scr.Write(c.bytes)
	h.scr.Queries()
}

// finished reads a line that the unit has finished.
func (h *hearing) finished(text string) {
	if serial, by := h.kinds.read(text); serial != "" {
		h.known(serial, by)
	}
}

func (h *hearing) known(serial string, by []string) {
	h.unread, h.asks, h.tries, h.vain = false, false, 0, false
	h.recognised(serial, by)
}

// quiet does what is to be done when the line says nothing.
func (h *hearing) quiet() {
	now := time.Now()
	if !h.last.IsZero() && now.Sub(h.last) < quietFor || now.Sub(h.pressd) < answerIn {
		return
	}
	_ = h.journal.Flush()
	if h.unfinished() {
		return
	}
	switch {
	case h.bytes > 16 && h.bad*3 > h.bytes, h.bytes == 0 && now.Sub(h.opened) > settingsFor && !h.asks:
		h.other = len(h.plan.kinds.settings()) > 1 && h.port.Info().Settings.Speed != 0
	}
	// A unit that was starting may have thrown the keys away.
	if h.vain && h.last.Sub(h.pressd) >= answerIn && now.Sub(h.asked) > askEvery {
		h.unread, h.tries, h.vain = true, 0, false
	}
	if h.unread || h.asks {
		h.press(now)
	}
}

// unfinished reads the line that the cursor is on. A value there may be cut
// short: it counts when it was the same twice.
func (h *hearing) unfinished() bool {
	serial, by := h.kinds.read(h.scr.Current())
	if serial == "" {
		return false
	}
	first, seen := h.seen[serial]
	if !seen {
		h.seen[serial] = h.last
		return false
	}
	if !h.last.After(first) {
		return false
	}
	delete(h.seen, serial)
	h.known(serial, by)
	return true
}

// ask has the line asked who is there.
func (h *hearing) ask() { h.asks, h.tries = true, 0 }

// press presses the next key that may make a unit say who it is: one that
// accepts nothing, and after that the one that wakes every kind here, if
// nothing stands on the screen that it could answer.
func (h *hearing) press(now time.Time) {
	redraw, hasRedraw := h.kinds.redraw()
	wake, hasWake := h.kinds.wake()
	if h.tries++; h.tries == 1 {
		h.asked = now
	}
	switch {
	case hasRedraw && h.tries <= redraws:
		h.send(redraw)
	case hasWake && h.tries <= redraws+1 && h.bytes == 0 && strings.TrimSpace(h.scr.Tail(0)) == "":
		h.send(wake)
	default:
		h.unread, h.asks, h.vain = false, false, true
		h.unknown()
		return
	}
	h.pressd = now
}

// unknown offers a unit that does not say who it is to a person.
func (h *hearing) unknown() {
	h.set(func(s *Line) {
		if s.State == Listening && h.bytes > 0 {
			s.State, s.Person, s.Why = Unmatched, true, "a unit speaks, and does not say its serial number"
		}
	})
}

func (h *hearing) send(key script.Key) {
	if err := h.d.notes.did(act{At: time.Now(), By: "bench " + h.d.cfg.Name, Act: "press", ID: h.id, Text: key.Name}); err != nil {
		h.d.cfg.Log.Error().Err(err).Msg("a key was not pressed")
		return
	}
	if _, err := h.port.Write([]byte(key.Bytes)); err != nil {
		h.d.cfg.Log.Debug().Err(err).Str("line", h.id).Msg("press a key")
	}
}

// nowhere is a record's file that keeps nothing.
type nowhere struct{}

var _ io.Writer = nowhere{}

func (nowhere) Write(p []byte) (int, error) { return len(p), nil }
func (nowhere) Sync() error                 { return nil }
func (nowhere) Truncate(int64) error        { return nil }
func (nowhere) Close() error                { return nil }
