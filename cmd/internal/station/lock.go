package station

import (
	"fmt"

	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

// Lock is the state of a plan's lock file.
type Lock struct {
	File  string    `json:"file"`
	State LockState `json:"state"`
	Auto  int       `json:"auto"` // ports and clusters whose addresses are allotted
}

// LockState tells whether a lock file holds what the plan has allotted.
type LockState string

// The states.
const (
	LockNotNeeded LockState = "not needed" // the profile leaves no address to be allotted
	LockCurrent   LockState = "current"
	LockAbsent    LockState = "absent" // there is none
	LockStale     LockState = "stale"  // it lacks addresses, or has some that nobody asks for
)

func lockOf(s *site.Site, p *plan.Plan) *Lock {
	l := &Lock{File: s.Lock.File, State: LockStale, Auto: len(p.Lock.Entries)}
	switch {
	case s.Lock.Same(p.Lock):
		l.State = LockCurrent
		if l.Auto == 0 {
			l.State = LockNotNeeded
		}
	case len(s.Lock.Entries) == 0:
		l.State = LockAbsent
	}
	return l
}

// Lock is the state of the sheet's lock file.
func (s *Sheet) Lock() Lock { return *lockOf(s.Site, s.Plan) }

// Ready tells whether a run may type the values of this sheet. Addresses that
// no lock file holds move when the profile grows, and sums that do not come
// out are faults of the plan like any other. An error is of type Findings.
func (s *Sheet) Ready() error {
	var faults Findings
	if missing := unlocked(s.Site.Lock, s.Plan.Lock); missing != nil {
		who := missing.Unit + " port " + missing.Port
		if missing.Cluster != "" {
			who = "the cluster " + missing.Cluster
		}
		pos := missing.Address.Pos
		if pos.Line == 0 {
			pos = missing.Address6.Pos
		}
		faults = append(faults, at(pos, Error, fmt.Sprintf("the address of %s is left to be allotted, and the lock file %s does not hold it", who, s.Site.Lock.File),
			"an address that nothing holds moves when the profile grows", "run: linehand lock "+s.File))
	}
	_, problems := sums.Work(s.Site, s.Plan, sums.Options{})
	faults = append(faults, findingsOfPlan(problems).Faults()...)
	if len(faults) > 0 {
		return faults
	}
	return nil
}

// unlocked is the first entry of the plan's lock that the file does not hold;
// nil: it holds all.
func unlocked(file, plan site.Lock) *site.Locked {
	type key struct{ unit, port, cluster string }
	type held struct{ address, address6 string }
	have := make(map[key]held, len(file.Entries))
	for _, e := range file.Entries {
		have[key{e.Unit, e.Port, e.Cluster}] = held{e.Address.Value, e.Address6.Value}
	}
	for i, e := range plan.Entries {
		h := have[key{e.Unit, e.Port, e.Cluster}]
		if h.address != e.Address.Value && e.Address.Value != "" || h.address6 != e.Address6.Value && e.Address6.Value != "" {
			return &plan.Entries[i]
		}
	}
	return nil
}
