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
	Verdicts []Count       `json:"verdicts"` // of each unit's last run
	Units    []FleetUnit   `json:"units"`    // by name
	Stages   []StageTime   `json:"stages"`   // what costs most first
	Prompts  []PromptTrial `json:"prompts"`  // refused or typed again, most often first
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
	Factory *Factory `json:"factory_secret,omitempty"`
}

// StageTime is what a stage of one kind of unit took, in runs that finished
// it.
type StageTime struct {
	Kind   string        `json:"unit_kind,omitempty"`
	Stage  string        `json:"stage"`
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
	f := Fleet{Runs: len(reports), Verdicts: []Count{}, Units: units(reports), Stages: stageTimes(reports), Prompts: trials(reports)}
	for _, v := range []Verdict{AsPlanned, Unplanned, Differs, NotFinished, NotWhole} {
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
			Holds: len(r.Holds), ByHand: len(r.ByHand), Clock: len(r.Clock), Factory: r.Factory}
	}
	slices.SortFunc(list, func(a, b FleetUnit) int { return cmp.Compare(a.Unit, b.Unit) })
	return list
}

func stageTimes(reports []Named) []StageTime {
	type key struct{ kind, stage string }
	at := make(map[key]int)
	list := []StageTime{}
	var took [][]time.Duration
	for _, r := range reports {
		for _, s := range r.Stages {
			if s.State != "done" {
				continue
			}
			k := key{r.Kind, s.Name}
			i, ok := at[k]
			if !ok {
				i = len(list)
				at[k] = i
				list, took = append(list, StageTime{Kind: r.Kind, Stage: s.Name}), append(took, nil)
			}
			took[i] = append(took[i], s.Took)
			list[i].Runs++
			list[i].All += s.Took
			if s.Took > list[i].Max || list[i].MaxBy == "" {
				list[i].Max, list[i].MaxBy = s.Took, r.Unit
			}
		}
	}
	for i := range list {
		list[i].Median = median(took[i])
	}
	slices.SortStableFunc(list, func(a, b StageTime) int {
		return cmp.Or(cmp.Compare(b.All, a.All), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Stage, b.Stage))
	})
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
	widths := []int{18, 30, 4, 9, 9, 18}
	p.title("What the stages took, the costliest first")
	p.row(widths, "kind", "stage", "runs", "median", "longest", "by")
	for _, s := range f.Stages {
		p.row(widths, s.Kind, s.Stage, fmt.Sprint(s.Runs), lasted(s.Median), lasted(s.Max), s.MaxBy)
	}
	if len(f.Prompts) > 0 {
		widths = []int{18, 28, 7, 7, 28}
		p.title("Where units refused, or an answer was typed again")
		p.row(widths, "kind", "prompt", "refused", "retyped", "units")
		for _, t := range f.Prompts {
			p.row(widths, t.Kind, joined(t.Stage, t.Exchange), fmt.Sprint(t.Refused), fmt.Sprint(t.Retypes), joined(strings.Join(t.Units, " "), t.Words))
		}
	}
	_, err := w.Write(p.Bytes())
	return err
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
	}{{u.Holds, "hold"}, {u.ByHand, "part typed by hand"}, {u.Clock, "clock jump"}} {
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
