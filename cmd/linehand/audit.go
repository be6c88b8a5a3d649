package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/transcript"
	"linehand/transcript/audit"
)

// auditing is the command's own options.
type auditing struct {
	*app
	asJSON, fleet, differences bool
	page                       string
}

func (a *app) auditCommand() *cobra.Command {
	o := &auditing{app: a}
	cmd := &cobra.Command{
		Use:   "audit RECORD…",
		Short: "Is the record whole, and is the unit as planned?",
		Long: `audit reads session records: whether each is whole, what was entered stage by
stage, whether that is what was planned, what the unit read back, what it
refused, and whether its factory secret was replaced as far as the record shows.
Of a visit it reads each part, step, look over the network and open point; where
all is as planned and something still runs, the visit is open (exit code 23).
Without a profile it compares with the plan as it stood when the run began.

With --fleet it looks over many records: each unit by its last run, what the
stages took, and where units refused. With --differences it tells two runs
apart.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := errors.Join(apart(cmd, "fleet", "differences"), apart(cmd, "json", "html")); err != nil {
				return err
			}
			return o.run(args)
		},
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`: compare with the plan as it is now")
	f.BoolVar(&o.asJSON, "json", false, "print the reports as JSON")
	f.BoolVar(&o.fleet, "fleet", false, "look over all the records together")
	f.BoolVar(&o.differences, "differences", false, "what differs between two runs")
	f.StringVar(&o.page, "html", "", "write a page to `FILE`, which must not be there yet")
	return cmd
}

// audited is a report for machines, with the file that it is of.
type audited struct {
	Record string `json:"record"`
	Exit   int    `json:"exit"`
	audit.Report
}

func (o *auditing) run(paths []string) error {
	if o.differences && len(paths) != 2 {
		return usage("linehand audit --differences RECORD RECORD", "--differences is about two records, not %d", len(paths))
	}
	var p *plan.Plan
	if o.set.Profile != "" {
		sheet, err := station.ReadSheet(o.set.Profile)
		if err != nil {
			return err
		}
		p = sheet.Plan
	}
	code := exitFine
	list := []audit.Named{}
	for _, path := range paths {
		report, err := auditOne(path, p)
		if err != nil {
			o.report(err)
			code = max(code, exitCode(err))
			continue
		}
		if !o.fleet && !o.differences {
			code = max(code, auditCode(report.Verdict))
		}
		list = append(list, audit.Named{Record: path, Report: report})
	}
	told, err := o.tell(list, len(paths) > 1)
	if err != nil {
		return err
	}
	return outcome(max(code, told))
}

// tell gives what was asked for, and the exit code of what it comes to.
func (o *auditing) tell(list []audit.Named, named bool) (int, error) {
	sheet := audit.Sheet{Reports: list}
	code := exitFine
	switch {
	case o.fleet:
		fleet := audit.Over(list)
		sheet.Fleet, code = &fleet, auditCode(fleet.Worst())
	case o.differences && len(list) == 2:
		c := audit.Compare(list[0], list[1])
		sheet.Comparison = &c
		if len(c.Differences) > 0 {
			code = exitDiffers
		}
	}
	switch {
	case o.page != "":
		return code, o.app.page(o.page, sheet.HTML)
	case o.asJSON:
		return code, o.printAudits(sheet)
	case sheet.Fleet != nil:
		return code, sheet.Fleet.WriteText(o.out)
	case sheet.Comparison != nil:
		return code, sheet.Comparison.WriteText(o.out)
	}
	for _, n := range list {
		if err := showAudit(o.app, n.Record, n.Report, named); err != nil {
			return code, err
		}
	}
	return code, nil
}

// printAudits prints for machines: what was asked for, and nothing else.
func (o *auditing) printAudits(sheet audit.Sheet) error {
	switch {
	case sheet.Fleet != nil:
		return printJSON(o.out, sheet.Fleet)
	case sheet.Comparison != nil:
		return printJSON(o.out, sheet.Comparison)
	}
	list := []audited{}
	for _, n := range sheet.Reports {
		list = append(list, audited{n.Record, auditCode(n.Verdict), n.Report})
	}
	return printJSON(o.out, list)
}

// auditOne audits a record, against the plan where there is one.
func auditOne(path string, p *plan.Plan) (audit.Report, error) {
	rec, err := readRecord(path)
	if err != nil {
		return audit.Report{}, err
	}
	if p == nil {
		return audit.Audit(rec, audit.Planned{}), nil
	}
	u, err := p.Unit(rec.Header.Unit)
	if err != nil {
		return audit.Report{}, &codedError{exitInput, fmt.Sprintf("%s: %v", path, err), "name the profile that the record's unit is planned in"}
	}
	planned := audit.Planned{Unit: u.Name, Serial: u.Serial, SHA256: u.SHA256, Planned: u.Planned, Sources: make(map[string]string, len(u.Sources))}
	for path, pos := range u.Sources {
		planned.Sources[path] = fmt.Sprintf("%s:%d", pos.File, pos.Line)
	}
	if factory, ok := u.Values["factory"].(script.FactoryValues); ok {
		planned.Factory = factory.Secret.Name
	}
	return audit.Audit(rec, planned), nil
}

func auditCode(v audit.Verdict) int {
	switch v {
	case audit.AsPlanned:
		return exitFine
	case audit.Differs:
		return exitDiffers
	case audit.NotFinished:
		return exitUnended
	case audit.Unplanned:
		return exitByHand
	case audit.Open:
		return engine.Open.ExitCode()
	}
	return exitNotWhole
}

func showAudit(a *app, path string, r audit.Report, named bool) error {
	if named {
		fmt.Fprintf(a.out, "== %s\n", path)
	}
	if err := r.WriteText(a.out); err != nil {
		return fmt.Errorf("print the audit: %w", err)
	}
	if r.Fault != nil && r.Fault.Kind != transcript.FaultUnended {
		a.complain(r.Fault.Error(), "what stands before that line is sound; keep the file as it is")
	}
	return nil
}

// showAudit audits the record of a rehearsal.
func (a *app) showAudit(path string) error {
	report, err := auditOne(path, nil)
	if err != nil {
		return err
	}
	return showAudit(a, path, report, false)
}
