package transcript

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"linehand/transcript/internal/durable"
)

// ErrEnded says that the record already has its ending, after which nothing
// stands.
var ErrEnded = errors.New("the session record already has its ending")

// syncEvery is how long an event that need not be on disk at once may wait
// for that.
const syncEvery = 200 * time.Millisecond

// chunkSize bounds the bytes in one event.
const chunkSize = 64 << 10

// Journal writes a session record while the run goes on. Its methods are
// called from one goroutine, except Path and Offset; it has one goroutine of
// its own, which brings events to disk and ends at Close.
//
// When an event cannot be written or brought to disk (a full disk, a torn
// write), the journal has failed for good: the file is cut back to its last
// whole line where that is possible, and every later call returns the same
// error. A run that cannot be recorded must not go on.
type Journal struct {
	path    string
	started time.Time
	now     func() time.Time
	mask    *Mask

	heard  *stream   // masks what is heard
	heldAt time.Time // when the oldest byte that heard holds back arrived
	typed  *stream   // masks what a person types

	tell      func(Event) // nil: nobody is told
	committer *Committer  // nil: secrets leave no commitments
	entered   []entered   // the secrets that were typed
	keys      []byte      // typed by hand since the last Enter

	syncing sync.Mutex // held while the file is brought to disk; taken before mu

	mu    sync.Mutex // guards the rest
	file  File
	size  int64 // of the file, up to its last whole line
	link  string
	n     int // number of the last event
	ended bool
	dirty bool  // something has been written since the last sync began
	err   error // why the journal has failed

	wake    chan struct{} // holds one value when dirty
	stop    chan struct{}
	stopped chan struct{}
	once    sync.Once
}

// Option changes how Create makes a journal.
type Option func(*Journal)

// WithFile makes the journal append to f, which is empty, in place of a new
// file at the path.
func WithFile(f File) Option { return func(j *Journal) { j.file = f } }

// WithClock makes the journal take the time from now in place of time.Now.
// What now returns should have a monotonic reading.
func WithClock(now func() time.Time) Option { return func(j *Journal) { j.now = now } }

// WithTelling makes the journal tell f of each event as it is written, masked
// as it stands in the file: for a live view that shows nothing which the
// record does not hold. f must not wait for anything.
func WithTelling(f func(Event)) Option { return func(j *Journal) { j.tell = f } }

// WithCommitments makes each secret that is typed, and that the mask knows,
// leave a commitment in the record. They are worked out at Close.
func WithCommitments(c *Committer) Option { return func(j *Journal) { j.committer = c } }

// Create begins a record at path, which must not be there yet, and has its
// header on disk before it returns. Folders that are missing are made. A zero
// h.Started means now; offsets count from it by the monotonic clock when it
// has a reading of that. Secrets that mask knows do not get into the file; a
// nil mask knows none.
func Create(path string, h Header, mask *Mask, opts ...Option) (*Journal, error) {
	j := &Journal{path: path, now: time.Now, mask: mask, link: firstLink,
		wake: make(chan struct{}, 1), stop: make(chan struct{}), stopped: make(chan struct{})}
	for _, opt := range opts {
		opt(j)
	}
	if j.mask == nil {
		j.mask = NewMask()
	}
	if h.Started.IsZero() {
		h.Started = j.now()
	}
	j.started = h.Started
	j.heard, j.typed = newStream(j.mask), newStream(j.mask)
	if err := j.begin(h); err != nil {
		return nil, fmt.Errorf("begin a session record: %w", err)
	}
	go j.syncer()
	return j, nil
}

// begin writes the header and brings it, and the file's name, to disk.
func (j *Journal) begin(h Header) error {
	body, err := appendHeader(nil, j.masked(h))
	if err != nil {
		return err
	}
	onDisk := j.file == nil
	if onDisk {
		if j.file, err = openNew(j.path); err != nil {
			return err
		}
	}
	err = j.write(body)
	if err == nil {
		err = j.file.Sync()
	}
	if err == nil && onDisk {
		err = durable.SyncFolder(filepath.Dir(j.path))
	}
	if err != nil {
		j.file.Close()
		if onDisk {
			os.Remove(j.path) // ours: it was not there before
		}
		return err
	}
	j.dirty = false
	return nil
}

