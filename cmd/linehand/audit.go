package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/transcript"
	"linehand/transcript/audit"
)

func (a *app) auditCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "audit RECORD…",
		Short: "Is the record whole, and is the unit as planned?",
		Long: `audit reads session records: whether each is whole, what was entered stage by
stage, whether that is what was planned, and what the unit read back. Without a
profile it compares with the plan as it stood when the run began.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.audit(args, asJSON) },
	}
	cmd.Flags().String("profile", "", "site profile `FILE`: compare with the plan as it is now")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the reports as JSON")
	return cmd
}

// audited is a report for machines, with the file that it is of.
type audited struct {
	Record string `json:"record"`
	Exit   int    `json:"exit"`
	audit.Report
}

func (a *app) audit(paths []string, asJSON bool) error {
	var p *plan.Plan
	if a.set.Profile != "" {
		sheet, err := station.ReadSheet(a.set.Profile)
		if err != nil {
			return err
		}
		p = sheet.Plan
	}
	code := exitFine
	list := []audited{}
	for _, path := range paths {
		report, err := auditOne(path, p)
		if err != nil {
			a.report(err)
			code = max(code, exitCode(err))
			continue
		}
		exit := auditCode(report)
		code = max(code, exit)
		list = append(list, audited{path, exit, report})
		if asJSON {
			continue
		}
		if err := showAudit(a, path, report, len(paths) > 1); err != nil {
			return err
		}
	}
	if asJSON {
		if err := printJSON(a.out, list); err != nil {
			return err
		}
	}
	return outcome(code)
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
	return audit.Audit(rec, planned), nil
}

func auditCode(r audit.Report) int {
	switch r.Verdict {
	case audit.AsPlanned:
		return exitFine
	case audit.Differs:
		return exitDiffers
	case audit.NotFinished:
		return exitUnended
	case audit.Unplanned:
		return exitByHand
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
