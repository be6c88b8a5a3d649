package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/guide"
	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/visit"
)

func (a *app) guideCommand() *cobra.Command {
	var html string
	cmd := &cobra.Command{
		Use:   "guide [UNIT…]",
		Short: "What a person does by hand at the units, with the exact values",
		Long: `guide shows the steps by hand of units (all of the profile, unless some are
named): what to do, its caution with the source, what good looks like, and
what to do otherwise. For kinds of unit that are finished in their own web page
it gives the values in the order of that page, and what the page must show at
the end. With --html it writes a page with boxes to tick and buttons to copy
values, which needs no network. Secrets stand in it by name only.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error { return a.guide(args, html) },
	}
	cmd.Flags().String("profile", "", "site profile `FILE`")
	cmd.Flags().StringVar(&html, "html", "", "write the guide as one page to `FILE`")
	return cmd
}

func (a *app) guide(names []string, html string) error {
	if a.set.Profile == "" {
		return usage("linehand guide [UNIT…] --profile FILE", "no site profile was named")
	}
	sheet, err := station.ReadSheet(a.set.Profile)
	if err != nil {
		return err
	}
	units := sheet.Plan.Units
	if len(names) > 0 {
		if units, err = find(sheet, names); err != nil {
			return err
		}
	}
	g := guide.Guide{Site: sheet.Plan.Site.Name}
	if title := sheet.Plan.Site.Title; title != "" {
		g.Site = title
	}
	for _, u := range units {
		p, _, err := sheet.Visit(u)
		if err != nil {
			return err
		}
		g.Units = append(g.Units, guideOf(u, p))
	}
	if html == "" {
		return g.Text(a.out)
	}
	return a.save(html, g.HTML)
}

func guideOf(u *plan.Unit, p *station.VisitPlan) guide.Unit {
	out := guide.Unit{Name: u.Name, Kind: u.Kind, Serial: u.Serial, Plan: u.SHA256,
		Before: station.StepsOf(p.Before), After: station.StepsOf(p.After), Values: plannedValues(u)}
	if v, ok := u.Values["unit"].(script.UnitValues); ok {
		out.Title = v.Title
	}
	if v, ok := u.Values["place"].(script.PlaceValues); ok && v.Rack != "" {
		out.Place = "rack " + v.Rack
		if v.At > 0 {
			out.Place = fmt.Sprintf("rack %s, unit %d", v.Rack, v.At)
		}
	}
	return out
}

// plannedValues are those that a person may have to enter.
func plannedValues(u *plan.Unit) (out []visit.Value) {
	add := func(label, value string) {
		if value != "" {
			out = append(out, visit.Value{Label: label, Value: value})
		}
	}
	add("name", u.Name)
	v, _ := u.Values["unit"].(script.UnitValues)
	for _, p := range v.Ports {
		add("address of "+p.Name, p.Address)
		add("mask of "+p.Name, p.Mask)
		add("gateway of "+p.Name, p.Gateway)
		add("IPv6 address of "+p.Name, p.CIDR6)
		add("IPv6 gateway of "+p.Name, p.Gateway6)
	}
	if c, ok := u.Values["cluster"].(script.ClusterValues); ok {
		add("cluster", c.Name)
		add("shared address of the cluster", c.Address)
	}
	if len(v.Ports) == 0 {
		return out
	}
	if s, ok := u.Values["site"].(script.SiteValues); ok {
		add("name servers", strings.Join(s.DNS, " "))
		add("time servers", strings.Join(s.NTP, " "))
		add("log target", s.Log)
	}
	return out
}
