package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// The files of the data folder.
const (
	notesFile = "bench.json" // what the bench must know after a restart
	actsFile  = "acts.jsonl" // who did what, a line each
	lockFile  = "bench.lock" // held while a bench runs in this folder
)

const notesFormat = "linehand.bench/1"

// saved is what notesFile holds.
type saved struct {
	Format  string              `json:"format"`
	Running bool                `json:"running,omitempty"` // the bench runs, or was cut off
	Lines   map[string]lineNote `json:"lines,omitempty"`
	Runs    map[string]runNote  `json:"runs,omitempty"`    // by unit, the latest one
	Matches map[string]string   `json:"matches,omitempty"` // serial number -> unit, as a person said
	Orders  []Order             `json:"orders,omitempty"`  // where no store keeps them
}

// lineNote is what is known of a line.
type lineNote struct {
	Label string `json:"label,omitempty"`
	Rest  bool   `json:"rest,omitempty"`
	Unit  string `json:"unit,omitempty"` // that was played on it last
	Here  string `json:"here,omitempty"` // serial number of the unit that is on it
}

// runNote is the latest run of a unit.
type runNote struct {
	Order   string    `json:"order"`
	Line    string    `json:"line"`
	Serial  string    `json:"serial,omitempty"` // as the unit has said it
	Record  string    `json:"record,omitempty"`
	Begun   time.Time `json:"begun"`
	Stop    string    `json:"stop,omitempty"`    // who has stopped it
	Ending  *Ending   `json:"ending,omitempty"`  // nil: it goes on, or was cut off
	Cut     []string  `json:"cut,omitempty"`     // records of its earlier parts, which were cut off
	By      string    `json:"by,omitempty"`      // who has allowed it
	Settled bool      `json:"settled,omitempty"` // the order holds the ending
	Serves  bool      `json:"serves,omitempty"`  // it answers by now: those after it in its cluster may have their turn
}

// notes are the bench's memory on disk: what is in them was there before it
// counted.
type notes struct {
	folder string

	now atomic.Pointer[saved] // what is on disk; never changed in place

	mu   sync.Mutex // held to change them
	acts *os.File
}

// openNotes reads the notes of a data folder, or begins them.
func openNotes(folder string) (*notes, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("make the bench's data folder: %w", err)
	}
	n := &notes{folder: folder}
	now := &saved{Format: notesFormat}
	n.now.Store(now)
	data, err := os.ReadFile(filepath.Join(folder, notesFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("read the bench's notes: %w", err)
	default:
		if err := json.Unmarshal(data, now); err != nil || now.Format != notesFormat {
			return nil, fmt.Errorf("%s is no file of this version of the bench; put it aside to begin afresh (%v)", filepath.Join(folder, notesFile), err)
		}
	}
	n.acts, err = os.OpenFile(filepath.Join(folder, actsFile), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the list of what people do: %w", err)
	}
	return n, nil
}

func (n *notes) close() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.acts.Close()
}

// read looks at the notes, and changes nothing. It waits for no disk.
func (n *notes) read(f func(*saved)) { f(n.now.Load()) }

// change changes the notes, and has them on disk before it returns. With an
// error they are as before.
func (n *notes) change(f func(*saved)) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	fresh := n.now.Load().clone()
	f(fresh)
	data, err := json.MarshalIndent(fresh, "", " ")
	if err == nil {
		err = replace(filepath.Join(n.folder, notesFile), data)
	}
	if err != nil {
		return fmt.Errorf("write the bench's notes: %w", err)
	}
	n.now.Store(fresh)
	return nil
}

func (s *saved) clone() *saved {
	c := *s
	c.Lines, c.Runs, c.Matches = maps.Clone(orNew(s.Lines)), maps.Clone(orNew(s.Runs)), maps.Clone(orNew(s.Matches))
	c.Orders = slices.Clone(s.Orders)
	return &c
}

func orNew[V any](m map[string]V) map[string]V {
	if m == nil {
		m = make(map[string]V)
	}
	return m
}

// replace puts a file in the place of another: after a power cut the old one
// is there or the new one.
func replace(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
		return err
	}
	// Not every system can bring a folder to disk.
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync()
		dir.Close()
	}
	return nil
}

// act is one thing that a person, or the bench itself, has done.
type act struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Role string    `json:"role,omitempty"`
	Act  string    `json:"act"`
	ID   string    `json:"id,omitempty"` // of the line, the hold or the unit
	Text string    `json:"text,omitempty"`
}

// did writes down what somebody does, before it is done.
func (n *notes) did(a act) error {
	line, err := json.Marshal(a)
	if err != nil {
		return err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if _, err = n.acts.Write(append(line, '\n')); err == nil {
		err = n.acts.Sync()
	}
	if err != nil {
		return fmt.Errorf("write down who did what: %w", err)
	}
	return nil
}
