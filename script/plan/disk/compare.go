package disk

import (
	"fmt"
	"time"
)

// Needs are what a person asks of the layout; 0 where nothing is asked.
type Needs struct {
	Stated
	Capacity Size          `json:"capacity"`   // usable
	Survive  int           `json:"survive"`    // failures survived for certain
	Rebuild  time.Duration `json:"rebuild_ns"` // at most, by the stated rate
}

// Option is one layout beside the others.
type Option struct {
	Figures             // only Layout is set where Impossible says why
	Impossible string   `json:"impossible"` // "" where the layout can be made of the drives
	Misses     []string `json:"misses"`     // which needs it does not meet, and by how much
	Against    []Note   `json:"against"`    // why one would rather not, each with its source
}

// Fits tells whether the layout is possible and meets every need.
func (o Option) Fits() bool { return o.Impossible == "" && len(o.Misses) == 0 }

// Compare works out every layout over the same drives, the impossible ones
// with the reason, always in the same order. Striped mirrors are tried with
// two and three copies, parity groups with every number of groups that
// divides. It fails only where drives, spares or needs make no sense.
func Compare(drives []Size, spares int, needs Needs) ([]Option, error) {
	if _, _, err := weigh(drives, spares); err != nil {
		return nil, err
	}
	if needs.Capacity < 0 || needs.Survive < 0 || needs.Rebuild < 0 {
		return nil, fmt.Errorf("a need is negative: write 0 or leave it out where nothing is asked")
	}
	if err := needs.check(); err != nil {
		return nil, err
	}
	var options []Option
	for _, layout := range layouts(len(drives) - spares) {
		options = append(options, option(layout, drives, spares, needs))
	}
	return options, nil
}

func option(layout Layout, drives []Size, spares int, needs Needs) Option {
	figures, err := Work(layout, drives, spares, needs.Stated)
	switch grouped := layout.Kind == SingleParityGroups || layout.Kind == DoubleParityGroups; {
	case grouped && layout.Groups == 0:
		least, _ := layout.Minimum()
		return Option{Figures: Figures{Layout: layout}, Impossible: fmt.Sprintf(
			"%s: %d drives besides the spares do not divide into two or more equal groups of at least %d",
			layout, len(drives)-spares, least/2)}
	case err != nil:
		return Option{Figures: Figures{Layout: layout}, Impossible: err.Error()}
	}
	return Option{Figures: figures, Misses: needs.missed(figures), Against: against(figures)}
}

// layouts lists what to try over so many members. A kind of which no number
// of groups divides is listed without a number.
func layouts(members int) []Layout {
	all := []Layout{
		{Kind: Striped}, {Kind: Mirrored},
		{Kind: StripedMirrors, Copies: 2}, {Kind: StripedMirrors, Copies: 3},
		{Kind: SingleParity}, {Kind: DoubleParity},
	}
	for _, kind := range []Kind{SingleParityGroups, DoubleParityGroups} {
		none := true
		for groups := 2; groups <= min(members, most); groups++ {
			l := Layout{Kind: kind, Groups: groups}
			if members%groups != 0 {
				continue
			}
			if _, err := l.shape(members); err == nil {
				all = append(all, l)
				none = false
			}
		}
		if none {
			all = append(all, Layout{Kind: kind})
		}
	}
	return all
}

func (n Needs) missed(f Figures) []string {
	var misses []string
	if f.Usable < n.Capacity {
		misses = append(misses, fmt.Sprintf("holds %s, %s less than needed", f.Usable, (n.Capacity-f.Usable).Decimal(2)))
	}
	if f.Certain < n.Survive {
		misses = append(misses, fmt.Sprintf("survives %d failures for certain, not %d", f.Certain, n.Survive))
	}
	if n.Rebuild > 0 && f.Rebuild > n.Rebuild {
		misses = append(misses, fmt.Sprintf("rebuilds in %s at best, not in %s", f.Rebuild.Round(time.Minute), n.Rebuild))
	}
	return misses
}

// advised is the bound on an unreadable sector from which on a layout is
// advised against. The figure is ours.
const advised = 0.01

func against(f Figures) []Note {
	var notes []Note
	if f.Certain == 0 {
		notes = append(notes, Note{"any drive that fails takes all data with it", "md(4): striping has no redundancy"})
	}
	for _, r := range f.Rebuilds {
		if !r.Covered && f.Certain == 1 && r.Unreadable > advised {
			notes = append(notes, Note{
				fmt.Sprintf("a rebuild reads %s with nothing left to mend an unreadable sector: the chance of one is at most %.1f %%",
					r.Reads.Decimal(2), 100*r.Unreadable),
				"1 - (1-r)^bits with the stated rate, an upper limit by the data sheet; advised against from 1 %, a figure of our own",
			})
		}
	}
	if f.Layout.Kind == DoubleParity && f.Members == 4 {
		notes = append(notes, Note{"striped mirrors of two copies hold the same and rebuild from one drive; some systems ask for five drives",
			"lvmraid(7): double parity from five devices on"})
	}
	if f.Layout.Kind == DoubleParityGroups && f.Members == 4*f.Groups {
		notes = append(notes, Note{"groups of four give up half: striped mirrors hold the same and rebuild from one drive", "arithmetic"})
	}
	if f.Layout.Kind == Mirrored && f.Members > 3 {
		notes = append(notes, Note{fmt.Sprintf("%d drives hold what one holds", f.Members), "arithmetic"})
	}
	return notes
}

// cautions are what to bear in mind when reading the figures of a layout.
func cautions(l Layout, drives []Size, spares int) []Note {
	var notes []Note
	smallest, largest := drives[0], drives[0]
	for _, d := range drives {
		smallest, largest = min(smallest, d), max(largest, d)
	}
	if smallest != largest {
		notes = append(notes, Note{fmt.Sprintf("the drives are unequal: each counts for %s, the smallest", smallest), "mdadm(8), which warns from a spread of 1 % on"})
	}
	if l.Kind == Striped && smallest != largest {
		notes = append(notes, Note{"some systems use the rest of larger drives too", "md(4)"})
	}
	if l.Kind == Striped && spares > 0 {
		notes = append(notes, Note{"a spare is of no use: there is nothing to rebuild it from", "arithmetic"})
	}
	if s, err := l.shape(len(drives) - spares); err == nil && s.tolerance > 1 {
		notes = append(notes, Note{"the formula for the mean time to data loss fits poorly where more than one failure is survived", "arXiv 1310.4702, abstract"})
	}
	return notes
}
