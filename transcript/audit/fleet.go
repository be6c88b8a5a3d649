package audit

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// Fleet is what many runs come to.
type Fleet struct {
	Runs     int           `json:"runs"`
	Verdicts []Count       `json:"verdicts"`        // of each unit's last run
	Units    []FleetUnit   `json:"units"`           // by name
	Parts    []StageTime   `json:"parts,omitempty"` // of visits; what costs most first
	Stages   []StageTime   `json:"stages"`          // what costs most first
	Prompts  []PromptTrial `json:"prompts"`         // refused or typed again, most often first
}

// Count is how often something is so.
type Count struct {
	What  string `json:"what"`
	Times int    `json:"times"`
}

// FleetUnit is a unit with its runs; what is said of it is of the last one.
type FleetUnit struct {
	Unit    string   `json:"unit"`
	Kind    string   `json:"unit_kind,omitempty"`
	Runs    int      `json:"runs"`
	Last    Run      `json:"last"`
	Because []string `json:"because,omitempty"`
	Holds   int      `json:"holds"`
	ByHand  int      `json:"by_hand"`
	Clock   int      `json:"clock_jumps"`
	Points  int      `json:"points,omitempty"` // left open
	Factory *Factory `json:"factory_secret,omitempty"`
}

// StageTime is what a stage, or a part of a visit, took with one kind of unit,
// in runs that finished it.
type StageTime struct {
	Kind   string        `json:"unit_kind,omitempty"`
	Part   string        `json:"part,omitempty"`
	Stage  string        `json:"stage,omitempty"` // "" for the part as a whole
	Runs   int           `json:"runs"`
	Median time.Duration `json:"median_ns"`
	Max    time.Duration `json:"max_ns"`
	MaxBy  string        `json:"max_by"` // unit
	All    time.Duration `json:"all_ns"`
}

// PromptTrial is a prompt at which something went wrong.
type PromptTrial struct {
	Kind     string   `json:"unit_kind,omitempty"`
	Stage    string   `json:"stage,omitempty"`
	Exchange string   `json:"exchange"`
	Refused  int      `json:"refused"`
	Retypes  int      `json:"retypes"`
	Units    []string `json:"units"`
	Words    string   `json:"words,omitempty"` // of the last refusal
}

// Over looks over many runs.
func Over(reports []Named) Fleet {
	reports = slices.Clone(reports)
	slices.SortStableFunc(reports, func(a, b Named) int { return cmp.Or(a.Started.Compare(b.Started), cmp.Compare(a.Record, b.Record)) })
	f := Fleet{Runs: len(reports), Verdicts: []Count{}, Units: units(reports), Parts: partTimes(reports), Stages: stageTimes(reports), Prompts: trials(reports)}
	for _, v := range []Verdict{AsPlanned, Open, Unplanned, Differs, NotFinished, NotWhole} {
		n := 0
		for _, u := range f.Units {
			if u.Last.Verdict == v {
				n++
			}
		}
		if n > 0 {
			f.Verdicts = append(f.Verdicts, Count{string(v), n})
		}
	}
	return f
}

// Worst is the verdict that the fleet comes to: that of the units' last runs
// that is furthest from the plan.
func (f Fleet) Worst() Verdict {
	worst := AsPlanned
	for _, c := range f.Verdicts {
		worst = Verdict(c.What)
	}
	return worst
}

func units(reports []Named) []FleetUnit {
	at := make(map[string]int)
	list := []FleetUnit{}
	for _, r := range reports {
		i, ok := at[r.Unit]
		if !ok {
			i = len(list)
			at[r.Unit] = i
			list = append(list, FleetUnit{})
		}
		list[i] = FleetUnit{Unit: r.Unit, Kind: r.Kind, Runs: list[i].Runs + 1, Last: r.run(), Because: r.Because,
			Holds: len(r.Holds), ByHand: len(r.ByHand), Clock: len(r.Clock), Points: len(r.Left()), Factory: r.Factory}
	}
	slices.SortFunc(list, func(a, b FleetUnit) int { return cmp.Compare(a.Unit, b.Unit) })
	return list
}

func stageTimes(reports []Named) []StageTime {
	var t timing
	for _, r := range reports {
		for _, s := range r.Stages {
			if s.State == "done" {
				t.add(StageTime{Kind: r.Kind, Part: s.Part, Stage: s.Name}, r.Unit, s.Took)
			}
		}
	}
	return t.list()
}

func partTimes(reports []Named) []StageTime {
	var t timing
	for _, r := range reports {
		for _, p := range r.Parts {
			if p.Good() {
				t.add(StageTime{Kind: r.Kind, Part: p.Name}, r.Unit, p.Took)
			}
		}
	}
	return t.list()
}

// timing gathers times of the same.
type timing struct {
	at    map[StageTime]int
	times []StageTime
	took  [][]time.Duration
}

