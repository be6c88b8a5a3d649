// Package printout writes the report of a check for people: what is wrong
// first, the worst before the rest, and then the plan with its sums. It adds
// no figure of its own.
package printout

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"linehand/cmd/internal/station"
)

// Printout writes reports. Lines keep to about a hundred columns.
type Printout struct {
	W      io.Writer
	Colour bool // the writer is a terminal that shows it
	// Brief leaves the plan out: problems and the verdict alone.
	Brief bool
}

const width = 98

// Report writes one report.
func (p Printout) Report(r station.Report) {
	count := map[station.Severity]int{}
	for _, f := range r.Findings {
		count[f.Severity]++
		p.finding(f)
	}
	if len(r.Findings) > 0 {
		fmt.Fprintln(p.W)
	}
	verdict := p.paint(green, "sound")
	if !r.Sound {
		verdict = p.paint(red, "not sound") + ": no run would begin"
	}
	name := r.Profile
	if name == "" {
		name = "the dialogue"
	}
	fmt.Fprintf(p.W, "%s is %s (%s, %s, %s)\n", name, verdict,
		counted(count[station.Error], "error"), counted(count[station.Warning], "warning"), counted(count[station.Note], "note"))
	if len(r.Units) > 0 && !p.Brief {
		p.plan(r)
	}
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (p Printout) finding(f station.Finding) {
	shade := map[station.Severity]string{station.Error: red, station.Warning: yellow, station.Note: faint}[f.Severity]
	fmt.Fprintf(p.W, "%s: %s: %s\n", p.paint(shade, string(f.Severity)), f.Place(), f.What)
	if f.Why != "" {
		fmt.Fprintf(p.W, "    why: %s\n", f.Why)
	}
	if f.Mend != "" {
		fmt.Fprintf(p.W, "    mend: %s\n", f.Mend)
	}
}

// Shades of ECMA-48 SGR.
const (
	bold   = "1"
	faint  = "2"
	red    = "31"
	green  = "32"
	yellow = "33"
)

func (p Printout) paint(shade, text string) string {
	if !p.Colour || shade == "" {
		return text
	}
	return "\x1b[" + shade + "m" + text + "\x1b[0m"
}

func (p Printout) heading(format string, args ...any) {
	fmt.Fprintf(p.W, "\n%s\n", p.paint(bold, fmt.Sprintf(format, args...)))
}

// wrapped writes text in lines of the printout's width.
func (p Printout) wrapped(indent, text string) {
	line := indent
	for _, word := range strings.Fields(text) {
		if len([]rune(line))+1+len([]rune(word)) > width && strings.TrimSpace(line) != "" {
			fmt.Fprintln(p.W, line)
			line = indent
		}
		if strings.TrimSpace(line) != "" {
			line += " "
		}
		line += word
	}
	if strings.TrimSpace(line) != "" {
		fmt.Fprintln(p.W, line)
	}
}

// table writes rows in columns. Cells are parted by tabs.
func (p Printout) table(rows []string) {
	t := tabwriter.NewWriter(p.W, 0, 8, 2, ' ', 0)
	for _, row := range rows {
		fmt.Fprintln(t, "  "+row)
	}
	t.Flush()
}

func (p Printout) plan(r station.Report) {
	p.heading("The plan of %s", r.Site)
	p.units(r)
	p.networks(r)
	if r.Sums == nil {
		return
	}
	p.racks(r.Sums.Racks)
	p.power(r.Sums)
	p.lifting(r.Sums.Lifting)
	p.disks(r.Sums.Disks)
	p.visit(r.Sums.Visit)
	if len(r.Sums.Open) > 0 {
		p.heading("Not summed")
		for _, text := range r.Sums.Open {
			p.wrapped("  ", text)
		}
	}
}

func (p Printout) units(r station.Report) {
	for _, u := range r.Units {
		serial := u.Serial
		if serial == "" {
			serial = "serial number left open"
		}
		line := fmt.Sprintf("  %s  %s  %s", p.paint(bold, u.Name), u.Kind, serial)
		if u.Cluster != "" {
			line += "  " + u.Cluster
		}
		fmt.Fprintln(p.W, line)
		for _, port := range u.Ports {
			fmt.Fprintf(p.W, "      %s\n", port)
		}
	}
}

func (p Printout) networks(r station.Report) {
	if len(r.Networks) == 0 {
		return
	}
	p.heading("Networks")
	rows := []string{"network\tsubnet\tusable\thosts\tgateway\tVLAN\tMTU"}
	for _, n := range r.Networks {
		for i, s := range n.Subnets {
			name, vlan, mtu := n.Name, number(n.VLAN), number(n.MTU)
			if i > 0 {
				name, vlan, mtu = "", "", ""
			}
			usable := s.First + " to " + s.Last
			count := s.Usable
			if len(count) > 12 {
				usable, count = "from "+s.First, "2^"+fmt.Sprint(bitsOf(s.Prefix))+" - 1"
			}
			rows = append(rows, strings.Join([]string{name, s.Prefix, usable, count, or(s.Gateway, "none"), vlan, mtu}, "\t"))
		}
	}
	p.table(rows)
	if r.Lock != nil && r.Lock.State != station.LockNotNeeded {
		fmt.Fprintf(p.W, "  %s; %s is %s\n", counted(r.Lock.Auto, "holder")+" of allotted addresses", r.Lock.File, r.Lock.State)
	}
}

func number(n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

func bitsOf(prefix string) int {
	var bits int
	_, length, _ := strings.Cut(prefix, "/")
	fmt.Sscan(length, &bits)
	return 128 - bits
}
