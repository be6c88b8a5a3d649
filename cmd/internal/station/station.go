package station

import (
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"linehand/console"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/transcript"
)

// Station is one unit on one line.
type Station struct {
	Sheet    *Sheet
	Unit     *plan.Unit
	Dialogue *script.Dialogue
	Secrets  player.Secrets
	Known    []string // names of the secrets that Mask knows
	Mask     *transcript.Mask

	Line   console.Line // Play closes it
	Reopen func(context.Context) (console.Line, error)
	Tune   func(context.Context, console.Settings) (console.Line, error)

	Tool    string // name and version, for the record
	Mode    string // for the record: bringup or rehearse
	Records string // folder for the record
	Person  string
	Chassis string // serial number that a person has read off the chassis
	Away    time.Duration
	Desk    player.Desk // nil: nobody is there
	Watch   func(player.Progress)
	Hands   *player.Hands // through which people take the line over; nil: nobody can

	// HalfTyped is what an earlier run, which was cut off, may have left typed
	// (see ReadCut).
	HalfTyped int
	// Begun is told where the record goes before there is one, and before
	// anything is sent; an error keeps the run from beginning. May be nil.
	Begun func(record string) error
	// Tell is told of each event as it is recorded, masked. It must not wait
	// for anything. May be nil.
	Tell func(transcript.Event)

	Committer *transcript.Committer    // binds the record to the secrets that are typed; nil: nothing does
	Head      func(*transcript.Header) // fills in what the record says of the bench's log; may be nil
	Log       zerolog.Logger
}

// Result is how a unit's run ended.
type Result struct {
	Unit    string
	Line    string
	Record  string // path of the session record
	Ending  engine.Ending
	Elapsed time.Duration
}

// Play begins the record and plays the dialogue. An error means that the run
// could not begin, and nothing was sent.
func (s *Station) Play(ctx context.Context) (Result, error) {
	started := time.Now()
	res := Result{Unit: s.Unit.Name, Line: s.Line.Info().Name}
	path, err := RecordPath(s.Records, s.Unit.Name, started)
	if err != nil {
		s.Line.Close()
		return res, err
	}
	if s.Begun != nil {
		if err := s.Begun(path); err != nil {
			s.Line.Close()
			return res, &RecordError{err}
		}
	}
	header := s.header(started)
	var opts []transcript.Option
	if s.Tell != nil {
		opts = append(opts, transcript.WithTelling(s.Tell))
	}
	if s.Head != nil {
		s.Head(&header)
	}
	if s.Committer != nil {
		opts = append(opts, transcript.WithCommitments(s.Committer))
	}
	journal, err := transcript.Create(path, header, s.Mask, opts...)
	if err != nil {
		s.Line.Close()
		return res, &RecordError{err}
	}
	res.Record = path
	run := player.Run{
		Dialogue: s.Dialogue,
		Target:   engine.Target{Serial: s.Unit.Serial, Values: maps.Clone(s.Unit.Values)},
		Line:     s.Line, Record: journal, Secrets: s.Secrets,
		Reopen: s.Reopen, Tune: s.Tune, Away: s.Away,
		Desk: s.Desk, Chassis: s.Chassis, Person: s.Person, Hands: s.Hands, HalfTyped: s.HalfTyped,
		Watch: s.Watch, Mask: s.Mask.Text,
		Log: s.Log.With().Str("unit", s.Unit.Name).Logger(),
	}
	res.Ending, err = run.Play(ctx)
	res.Elapsed = time.Since(started)
	if cerr := journal.Close(); cerr != nil && err == nil {
		return res, &RecordError{cerr}
	}
	return res, err
}

// RecordError says that a session record could not be begun or finished.
type RecordError struct{ Err error }

func (e *RecordError) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *RecordError) Unwrap() error { return e.Err }

// RecordPath is where the record of a run that begins now goes. A run of the
// same unit within the same second gets a number behind its time.
func RecordPath(folder, unit string, started time.Time) (string, error) {
	base := filepath.Join(folder, fmt.Sprintf("%s-%s", unit, started.UTC().Format("20060102T150405Z")))
	for n := 1; n < 100; n++ {
		path := base + ".record"
		if n > 1 {
			path = fmt.Sprintf("%s-%d.record", base, n)
		}
		if _, err := os.Lstat(path); err != nil {
			return path, nil
		}
	}
	return "", &RecordError{fmt.Errorf("%s has a hundred records of this second", folder)}
}

func (s *Station) header(started time.Time) transcript.Header {
	info := s.Line.Info()
	return transcript.Header{
		Tool: s.Tool, Unit: s.Unit.Name, Kind: s.Unit.Kind, Serial: s.Unit.Serial,
		Site:     s.Sheet.Plan.Site.Name,
		Line:     LineInfo(info),
		Dialogue: transcript.Source{Name: s.Dialogue.Name, File: s.Dialogue.File, SHA256: s.Dialogue.SHA256},
		Profile:  transcript.Source{Name: s.Sheet.Plan.Site.Name, File: s.Sheet.File, SHA256: s.Sheet.SHA256},
		Plan:     s.Unit.SHA256, Planned: s.Unit.Planned,
		Secrets: s.Known, Person: s.Person, Mode: s.Mode,
		Started: started, Zone: started.Format("-07:00"),
	}
}

// LineInfo is a line as a record's header describes it.
func LineInfo(info console.Info) transcript.LineInfo {
	return transcript.LineInfo{Name: info.Name, Identity: info.Identity, Device: info.Device, Settings: info.Settings.String()}
}