func (t *timing) add(what StageTime, unit string, took time.Duration) {
	if t.at == nil {
		t.at = make(map[StageTime]int)
	}
	i, ok := t.at[what]
	if !ok {
		i = len(t.times)
		t.at[what] = i
		t.times, t.took = append(t.times, what), append(t.took, nil)
	}
	t.took[i] = append(t.took[i], took)
	s := &t.times[i]
	s.Runs++
	s.All += took
	if took > s.Max || s.MaxBy == "" {
		s.Max, s.MaxBy = took, unit
	}
}

// list is what costs most first.
func (t *timing) list() []StageTime {
	list := slices.Clone(t.times)
	for i := range list {
		list[i].Median = median(t.took[i])
	}
	slices.SortStableFunc(list, func(a, b StageTime) int {
		return cmp.Or(cmp.Compare(b.All, a.All), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Part, b.Part), cmp.Compare(a.Stage, b.Stage))
	})
	if list == nil {
		list = []StageTime{}
	}
	return list
}

// median is the middle one; of an even number, the mean of the two.
func median(list []time.Duration) time.Duration {
	list = slices.Sorted(slices.Values(list))
	n := len(list)
	if n%2 == 1 {
		return list[n/2]
	}
	return (list[n/2-1] + list[n/2]) / 2
}

func trials(reports []Named) []PromptTrial {
	type key struct{ kind, stage, exchange string }
	at := make(map[key]int)
	list := []PromptTrial{}
	trial := func(r Named, stage, exchange string) *PromptTrial {
		k := key{r.Kind, stage, exchange}
		i, ok := at[k]
		if !ok {
			i = len(list)
			at[k] = i
			list = append(list, PromptTrial{Kind: r.Kind, Stage: stage, Exchange: exchange})
		}
		if !slices.Contains(list[i].Units, r.Unit) {
			list[i].Units = append(list[i].Units, r.Unit)
		}
		return &list[i]
	}
	for _, r := range reports {
		for _, x := range r.Refusals {
			t := trial(r, x.Stage, x.Exchange)
			t.Refused, t.Words = t.Refused+1, x.Words
		}
		for _, s := range r.Stages {
			for _, e := range s.Entries {
				if e.Retypes > 0 {
					trial(r, s.Name, e.Exchange).Retypes += e.Retypes
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b PromptTrial) int {
		return cmp.Or(cmp.Compare(b.Refused, a.Refused), cmp.Compare(b.Retypes, a.Retypes), cmp.Compare(a.Exchange, b.Exchange))
	})
	return list
}

// WriteText writes the fleet for people.
func (f Fleet) WriteText(w io.Writer) error {
	p := page{}
	p.title("%d runs of %d units", f.Runs, len(f.Units))
	for _, c := range f.Verdicts {
		p.row(label, c.What, fmt.Sprintf("%d units by their last run", c.Times))
	}
	p.fleetUnits(f)
	if len(f.Parts) > 0 {
		p.stageTimes("What the parts of visits took, the costliest first", "part", f.Parts)
	}
	p.stageTimes("What the stages took, the costliest first", "stage", f.Stages)
	if len(f.Prompts) > 0 {
		widths := []int{18, 28, 7, 7, 28}
		p.title("Where units refused, or an answer was typed again")
		p.row(widths, "kind", "prompt", "refused", "retyped", "units")
		for _, t := range f.Prompts {
			p.row(widths, t.Kind, joined(t.Stage, t.Exchange), fmt.Sprint(t.Refused), fmt.Sprint(t.Retypes), joined(strings.Join(t.Units, " "), t.Words))
		}
	}
	_, err := w.Write(p.Bytes())
	return err
}

func (p *page) stageTimes(title, what string, list []StageTime) {
	widths := []int{18, 30, 4, 9, 9, 18}
	p.title("%s", title)
	p.row(widths, "kind", what, "runs", "median", "longest", "by")
	for _, s := range list {
		p.row(widths, s.Kind, inStage(s.Part, s.Stage), fmt.Sprint(s.Runs), lasted(s.Median), lasted(s.Max), s.MaxBy)
	}
}

func (p *page) fleetUnits(f Fleet) {
	widths := []int{16, 4, 16, 12, 42}
	p.title("Units, by their last run")
	p.row(widths, "unit", "runs", "begun", "verdict", "to look at")
	for _, u := range f.Units {
		p.row(widths, u.Unit, fmt.Sprint(u.Runs), u.Last.Started.Format("2006-01-02 15:04"), string(u.Last.Verdict), strings.Join(u.Look(), " "))
	}
}

// Look is what somebody should look at, a sentence each.
func (u FleetUnit) Look() []string {
	list := slices.Clone(u.Because)
	for _, c := range []struct {
		n    int
		what string
	}{{u.Holds, "hold"}, {u.ByHand, "part typed by hand"}, {u.Clock, "clock jump"}, {u.Points, "open point"}} {
		switch {
		case c.n == 1:
			list = append(list, "1 "+c.what+".")
		case c.n > 1:
			list = append(list, fmt.Sprintf("%d %s.", c.n, strings.Replace(c.what+"s", "part typed by hands", "parts typed by hand", 1)))
		}
	}
	if u.Factory != nil && u.Factory.State == FactoryValid {
		list = append(list, u.Factory.Text)
	}
	return list
}
