package page

import (
	"fmt"
	"html/template"
	"net/netip"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/script/plan"
)

// network is one network of the plan with its maps and who holds what.
type network struct {
	Name    string
	Facts   []fact
	Maps    []block
	More    int // blocks that are not drawn
	Holders []holder
}

// block is a part of a subnet with its map.
type block struct {
	Prefix  string
	Drawing template.HTML
}

type holder struct{ Address, What, Who string }

func (v *view) networks(p *plan.Plan) {
	for i, n := range p.Networks {
		if i == mostNetworks {
			v.MoreNetworks = len(p.Networks) - mostNetworks
			break
		}
		out := network{Name: n.Name}
		taken := takenIn(n, p)
		for j, s := range n.Subnets {
			out.Facts = append(out.Facts, subnetFacts(s)...)
			out.maps(fmt.Sprintf("net-%d-%d", i+1, j+1), n, s, taken)
		}
		if n.VLAN > 0 {
			out.Facts = append(out.Facts, fact{"VLAN", fmt.Sprint(n.VLAN)})
		}
		if n.MTU > 0 {
			out.Facts = append(out.Facts, fact{"Frame size", fmt.Sprintf("%d octets", n.MTU)})
		}
		if len(n.Reserved) > 0 {
			ranges := make([]string, len(n.Reserved))
			for k, r := range n.Reserved {
				ranges[k] = rangeText(r.First, r.Last)
			}
			out.Facts = append(out.Facts, fact{"Reserved", strings.Join(ranges, ", ")})
		}
		for _, t := range taken {
			out.Holders = append(out.Holders, holder{t.Address.String(), wordFor(t.Mark), t.Who})
		}
		v.Networks = append(v.Networks, out)
	}
}

func rangeText(first, last netip.Addr) string {
	if first == last {
		return first.String()
	}
	return first.String() + " to " + last.String()
}

func subnetFacts(s plan.Subnet) []fact {
	facts := []fact{{"Subnet", s.Prefix.String()}}
	if s.Mask != "" {
		facts = append(facts, fact{"Mask", s.Mask})
	}
	return append(facts, fact{"For hosts", fmt.Sprintf("%s to %s (%s)", s.First, s.Last, grouped(s.Usable.String()))})
}

// grouped parts the thousands of a number.
func grouped(digits string) string {
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteRune('\u202f')
		}
		b.WriteRune(d)
	}
	return b.String()
}

// takenIn are all holders of a network, and the site's servers that lie in
// it, by address.
func takenIn(n plan.Network, p *plan.Plan) []draw.Taken {
	var out []draw.Taken
	for _, h := range n.Holders {
		out = append(out, draw.Taken{Address: h.Address, Mark: markOf(h.Who), Who: h.Who})
	}
	for _, s := range []struct {
		what string
		list []string
	}{{"name server", p.Site.DNS}, {"time server", p.Site.NTP}} {
		for _, text := range s.list {
			if a, err := netip.ParseAddr(text); err == nil && within(n, a) {
				out = insert(out, draw.Taken{Address: a, Mark: draw.Server, Who: s.what})
			}
		}
	}
	return out
}

func within(n plan.Network, a netip.Addr) bool {
	for _, s := range n.Subnets {
		if s.Prefix.Contains(a) {
			return true
		}
	}
	return false
}

// insert keeps the order of addresses. An address that somebody holds keeps
// its holder.
func insert(list []draw.Taken, t draw.Taken) []draw.Taken {
	for i := range list {
		switch c := list[i].Address.Compare(t.Address); {
		case c == 0:
			list[i].Who += ", " + t.Who
			return list
		case c > 0:
			return append(list[:i], append([]draw.Taken{t}, list[i:]...)...)
		}
	}
	return append(list, t)
}

func markOf(who string) draw.Mark {
	switch {
	case strings.HasPrefix(who, "the gateway "):
		return draw.Gateway
	case strings.HasPrefix(who, "the cluster "):
		return draw.Cluster
	}
	return draw.Port
}

func wordFor(m draw.Mark) string {
	switch m {
	case draw.Gateway:
		return "gateway"
	case draw.Cluster:
		return "cluster"
	case draw.Server:
		return "server"
	}
	return "port"
}

// maps draws the blocks of 256 addresses of a subnet in which anything is
// held or reserved; of a subnet that is not larger, all of it.
func (n *network) maps(id string, from plan.Network, s plan.Subnet, taken []draw.Taken) {
	var reserved []draw.Range
	for _, r := range from.Reserved {
		reserved = append(reserved, draw.Range{First: r.First, Last: r.Last})
	}
	edges := []netip.Addr{}
	if s.Network != s.First {
		edges = append(edges, s.Network)
	}
	if s.Broadcast.IsValid() {
		edges = append(edges, s.Broadcast)
	}
	blocks := blocksOf(s.Prefix, taken)
	if len(blocks) > mostBlocks {
		n.More += len(blocks) - mostBlocks
		blocks = blocks[:mostBlocks]
	}
	for i, b := range blocks {
		m := draw.Map{Network: from.Name, Prefix: s.Prefix, Block: b, Edges: edges, Taken: taken, Reserved: reserved}
		n.Maps = append(n.Maps, block{b.String(), draw.Subnet(fmt.Sprintf("%s-%d", id, i+1), m).SVG()})
	}
}

func blocksOf(p netip.Prefix, taken []draw.Taken) []netip.Prefix {
	bits := p.Addr().BitLen() - 8
	if p.Bits() >= bits {
		return []netip.Prefix{p}
	}
	var blocks []netip.Prefix
	for _, t := range taken {
		if !p.Contains(t.Address) {
			continue
		}
		b, err := t.Address.Prefix(bits)
		if err == nil && (len(blocks) == 0 || blocks[len(blocks)-1] != b) {
			blocks = append(blocks, b)
		}
	}
	if len(blocks) == 0 {
		blocks = []netip.Prefix{netip.PrefixFrom(p.Addr(), bits)}
	}
	return blocks
}