// masked is h with secrets taken out of what the plan says.
func (j *Journal) masked(h Header) Header {
	if h.Planned == nil {
		return h
	}
	planned := make(map[string]string, len(h.Planned))
	for path, value := range h.Planned {
		planned[path] = j.mask.Text(value)
	}
	h.Planned = planned
	return h
}

// Path is where the record is.
func (j *Journal) Path() string { return j.path }

// Offset is how long after the start of the run t is. Before it, 0.
func (j *Journal) Offset(t time.Time) time.Duration { return max(t.Sub(j.started), 0) }

// Heard records bytes from the unit that arrived at the given time. Bytes
// that may be the beginning of a secret are held back until it is clear what
// they are, and then recorded with their own time.
func (j *Journal) Heard(at time.Time, p []byte) error {
	for len(p) > chunkSize {
		if err := j.Heard(at, p[:chunkSize]); err != nil {
			return err
		}
		p = p[chunkSize:]
	}
	if err := j.usable(); err != nil {
		return err
	}
	j.heard.feed(p)
	return j.putHeard(at, int64(len(p)))
}

// putHeard records what the mask has let go. fresh is how many bytes came
// at the given time.
func (j *Journal) putHeard(at time.Time, fresh int64) error {
	old, new := j.heard.takeBoth()
	before := j.heldAt
	if j.heard.holding() <= fresh {
		j.heldAt = at
	}
	if err := j.putData(before, old); err != nil {
		return err
	}
	return j.putData(at, new)
}

func (j *Journal) putData(at time.Time, data []Part) error {
	if len(data) == 0 {
		return nil
	}
	return j.put(at, Event{Kind: Heard, Data: data})
}

// Say records what is about to be typed, and returns when it is on disk: only
// then may it be sent. The event's N, At, Wall and Kind are filled in, and
// its data and texts are masked. Who types has read what stands on the line:
// Say calls Flush, so that the end of a prompt comes before its answer.
func (j *Journal) Say(e Event) error {
	if err := j.Flush(); err != nil {
		return err
	}
	e.Kind = Said
	j.maskTexts(&e)
	typed := e.Data
	if e.Why == "hand" {
		e.Data = j.byHand(e.Data)
	} else {
		e.Data = j.mask.said(e.Data)
	}
	if err := j.put(j.now(), e); err != nil {
		return err
	}
	j.enter(e.Why == "hand", typed)
	return j.Sync()
}

// byHand masks what a person types, key by key.
func (j *Journal) byHand(data []Part) []Part {
	var out []Part
	for _, part := range data {
		if part.Secret != "" {
			out = append(out, part)
			continue
		}
		out = append(out, j.typed.typed(part.Bytes)...)
	}
	return out
}

// Append records an event of any kind but heard and said. Its N, At and Wall
// are filled in, and its texts and data are masked. An ending is the last event, and
// is on disk when Append returns.
func (j *Journal) Append(e Event) error {
	if e.Kind == Heard || e.Kind == Said {
		return fmt.Errorf("record a %s event: it has a method of its own", e.Kind)
	}
	if err := j.usable(); err != nil {
		return err
	}
	j.maskTexts(&e)
	e.Data = j.mask.said(e.Data)
	if e.Kind != Ending {
		return j.put(j.now(), e)
	}
	if err := j.finishHeard(); err != nil {
		return err
	}
	if err := j.put(j.now(), e); err != nil {
		return err
	}
	j.mu.Lock()
	j.ended = true
	j.mu.Unlock()
	return j.Sync()
}

func (j *Journal) maskTexts(e *Event) {
	for _, text := range []*string{&e.Exchange, &e.Value, &e.Name, &e.Text, &e.Want, &e.Got, &e.By, &e.Next} {
		*text = j.mask.Text(*text)
	}
}

// Flush is called when the line has gone quiet. It records what was held
// back, except for three bytes or more that may still be the beginning of a
// secret (one byte, when the mask knows a secret shorter than eight). These
// stay held back, so that they may come after the next said event in the
// file; their time tells where they belong.
func (j *Journal) Flush() error {
	if err := j.usable(); err != nil {
		return err
	}
	j.heard.quiet()
	return j.putHeard(j.heldAt, 0)
}

