package site

import (
	"slices"
	"time"

	"linehand/script"
)

// Decimal is a number that may have a point, and where it was written; the
// zero Decimal was not written.
type Decimal struct {
	Value float64
	Pos   script.Pos
}

// Duration is a time and where it was written; 0 stands for none.
type Duration struct {
	Value time.Duration
	Pos   script.Pos
}

// Size is a number of bytes and where it was written; 0 stands for none.
type Size struct {
	Bytes int64
	Text  string // as written, such as "20 TB"
	Pos   script.Pos
}

// Rack is a cabinet. Heights are in rack units of 44.45 mm (EIA-310).
type Rack struct {
	Pos       script.Pos
	Name      Text
	Title     Text
	UnitsHigh Number
	LoadKg    Decimal // that it is rated for
	FloorMm   Number  // height of the lowest rack unit over the floor
	DepthMm   Number  // that fits between its doors
	Feeds     []Text  // names of feeds
}

// Feed is one supply of electricity, behind one breaker.
type Feed struct {
	Pos      script.Pos
	Name     Text
	Title    Text
	Volts    Number // between the conductors of an outlet
	Phases   Number // 1 or 3; 0: not said
	BreakerA Decimal
	Code     Text // the rules that the installation follows: "NEC" or "IEC"; "": not said
}

func codes() []string { return []string{"NEC", "IEC"} }

// inlets are the couplers of IEC 60320-1 that units have.
func inlets() []string { return []string{"C6", "C8", "C14", "C16", "C20", "C22"} }

// sides are the faces of a rack that a unit is mounted at.
func sides() []string { return []string{"front", "rear"} }

// pairs are what an outlet of a three-phase feed lies between.
func pairs() []string { return []string{"L1-L2", "L2-L3", "L3-L1", "L1-N", "L2-N", "L3-N"} }

const maxSupplies = 16

// Facts of a kind that the sums need. What the profile leaves open is zero.
type Facts struct {
	HeightU     Number // 0: takes no rack unit, as an outlet strip at a rack's side
	WeightKg    Decimal
	DepthMm     Number
	Watts       Number // drawn at full load, all supplies together
	PowerFactor Decimal
	Supplies    Number
	Inlet       Text   // of IEC 60320-1, such as C14
	Outlets     Number // that other units' cords may go to
	Drives      Drives
	Times       Times
	Limits      Limits
}

// Drives are those of a unit, all alike.
type Drives struct {
	Pos           script.Pos
	Count         Number
	Size          Size
	WeightKg      Decimal // of each
	InterfaceMBps Number  // MB/s, decimal
	RebuildMBps   Number  // that a rebuild writes to the new drive, sustained
	VerifyMBps    Number  // that a verify reads from each drive, all at once
	Unreadable    Decimal // unreadable bits for each bit read, 1e-15 for "1 in 10^15"
	MTTFHours     Number  // mean time to failure of one drive
}

// Times are what a unit takes beside its dialogue.
type Times struct {
	Boot, Waiting, ByHand Duration
}

// Limits are what a kind of unit accepts.
type Limits struct {
	Name, Cluster, Secret Limit
}

// Limit bounds a text. The zero Limit says nothing.
type Limit struct {
	Least, Most int // characters; Most 0: not said
	Length      script.Pos
	Letters     Letters
}

// Letters are the characters that may stand in a text: single ones and
// ranges, as in "a-z0-9-". A hyphen at an end stands for itself.
type Letters struct {
	Text
	ranges [][2]rune
}

// Allow reports whether a character may stand.
func (l Letters) Allow(r rune) bool {
	return l.Value == "" || slices.ContainsFunc(l.ranges, func(x [2]rune) bool { return x[0] <= r && r <= x[1] })
}

// Place is where in a rack a unit goes.
type Place struct {
	Pos  script.Pos
	Rack Text
	At   Number // the lowest rack unit that it fills; 0: it fills none
	Side Text   // "front" or "rear"; "": the front
}

// Cord goes from a unit's supply to a feed, or to a unit with outlets.
type Cord struct {
	Supply int // from 1
	Pos    script.Pos
	To     Text   // name of the feed or unit
	Pair   string // what the outlet of a three-phase feed lies between; ""
}

// Storage is how a unit's drives are to be used.
type Storage struct {
	Pos    script.Pos
	Layout Text   // one of the layouts below
	Groups Number // 0: not said
	Spares Number
	Use    Number // drives in the layout, spares aside; 0: all that are not spares
	Serve  Text   // AtOnce or AfterCheck; "": after the check
}

// When a unit may serve from storage that it has just made.
const (
	AtOnce     = "at once"
	AfterCheck = "after the check" // of every drive, or of the parity over them
)

// The layouts.
const (
	Striped            = "striped"
	Mirrored           = "mirrored"
	StripedMirrors     = "striped mirrors"
	SingleParity       = "single parity"
	DoubleParity       = "double parity"
	SingleParityGroups = "single parity groups"
	DoubleParityGroups = "double parity groups"
)

func layouts() []string {
	return []string{Striped, Mirrored, StripedMirrors, SingleParity, DoubleParity, SingleParityGroups, DoubleParityGroups}
}

// Visit is who comes, and with what.
type Visit struct {
	Pos         script.Pos
	Technicians Number
	Lines       Number

	// Steps says which steps by hand must be ticked before the visit goes on.
	Steps    Text   // StepsAsWritten, StepsRequired or StepsAdvisory; "": as written
	Required []Text // names of steps that must be ticked, whatever Steps says
	Advisory []Text // names of steps that need not be
	Without  []Text // names of steps that this site leaves out
}

// Which steps by hand are hold points.
const (
	StepsAsWritten = "as written"
	StepsRequired  = "required"
	StepsAdvisory  = "advisory"
)
