package ledger

import (
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"linehand/transcript"
	"linehand/transcript/internal/durable"
)

// Policy says which records are kept. A record goes when it is too old or one
// too many; zero members do not count. Only records that the log has can go:
// one that was never sealed stays until it is.
type Policy struct {
	Site   string        // only records of this site; "" for all
	MaxAge time.Duration // since the run began
	Keep   int           // for each site, the newest ones that are kept
}

// Due are the entries of the records that the policy lets go, oldest first.
func (l *Log) Due(p Policy, now time.Time) []Entry {
	removed := make(map[int64]bool)
	for _, e := range l.entries {
		if e.Kind == Removed {
			removed[e.Of] = true
		}
	}
	sites := make(map[string][]Entry)
	for _, e := range l.entries {
		if (e.Kind == Sealed || e.Kind == Imported) && !removed[e.Entry] && (p.Site == "" || p.Site == e.Site) {
			sites[e.Site] = append(sites[e.Site], e)
		}
	}
	var due []Entry
	for _, list := range sites {
		slices.SortStableFunc(list, func(a, b Entry) int { return a.started().Compare(b.started()) })
		for i, e := range list {
			old := p.MaxAge > 0 && now.Sub(e.started()) > p.MaxAge
			many := p.Keep > 0 && len(list)-i > p.Keep
			if old || many {
				due = append(due, e)
			}
		}
	}
	slices.SortFunc(due, func(a, b Entry) int { return int(a.Entry - b.Entry) })
	return due
}

func (e Entry) started() time.Time {
	t, _ := time.Parse(time.RFC3339Nano, e.Started)
	return t
}

// Remove takes a record out of the folder. The log says so first: the seal's
// link, why, and who wanted it.
func (l *Ledger) Remove(e Entry, why, by string) error {
	if why == "" {
		return fmt.Errorf("remove the record %s: say why", transcript.Printable(e.Record))
	}
	out := Entry{Kind: Removed, Record: e.Record, Unit: e.Unit, Site: e.Site, Started: e.Started, Of: e.Entry, Why: why, By: by}
	if err := l.done(out, l.remove); err != nil {
		return fmt.Errorf("remove the record %s: %w", transcript.Printable(e.Record), err)
	}
	return nil
}

func (l *Ledger) remove(e Entry) error {
	if !filepath.IsLocal(filepath.FromSlash(e.Record)) {
		return fmt.Errorf("the log names a record outside its folder, %s", transcript.Printable(e.Record))
	}
	return durable.Remove(filepath.Join(l.dir, filepath.FromSlash(e.Record)))
}
