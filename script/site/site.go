// Package site reads the site profile: everything planned for one site, in
// one or more YAML files that are laid over one another, a worksheet of units
// that they may name, and the lock file beside them. FORMAT.md beside this
// file is the format's reference.
//
// Load is strict and reports every fault at once, each with its file, line
// and column and with how to mend it. Text stays as it was written: 0123 and
// 1.10 are not numbers here. A secret is only ever referred to; one that is
// written out is refused, and no fault repeats what was written there.
//
// What the package does not do: it allots no addresses and knows no relation
// between networks, clusters, racks and units. That is script/plan's part.
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

	// Demonstration is "true" where nothing of the site is real: then
	// addresses that are for documentation are right.
	Demonstration Text

	Networks []Network
	Clusters []Cluster
	Kinds    []Kind
	Units    []Unit
	Secrets  []Secret
	Vault    Text   // file with the secrets that are FromVault; "": none
	Roles    []Role // that hold for every unit

	Racks []Rack
	Feeds []Feed
	Visit Visit

	Lock Lock // what "auto" stands for so far
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
	Subnet6  Text         // of a network of both kinds; Subnet is then IPv4
	Prefix6  netip.Prefix // Subnet6 worked out; not valid when there is none
	Gateway6 Text
	Reserved []Range // that no port and no cluster may have
	VLAN     Number  // 1 to 4094 (IEEE 802.1Q)
	MTU      Number  // octets
	DNS, NTP []Text  // nil: the site's
	Domain   Text    // "": the site's
}

// Cluster is units that answer as one.
type Cluster struct {
	Pos        script.Pos
	Name       Text
	Address    Text // the shared virtual address, or Auto
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
	// says it; "" for equipment without a console (NoDialogue).
	DialoguePath string
	// SetUp and Proof are the dialogues after the first boot, as written: the
	// rest of the settings, and the proof that they hold. Their paths are
	// made as DialoguePath; "" for none.
	SetUp, Proof         Text
	SetUpPath, ProofPath string
	Reach                Text // OverConsole or OverSSH; "": the console
	SSH                  SSH
	Storage              Storage // of units that do not say otherwise
	FactoryUser          Text
	FactorySecret        Text // name of a secret
	Roles                []Role
	Facts
}

// SSH is how a unit is signed in to across the network once it serves
// (RFC 4252 to 4254). What it leaves open script/plan fills in.
type SSH struct {
	Pos             script.Pos
	User            Text   // "": the user of the factory sign-in
	Role            Text   // whose secret is the password; "": DefaultRole
	Port            Number // 0: DefaultSSHPort
	OlderAlgorithms []Text // names that would not be offered otherwise
}

// What holds of SSH where a profile does not say.
const (
	DefaultRole    = "admin"
	DefaultSSHPort = 22 // IANA, Service Name and Transport Protocol Port Number Registry
)

// What set-up and proof are played over.
const (
	OverConsole = "console"
	OverSSH     = "ssh"
)

// NoDialogue stands for a dialogue where the kind has no console.
const NoDialogue = "none"

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
	Place   Place
	Cords   []Cord // in the order of the supplies
	Drives  Drives // where they differ from the kind's
	Storage Storage
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
	Address Text // or Auto
	// Address6 is the second address in a network of both kinds, or Auto.
	Address6 Text
	Gateway  Text
	MTU      Number
	VLAN     Number
	Group    Text // ports of one unit that work together on purpose say the same
}

// Secret says where a secret is to be had, never what it is.
type Secret struct {
	Name   Text
	Source Source
	// Where is the variable's name, the file's path (relative to the folder
	// of the file that says it, already resolved), the words to ask with or
	// the entry of the vault.
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
	// FromVault: Where is the entry's name in Site.Vault.
	FromVault Source = "vault"
)

// Role says which secret plays a part in a dialogue: ${secret.ROLE}.
type Role struct {
	Name   Text
	Secret Text // name of a secret
}