// Window tells that a secret is about to be typed. Until EndWindow, every
// printable run that is heard is recorded as that secret, unless it is blank
// or one mask character again and again, for an echo that doubles, drops or
// flips characters shows near-secrets. Control characters and line ends pass.
// What a person types is masked in the same way.
func (j *Journal) Window(name string) error {
	if err := j.usable(); err != nil {
		return err
	}
	j.heard.openWindow(name)
	j.typed.openWindow(name)
	j.typed.take()
	return j.putHeard(j.heldAt, 0)
}

// EndWindow tells that the echo of the secret is over.
func (j *Journal) EndWindow() error {
	if err := j.usable(); err != nil {
		return err
	}
	j.heard.closeWindow()
	j.typed.closeWindow()
	return j.putHeard(j.heldAt, 0)
}

// finishHeard records what the mask still holds back; the longer beginning
// of a secret is recorded as that secret.
func (j *Journal) finishHeard() error {
	j.heard.chunk = j.heard.pos
	j.heard.finish()
	return j.putHeard(j.heldAt, 0)
}

// Sync brings all that was recorded to disk.
func (j *Journal) Sync() error {
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	if j.err != nil || !j.dirty {
		defer j.mu.Unlock()
		return j.err
	}
	j.dirty = false
	j.mu.Unlock()

	err := j.file.Sync() // without the lock: appends need not wait
	j.mu.Lock()
	defer j.mu.Unlock()
	if err != nil && j.err == nil {
		j.err = fmt.Errorf("bring the session record %s to disk: %w", j.path, err)
	}
	return j.err
}

// Close records what was held back, adds the commitments to the secrets that
// were typed (which takes a fraction of a second each), brings all to disk and
// closes the file. A record without an ending says by that that the run did
// not end. Close may be called again.
func (j *Journal) Close() error {
	j.once.Do(j.close)
	if err := j.usable(); err != nil && !errors.Is(err, ErrEnded) && !errors.Is(err, errClosed) {
		return err
	}
	return nil
}

var errClosed = errors.New("the session record is closed")

func (j *Journal) close() {
	close(j.stop)
	<-j.stopped
	if j.usable() == nil {
		j.finishHeard()
	}
	j.commit()
	j.Sync()
	err := j.file.Close()
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.err == nil && err != nil {
		j.err = fmt.Errorf("close the session record %s: %w", j.path, err)
	}
	if j.err == nil {
		j.err = errClosed
	}
}

func (j *Journal) usable() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.err == nil && j.ended {
		return ErrEnded
	}
	return j.err
}

// put appends an event that happened at the given time.
func (j *Journal) put(at time.Time, e Event) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.err != nil {
		return j.err
	}
	e.N, e.At, e.Wall = j.n+1, j.Offset(at), at.In(j.started.Location())
	body := appendEvent(make([]byte, 0, 512), e)
	if len(body)+linkSize > maxLine {
		return fmt.Errorf("record event %d: it is longer than a line of a record may be (%d bytes)", e.N, maxLine)
	}
	if err := j.write(body); err != nil {
		j.err = fmt.Errorf("append event %d to the session record %s: %w", e.N, j.path, err)
		return j.err
	}
	j.n = e.N
	if j.tell != nil {
		j.tell(e)
	}
	select {
	case j.wake <- struct{}{}:
	default:
	}
	return nil
}

// write appends a line, or leaves the file as it was.
func (j *Journal) write(body []byte) error {
	link := j.link
	line := chain(body, &link)
	n, err := j.file.Write(line)
	if err == nil && n < len(line) {
		err = errors.New("the system took only a part of it")
	}
	if err != nil {
		if cut := j.file.Truncate(j.size); cut != nil && n > 0 {
			err = fmt.Errorf("%w; a torn line is left at its end (%v)", err, cut)
		}
		return err
	}
	j.link, j.size, j.dirty = link, j.size+int64(len(line)), true
	return nil
}

// syncer brings events to disk in the background, at most every syncEvery.
func (j *Journal) syncer() {
	defer close(j.stopped)
	for {
		select {
		case <-j.stop:
			return
		case <-j.wake:
		}
		pause := time.NewTimer(syncEvery)
		select {
		case <-j.stop:
			pause.Stop()
			return
		case <-pause.C:
		}
		j.Sync() // an error is kept, and the next call returns it
	}
}
