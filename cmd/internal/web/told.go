package web

import (
	"os"
	"sync"
	"time"

	"linehand/cmd/internal/archive"
	"linehand/script"
	"linehand/script/plan"
	"linehand/transcript/audit"
)

// planned is a unit as the plan has it; nil: it has none of this name.
func (s *site) planned(unit string) *plan.Unit {
	if s.Plan == nil || unit == "" {
		return nil
	}
	r := s.Plan()
	if r == nil || r.Plan == nil {
		return nil
	}
	u, err := r.Plan.Unit(unit)
	if err != nil {
		return nil
	}
	return u
}

// stageCache keeps the names of the stages of dialogues, by file, for as long
// as the file stays as it is.
type stageCache struct {
	mu    sync.Mutex
	known map[string]knownStages
}

type knownStages struct {
	changed time.Time
	names   []string
}

func (c *stageCache) of(path string) []string {
	info, err := os.Stat(path)
	if err != nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if k, ok := c.known[path]; ok && k.changed.Equal(info.ModTime()) {
		return k.names
	}
	k := knownStages{changed: info.ModTime()}
	if d, err := script.Load(path); err == nil {
		for _, st := range d.Stages {
			k.names = append(k.names, st.Name)
		}
	}
	if c.known == nil {
		c.known = make(map[string]knownStages)
	}
	c.known[path] = k
	return k.names
}

// mostAudits is how many are kept: as many as a large bench has lines.
const mostAudits = 128

// auditCache keeps what records tell, for as long as they do not grow: many
// browsers may look at one line.
type auditCache struct {
	mu    sync.Mutex
	known map[string]*knownAudit
}

type knownAudit struct {
	mu     sync.Mutex
	size   int64
	report audit.Report
}

// of is the audit of a record, which may still grow.
func (c *auditCache) of(a *archive.Archive, name string) (audit.Report, error) {
	if a == nil || name == "" {
		return audit.Report{}, nil
	}
	size, err := sizeOf(a, name)
	if err != nil {
		return audit.Report{}, err
	}
	k := c.get(name)
	k.mu.Lock() // others wait for the one who reads, and do not read again
	defer k.mu.Unlock()
	if k.size == size {
		return k.report, nil
	}
	report, err := a.Audit(name)
	if err != nil {
		return audit.Report{}, err
	}
	k.size, k.report = size, report
	return report, nil
}

func (c *auditCache) get(name string) *knownAudit {
	c.mu.Lock()
	defer c.mu.Unlock()
	k := c.known[name]
	if k == nil {
		if len(c.known) >= mostAudits || c.known == nil {
			c.known = make(map[string]*knownAudit)
		}
		k = &knownAudit{size: -1}
		c.known[name] = k
	}
	return k
}

func sizeOf(a *archive.Archive, name string) (int64, error) {
	f, err := a.File(name)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}
