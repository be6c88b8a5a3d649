package archive

import (
	"fmt"

	"linehand/script"
	"linehand/transcript/audit"
)

// planned is what the plan says now of a unit.
func (a *Archive) planned(unit string) audit.Planned {
	sheet := a.sheet()
	if sheet == nil {
		return audit.Planned{}
	}
	u, err := sheet.Plan.Unit(unit)
	if err != nil {
		return audit.Planned{}
	}
	p := audit.Planned{Unit: u.Name, Serial: u.Serial, SHA256: u.SHA256, Planned: u.Planned, Sources: make(map[string]string, len(u.Sources))}
	for path, pos := range u.Sources {
		p.Sources[path] = fmt.Sprintf("%s:%d", pos.File, pos.Line)
	}
	if factory, ok := u.Values["factory"].(script.FactoryValues); ok {
		p.Factory = factory.Secret.Name
	}
	return p
}
