// Package site reads the site profile: everything planned for one site, in
// one or more YAML files that are laid over one another. FORMAT.md beside
// this file is the format's reference.
//
// Load is strict and reports every fault at once, each with its file, line
// and column and with how to mend it. Text stays as it was written: 0123 and
// 1.10 are not numbers here. A secret is only ever referred to; one that is
// written out is refused, and no fault repeats what was written there.
//
// What the package does not do: it works out no addresses and knows no
// relation between networks, clusters and units. That is script/plan's part.
package site

import (
	"net/netip"

	"linehand/script"
)

// Format is the first line's value in every profile file.
const Format = "linehand.site/1"

// Site is a profile after its layers are laid together.
type Site struct {
	Files    []string // that it was read from, the lowest layer first
	Pos      script.Pos
	Name     Text
	Title    Text
	Domain   Text
	TimeZone Text // IANA name
	Log      Text // name or address of the log server
	DNS, NTP []Text

	Networks []Network
	Clusters []Cluster
	Kinds    []Kind
	Units    []Unit
	Secrets  []Secret
	Roles    []Role // that hold for every unit
}

// Text is a value as it was written and where. The zero Text was not written.
type Text struct {
	Value string
	Pos   script.Pos
}

// Number is a whole number and where it was written; 0 stands for none.
type Number struct {
	Value int
	Pos   script.Pos
}

// Network is one subnet with what holds in it.
type Network struct {
	Pos      script.Pos
	Name     Text
	Subnet   Text         // as written
	Prefix   netip.Prefix // Subnet and Mask worked out
	Mask     Text         // dotted, when Subnet has no prefix length
	Gateway  Text
	VLAN     Number // 1 to 4094 (IEEE 802.1Q)
	MTU      Number // octets
	DNS, NTP []Text // nil: the site's
	Domain   Text   // "": the site's
}

// Cluster is units that answer as one.
type Cluster struct {
	Pos        script.Pos
	Name       Text
	Address    Text // the shared virtual address
	Network    Text // name of the network that Address is in
	JoinSecret Text // name of a secret
}

// Kind is one kind of unit.
type Kind struct {
	Pos      script.Pos
	Name     Text
	Title    Text
	Dialogue Text // as written
	// DialoguePath is Dialogue made relative to the folder of the file that
	// says it.
	DialoguePath  string
	FactoryUser   Text
	FactorySecret Text // name of a secret
	Roles         []Role
}

// Unit is one piece of equipment.
type Unit struct {
	Pos     script.Pos
	Name    Text
	Kind    Text
	Serial  Text
	Title   Text
	Cluster Membership
	Ports   []Port
	Roles   []Role
}

// Membership says what a unit does about a cluster.
type Membership struct {
	Mode Mode
	Name Text
}

// Mode is how a unit comes to its cluster.
type Mode string

// The modes.
const (
	None  Mode = "none"
	Join  Mode = "join"
	Start Mode = "start"
)

// Port is one network port of a unit. What it leaves open its network says.
type Port struct {
	Pos     script.Pos
	Name    Text
	Network Text
	Address Text
	Gateway Text
	MTU     Number
	VLAN    Number
}

// Secret says where a secret is to be had, never what it is.
type Secret struct {
	Name   Text
	Source Source
	// Where is the variable's name, the file's path (relative to the folder
	// of the file that says it, already resolved) or the words to ask with.
	Where string
	Pos   script.Pos // of Where
}

// Source is the kind of place that a secret comes from.
type Source string

// The sources.
const (
	FromEnv  Source = "env"
	FromFile Source = "file"
	FromAsk  Source = "ask"
)

// Role says which secret plays a part in a dialogue: ${secret.ROLE}.
type Role struct {
	Name   Text
	Secret Text // name of a secret
}
