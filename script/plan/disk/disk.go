// Package disk works out what a set of drives holds and withstands in each
// layout: capacity, failures survived, rebuild and verify time, and the
// published measures of risk.
//
// Drives count as large as the smallest of them, spares included, because a
// spare has to take any member's place (mdadm(8): the smallest member sets
// the size). Usable capacity is what the layout leaves; a controller's own
// records (md keeps about 128 K on each drive, mdadm(8)), the file system and
// snapshots come off it.
//
// The package is arithmetic alone: it opens nothing and reads no clock.
package disk

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
)

// Kind is a way to lay data over drives.
type Kind string

// The kinds of layout.
const (
	Striped            Kind = "striped"              // no redundancy
	Mirrored           Kind = "mirrored"             // every drive holds the same
	StripedMirrors     Kind = "striped mirrors"      // stripes over sets of copies
	SingleParity       Kind = "single parity"        // one drive's worth of rotated parity
	DoubleParity       Kind = "double parity"        // two drives' worth
	SingleParityGroups Kind = "single parity groups" // stripes over groups with single parity
	DoubleParityGroups Kind = "double parity groups" // stripes over groups with double parity
)

// Kinds are all kinds of layout, in the order in which Compare lists them.
func Kinds() []Kind {
	return []Kind{Striped, Mirrored, StripedMirrors, SingleParity, DoubleParity, SingleParityGroups, DoubleParityGroups}
}

// ParseKind reads the name of a layout, without regard to case or to how
// many blanks or hyphens part its words.
func ParseKind(text string) (Kind, error) {
	plain := strings.Join(strings.Fields(strings.ReplaceAll(strings.ToLower(text), "-", " ")), " ")
	names := make([]string, 0, 7)
	for _, k := range Kinds() {
		if plain == string(k) {
			return k, nil
		}
		names = append(names, string(k))
	}
	return "", fmt.Errorf("no layout is called %.40q: write one of %s", text, strings.Join(names, ", "))
}

// Layout is a kind with the numbers that it needs.
type Layout struct {
	Kind Kind `json:"kind"`
	// Copies of each block. Striped mirrors: two when 0. Mirrored: as many
	// as there are members when 0. Nothing else takes it.
	Copies int `json:"copies"`
	// Groups of the two kinds with parity groups, two or more. Nothing else
	// takes it.
	Groups int `json:"groups"`
}

// String names the layout with its numbers.
func (l Layout) String() string {
	switch {
	case l.Kind == StripedMirrors:
		return fmt.Sprintf("%s, %d copies", l.Kind, l.copies())
	case l.Copies > 0:
		return fmt.Sprintf("%s, %d copies", l.Kind, l.Copies)
	case l.Groups > 0:
		return fmt.Sprintf("%s, %d groups", l.Kind, l.Groups)
	}
	return string(l.Kind)
}

func (l Layout) copies() int {
	if l.Kind == StripedMirrors && l.Copies == 0 {
		return 2
	}
	return l.Copies
}

// Figures are what one layout makes of a set of drives. Times and risks are
// there where Stated has the values that they are worked out of.
type Figures struct {
	Layout  Layout `json:"layout"`
	Drives  int    `json:"drives"` // all, spares included
	Spares  int    `json:"spares"`
	Members int    `json:"members"` // drives that hold data or parity
	Groups  int    `json:"groups"`  // sets that lose data on their own: stripes run over them
	Each    Size   `json:"each"`    // what every drive counts for: the smallest drive's size
	Raw     Size   `json:"raw"`     // all drives at their full size
	Usable  Size   `json:"usable"`
	GivenUp Size   `json:"given_up"` // Raw less Usable: redundancy, spares, and what larger drives have over

	Certain int `json:"certain"` // failed members at once that are survived whichever they are
	AtBest  int `json:"at_best"` // the same when they are spread as luckily as can be

	Rebuild  time.Duration `json:"rebuild_ns"`  // at least; 0 when no rate is stated or there is nothing to rebuild from
	Verify   time.Duration `json:"verify_ns"`   // at least; 0 when no rate is stated
	Rebuilds []Rebuild     `json:"rebuilds"`    // for each number of failures in one group up to Certain
	MTTDL    Hours         `json:"mttdl_hours"` // mean time to data loss; 0 when no MTTF is stated
	Cautions []Note        `json:"cautions"`    // what to bear in mind when reading these figures
}

// Rebuild is the rebuilding of one drive while so many of its group have
// failed.
type Rebuild struct {
	Failed int  `json:"failed"`
	Reads  Size `json:"reads"` // all surviving members of a parity group, or one copy
	// Unreadable is a bound on the chance that Reads meet at least one
	// unreadable sector: an upper limit by the data sheet, not a forecast.
	// It is -1 when no rate of read errors is stated.
	Unreadable float64 `json:"unreadable"`
	// Covered: redundancy is left that mends an unreadable sector. Where it
	// is not, such a sector is lost.
	Covered bool `json:"covered"`
}

// Stated is what a data sheet or a controller's manual says. A 0 stands for
// a value that is not known.
type Stated struct {
	RebuildRate Size    `json:"rebuild_rate"` // bytes a second written to the new drive, sustained
	VerifyRate  Size    `json:"verify_rate"`  // bytes a second read from each drive, all drives at once
	ReadErrors  float64 `json:"read_errors"`  // unreadable bits for each bit read, for example 1e-15
	MTTF        Hours   `json:"mttf"`         // of one drive
	MTTR        Hours   `json:"mttr"`         // until redundancy is whole again; 0: the minimum rebuild time
}

