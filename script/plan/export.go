package plan

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"linehand/script"
)

// Listed is one unit of a plan in the form that is handed to other programs.
// It holds names of secrets and no secret.
type Listed struct {
	Name     string            `json:"name"`
	Kind     string            `json:"kind"`
	Serial   string            `json:"serial,omitempty"`
	Title    string            `json:"title,omitempty"`
	Cluster  string            `json:"cluster,omitempty"`
	Mode     string            `json:"mode,omitempty"` // "join" or "start"
	Rack     string            `json:"rack,omitempty"`
	At       int               `json:"at,omitempty"` // lowest rack unit, from 1
	Ports    []ListedPort      `json:"ports,omitempty"`
	Planned  map[string]string `json:"planned"` // value path -> planned value
	SHA256   string            `json:"sha256"`
	Dialogue string            `json:"dialogue,omitempty"`
}

// ListedPort is one port of a Listed unit.
type ListedPort struct {
	Name     string `json:"name"`
	Network  string `json:"network"`
	Address  string `json:"address"`
	Prefix   int    `json:"prefix"`
	Mask     string `json:"mask,omitempty"`
	Gateway  string `json:"gateway,omitempty"`
	Address6 string `json:"address6,omitempty"`
	Prefix6  int    `json:"prefix6,omitempty"`
	Gateway6 string `json:"gateway6,omitempty"`
	VLAN     int    `json:"vlan,omitempty"`
	MTU      int    `json:"mtu,omitempty"`
}

// List gives the units in the order of the profile.
func (p *Plan) List() []Listed {
	out := make([]Listed, len(p.Units))
	for i, u := range p.Units {
		out[i] = u.listed()
	}
	return out
}

func (u *Unit) listed() Listed {
	l := Listed{
		Name: u.Name, Kind: u.Kind, Serial: u.Serial, Title: u.Planned["unit.title"], Cluster: u.Cluster,
		Rack: u.Place.Rack.Value, At: u.Place.At.Value, Planned: u.Planned, SHA256: u.SHA256, Dialogue: u.Dialogue,
	}
	if l.Cluster != "" {
		l.Mode = u.Planned["cluster.mode"]
	}
	values, _ := u.Values["unit"].(script.UnitValues)
	for _, v := range values.Ports {
		l.Ports = append(l.Ports, ListedPort{
			v.Name, v.Network.Name, v.Address, v.Prefix, v.Mask, v.Gateway, v.Address6, v.Prefix6, v.Gateway6, v.VLAN, v.MTU,
		})
	}
	return l
}

// WriteJSON writes the plan as one JSON value (RFC 8259).
func (p *Plan) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(struct {
		Site  string   `json:"site"`
		Title string   `json:"title,omitempty"`
		Units []Listed `json:"units"`
	}{p.Site.Name, p.Site.Title, p.List()})
	if err != nil {
		return fmt.Errorf("write the plan as JSON: %w", err)
	}
	return nil
}

// WriteCSV writes the plan as RFC 4180 CSV, a row for each port, and one for
// a unit without ports. A cell that a worksheet program would take for a
// formula gets an apostrophe before it.
func (p *Plan) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true // RFC 4180 2
	rows := [][]string{{"unit", "kind", "serial", "title", "cluster", "mode", "rack", "at", "port", "network", "address", "prefix", "mask", "gateway", "address6", "prefix6", "gateway6", "vlan", "mtu"}}
	for _, u := range p.List() {
		rows = append(rows, u.rows()...)
	}
	for _, row := range rows {
		for i := range row {
			row[i] = harmless(row[i])
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("write the plan as CSV: %w", err)
	}
	return nil
}

func (u Listed) rows() [][]string {
	head := []string{u.Name, u.Kind, u.Serial, u.Title, u.Cluster, u.Mode, u.Rack, digits(u.At)}
	if len(u.Ports) == 0 {
		return [][]string{append(head, make([]string, 11)...)}
	}
	var rows [][]string
	for _, v := range u.Ports {
		rows = append(rows, append(head[:len(head):len(head)], v.Name, v.Network, v.Address, digits(v.Prefix), v.Mask, v.Gateway,
			v.Address6, digits(v.Prefix6), v.Gateway6, digits(v.VLAN), digits(v.MTU)))
	}
	return rows
}

func digits(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// harmless guards against formulas in cells (common practice, no source).
// A number with a sign is guarded too.
func harmless(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r|%", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
