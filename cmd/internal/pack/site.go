package pack

import (
	"fmt"
	"path/filepath"
	"slices"

	"linehand/cmd/internal/draw"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
	"linehand/transcript/handover"
)

// SiteOf is what the plan says, as the handover document wants it.
func SiteOf(s *site.Site, p *plan.Plan, all sums.Sums) handover.Site {
	out := handover.Site{Name: p.Site.Name, Title: p.Site.Title, Domain: p.Site.Domain, TimeZone: p.Site.TimeZone,
		Demonstration: s.Demonstration.Value == "true", Secrets: p.Secrets}
	titles := make(map[string]string, len(s.Kinds))
	for _, k := range s.Kinds {
		titles[k.Name.Value] = k.Title.Value
	}
	for _, u := range p.Units {
		one := unitOf(u, all)
		one.KindTitle = titles[u.Kind]
		out.Units = append(out.Units, one)
	}
	return out
}

func unitOf(u *plan.Unit, all sums.Sums) handover.Unit {
	out := handover.Unit{
		Name: u.Name, Kind: u.Kind, Title: u.Planned["unit.title"], Serial: u.Serial, Cluster: u.Cluster, Rack: u.Place.Rack.Value, At: u.Place.At.Value,
		Console: u.Dialogue != "", Secrets: u.Secrets, SHA256: u.SHA256, Planned: u.Planned, Sources: make(map[string]string, len(u.Sources)),
	}
	if u.Cluster != "" {
		out.Mode = u.Planned["cluster.mode"]
	}
	for path, pos := range u.Sources {
		out.Sources[path] = fmt.Sprintf("%s:%d", filepath.Base(pos.File), pos.Line)
	}
	if f, ok := u.Values["factory"].(script.FactoryValues); ok {
		out.Factory = f.Secret.Name
	}
	values, _ := u.Values["unit"].(script.UnitValues)
	for _, v := range values.Ports {
		out.Ports = append(out.Ports, portOf(v))
	}
	for _, d := range all.Disks {
		if slices.Contains(d.Units, u.Name) {
			out.Storage = storageOf(d)
		}
	}
	return out
}

func portOf(v script.PortValues) handover.Port {
	out := handover.Port{Name: v.Name, Network: v.Network.Name, Address: fmt.Sprintf("%s/%d", v.Address, v.Prefix), Gateway: v.Gateway, VLAN: v.VLAN}
	if v.Address6 != "" {
		out.Address6 = fmt.Sprintf("%s/%d", v.Address6, v.Prefix6)
	}
	return out
}

func storageOf(d sums.Disks) *handover.Storage {
	f := d.Chosen
	survives := fmt.Sprintf("%d failed drives for certain", f.Certain)
	if f.AtBest != f.Certain {
		survives += fmt.Sprintf(", %d at best", f.AtBest)
	}
	return &handover.Storage{
		Layout: f.Layout.String(), Drives: d.Drives, Size: d.Size, Members: f.Members, Spares: f.Spares, Survives: survives,
		Usable: f.Usable.Decimal(1) + " (" + f.Usable.Binary(1) + ")", UsableRaw: int64(f.Usable),
	}
}

// networkKey says what the letters of the maps stand for.
var networkKey = fmt.Sprintf("Letters: %c gateway, %c port, %c cluster, %c server, %c reserved, %c not for a host; an empty cell is free.",
	draw.Gateway, draw.Port, draw.Cluster, draw.Server, draw.Reserved, draw.Edge)