// Note is a remark with its published source.
type Note struct {
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Work works out the figures of a layout over drives, of which so many are
// kept as spares.
func Work(l Layout, drives []Size, spares int, stated Stated) (Figures, error) {
	raw, each, err := weigh(drives, spares)
	if err != nil {
		return Figures{}, err
	}
	if err := stated.check(); err != nil {
		return Figures{}, err
	}
	members := len(drives) - spares
	s, err := l.shape(members)
	if err != nil {
		return Figures{}, err
	}
	f := Figures{
		Layout: l, Drives: len(drives), Spares: spares, Members: members, Groups: s.groups,
		Each: each, Raw: raw, Usable: Size(s.groups*(s.size-s.tolerance)) * each,
		Certain: s.tolerance, AtBest: s.groups * s.tolerance,
	}
	f.GivenUp = f.Raw - f.Usable
	f.Cautions = cautions(l, drives, spares)
	return f, f.addRisk(s, stated)
}

// weigh adds the drives up and finds the smallest.
func weigh(drives []Size, spares int) (raw, smallest Size, err error) {
	if len(drives) == 0 {
		return 0, 0, errors.New("no drives are given")
	}
	if spares < 0 || spares >= len(drives) {
		return 0, 0, fmt.Errorf("%d spares of %d drives: at least one drive must hold data", spares, len(drives))
	}
	smallest = drives[0]
	for i, d := range drives {
		if d <= 0 {
			return 0, 0, fmt.Errorf("drive %d has a size of %d bytes: it must be positive", i+1, int64(d))
		}
		if raw > math.MaxInt64-d {
			return 0, 0, fmt.Errorf("%d drives together hold more than the 9.2 EB that can be reckoned with", len(drives))
		}
		raw += d
		smallest = min(smallest, d)
	}
	return raw, smallest, nil
}

// shape is what all layouts have in common: groups of equal size that each
// bear so many failures. Usable are groups x (size - tolerance) drives.
type shape struct {
	groups, size, tolerance int
}

func (l Layout) shape(members int) (shape, error) {
	if err := l.numbers(); err != nil {
		return shape{}, err
	}
	least, _ := l.Minimum()
	if members < least {
		return shape{}, fmt.Errorf("%s needs at least %d drives besides the spares, and there are %d", l, least, members)
	}
	switch l.Kind {
	case Striped:
		return shape{members, 1, 0}, nil
	case Mirrored:
		if l.Copies != 0 && l.Copies != members {
			return shape{}, fmt.Errorf("%s takes %d drives besides the spares, and there are %d: for more drives choose %s",
				l, l.Copies, members, StripedMirrors)
		}
		return shape{1, members, members - 1}, nil
	case StripedMirrors:
		return l.divided(members, members/l.copies(), l.copies(), l.copies()-1)
	case SingleParity:
		return shape{1, members, 1}, nil
	case DoubleParity:
		return shape{1, members, 2}, nil
	case SingleParityGroups:
		return l.divided(members, l.Groups, members/l.Groups, 1)
	default:
		return l.divided(members, l.Groups, members/l.Groups, 2)
	}
}

func (l Layout) divided(members, groups, size, tolerance int) (shape, error) {
	if groups*size == members {
		return shape{groups, size, tolerance}, nil
	}
	into := fmt.Sprintf("%d equal groups", l.Groups)
	if l.Kind == StripedMirrors {
		into = fmt.Sprintf("sets of %d copies", size)
	}
	return shape{}, fmt.Errorf("%s: %d drives do not divide into %s; keep %d more as spares, or change the numbers",
		l, members, into, members-groups*size)
}

// numbers checks copies and groups against what the kind takes.
func (l Layout) numbers() error {
	if _, err := ParseKind(string(l.Kind)); err != nil {
		return err
	}
	mirrors := l.Kind == Mirrored || l.Kind == StripedMirrors
	grouped := l.Kind == SingleParityGroups || l.Kind == DoubleParityGroups
	switch {
	case !mirrors && l.Copies != 0:
		return fmt.Errorf("%s takes no number of copies: leave the %d out", l.Kind, l.Copies)
	case mirrors && l.Copies != 0 && (l.Copies < 2 || l.Copies > most):
		return fmt.Errorf("%s cannot have %d copies: it takes 2 to %d", l.Kind, l.Copies, most)
	case !grouped && l.Groups != 0:
		return fmt.Errorf("%s takes no number of groups: leave the %d out", l.Kind, l.Groups)
	case grouped && (l.Groups < 2 || l.Groups > most):
		return fmt.Errorf("%s cannot have %d groups: it takes 2 to %d", l.Kind, l.Groups, most)
	}
	return nil
}

const most = 100_000 // copies or groups: keeps products in range on every machine

// Minimum is the least number of members of a layout. Sources differ; the
// second value says which is followed and why.
func (l Layout) Minimum() (drives int, source string) {
	switch l.Kind {
	case Striped:
		return 2, "md(4); mkfs.btrfs(8) allows one, which is a plain drive"
	case Mirrored:
		return max(2, l.Copies), "md(4), lvmraid(7)"
	case StripedMirrors:
		return 2 * l.copies(), "lvmraid(7): four for two copies; md(4) and mkfs.btrfs(8) allow two, which is one mirror"
	case SingleParity:
		return 3, "md(4), lvmraid(7); mkfs.btrfs(8) allows two, which is a mirror with more work"
	case DoubleParity:
		return 4, "common practice; mkfs.btrfs(8) allows three, where a mirror of three copies survives and holds the same; lvmraid(7) asks for five"
	case SingleParityGroups:
		return 3 * max(2, l.Groups), "three for each group, from memory: follows from single parity"
	case DoubleParityGroups:
		return 4 * max(2, l.Groups), "four for each group, from memory: follows from double parity"
	}
	return 0, ""
}
