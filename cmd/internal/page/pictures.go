package page

import (
	"fmt"
	"net/netip"

	"linehand/cmd/internal/draw"
	"linehand/script/plan"
	"linehand/script/plan/sums"
)

// Racks are the elevations of a plan's racks, as planned.
func Racks(p *plan.Plan, all []sums.Rack) []*draw.Picture {
	in := make(map[string][]*plan.Unit, len(all))
	for _, u := range p.Units {
		in[u.Place.Rack.Value] = append(in[u.Place.Rack.Value], u)
	}
	var out []*draw.Picture
	for i, r := range all[:min(len(all), mostRacks)] {
		out = append(out, draw.Rack(fmt.Sprintf("rack-%d", i+1), elevation(r, in[r.Rack.Name])))
	}
	return out
}

// Networks are the maps of a plan's networks: a list for each network, in
// which each block with held addresses has a map.
func Networks(p *plan.Plan) [][]*draw.Picture {
	var out [][]*draw.Picture
	for i, n := range p.Networks[:min(len(p.Networks), mostNetworks)] {
		taken := takenIn(n, p)
		var maps []*draw.Picture
		for j, s := range n.Subnets {
			blocks := blocksOf(s.Prefix, taken)
			for k, b := range blocks[:min(len(blocks), mostBlocks)] {
				m := draw.Map{Network: n.Name, Prefix: s.Prefix, Block: b, Edges: edgesOf(s), Taken: taken}
				for _, r := range n.Reserved {
					m.Reserved = append(m.Reserved, draw.Range{First: r.First, Last: r.Last})
				}
				maps = append(maps, draw.Subnet(fmt.Sprintf("net-%d-%d-%d", i+1, j+1, k+1), m))
			}
		}
		out = append(out, maps)
	}
	return out
}

// edgesOf are the addresses of a subnet that no host may have.
func edgesOf(s plan.Subnet) (edges []netip.Addr) {
	if s.Network != s.First {
		edges = append(edges, s.Network)
	}
	if s.Broadcast.IsValid() {
		edges = append(edges, s.Broadcast)
	}
	return edges
}

// DiskLayouts are the layouts over the drives of each kind of storage that is
// planned, with the planned one marked.
func DiskLayouts(all []sums.Disks) []*draw.Picture {
	var out []*draw.Picture
	for i, d := range all[:min(len(all), mostDisks)] {
		out = append(out, draw.Disks(fmt.Sprintf("disks-%d", i+1), d.Options, d.Chosen.Layout))
	}
	return out
}
