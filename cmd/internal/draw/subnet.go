package draw

import (
	"fmt"
	"net/netip"
	"strings"
)

// Mark is what an address is used for.
type Mark byte

// The marks, each with the letter that the map shows.
const (
	Free     Mark = '·'
	Edge     Mark = 'x' // the network's own address or its broadcast
	Gateway  Mark = 'G'
	Port     Mark = 'P'
	Cluster  Mark = 'C'
	Server   Mark = 'S'
	Reserved Mark = 'R'
)

// Taken is one address that is not free.
type Taken struct {
	Address netip.Addr
	Mark    Mark
	Who     string
}

// Range is a stretch of reserved addresses.
type Range struct{ First, Last netip.Addr }

// Map is a block of at most 256 addresses of a subnet.
type Map struct {
	Network  string
	Prefix   netip.Prefix // the subnet
	Block    netip.Prefix // what is drawn: the subnet, or a part of it
	Edges    []netip.Addr
	Taken    []Taken
	Reserved []Range
}

// Sizes of a subnet's map: sixteen addresses in a row.
const (
	cell     = 19.0
	across   = 16
	axisWide = 58.0
	axisHigh = 20.0
)

// Classes of the marks.
var classes = map[Mark]string{Edge: "edge", Gateway: "gateway", Port: "port", Cluster: "cluster", Server: "server", Reserved: "reserved"}

// Subnet draws who has which address of a block.
func Subnet(id string, m Map) *Picture {
	count := blockSize(m.Block)
	rows := (count + across - 1) / across
	columns := min(count, across)
	p := &Picture{
		ID: id, Title: fmt.Sprintf("Addresses of network %s, %s", m.Network, m.Block),
		Width: axisWide + across*cell + 2, Height: axisHigh + float64(rows)*cell + 2,
	}
	for c := range columns {
		p.word("fine", offset(c, m.Block), axisWide+(float64(c)+.5)*cell, axisHigh-6, 0, Middle)
	}
	a := m.Block.Addr()
	marks, who := m.marks()
	for i := range count {
		x, y := axisWide+float64(i%across)*cell, axisHigh+float64(i/across)*cell
		if i%across == 0 {
			p.word("fine", tail(a), axisWide-6, y+cell-6, axisWide-8, End)
		}
		p.address(a, marks[i], who[i], x, y)
		a = a.Next()
	}
	p.Desc = m.describe()
	return p
}

func blockSize(b netip.Prefix) int { return 1 << min(8, b.Addr().BitLen()-b.Bits()) }

func offset(c int, b netip.Prefix) string {
	if b.Addr().Is4() {
		return fmt.Sprint(c)
	}
	return fmt.Sprintf("%x", c)
}

// tail is the last group of an address: its last octet, or its last 16 bits.
func tail(a netip.Addr) string {
	if a.Is4() {
		return fmt.Sprintf(".%d", a.As4()[3])
	}
	b := a.As16()
	return fmt.Sprintf(":%x", int(b[14])<<8|int(b[15]))
}

func (p *Picture) address(a netip.Addr, mark Mark, who string, x, y float64) {
	if mark == 0 {
		p.box("free", x, y, cell, cell, "")
		return
	}
	p.box(classes[mark], x, y, cell, cell, a.String()+": "+who)
	p.word("fine ink", string(rune(mark)), x+cell/2, y+cell/2+3.5, 0, Middle)
}

// marks tells for each address of the block what it is used for; whoever
// holds an address comes before a range that it lies in.
func (m Map) marks() (marks []Mark, who []string) {
	n := blockSize(m.Block)
	marks, who = make([]Mark, n), make([]string, n)
	at := func(a netip.Addr) (int, bool) {
		if !m.Block.Contains(a) {
			return 0, false
		}
		b := a.As16()
		first := m.Block.Addr().As16()
		return int(b[15]) - int(first[15]), true
	}
	a := m.Block.Addr()
	for i := range n {
		for _, r := range m.Reserved {
			if r.First.Compare(a) <= 0 && a.Compare(r.Last) <= 0 {
				marks[i], who[i] = Reserved, "reserved"
			}
		}
		a = a.Next()
	}
	for _, e := range m.Edges {
		if i, ok := at(e); ok {
			marks[i], who[i] = Edge, "not for a host"
		}
	}
	for _, t := range m.Taken {
		if i, ok := at(t.Address); ok {
			marks[i], who[i] = t.Mark, t.Who
		}
	}
	return marks, who
}

func (m Map) describe() string {
	var parts []string
	for _, t := range m.Taken {
		if m.Block.Contains(t.Address) {
			parts = append(parts, t.Address.String()+" "+t.Who)
		}
	}
	marks, _ := m.marks()
	free, reserved := 0, 0
	for _, mark := range marks {
		switch mark {
		case 0:
			free++
		case Reserved:
			reserved++
		}
	}
	return fmt.Sprintf("%d of %d addresses are free, %d are reserved. Held: %s.", free, len(marks), reserved, orNone(parts))
}

func orNone(parts []string) string {
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, "; ")
}
