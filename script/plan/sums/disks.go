package sums

import (
	"fmt"

	"linehand/script/plan"
	"linehand/script/plan/disk"
	"linehand/script/site"
)

// Disks is what units that are alike make of their drives.
type Disks struct {
	Units   []string      `json:"units"`
	Kind    string        `json:"kind"`
	Drives  int           `json:"drives"`  // in each unit
	Size    string        `json:"size"`    // of each drive, as written
	Unused  int           `json:"unused"`  // drives in no layout, and no spares
	Chosen  disk.Figures  `json:"chosen"`  // of the planned layout
	Options []disk.Option `json:"options"` // all layouts over the same drives

	Serve string `json:"serve"` // the planned way: site.AtOnce or site.AfterCheck
	Ways  []Way  `json:"ways"`  // both ways, at once first, with what each risks
}

// drawers is what makes two units' disks the same.
type drawers struct {
	kind, layout, size, serve  string
	count, groups, spares, use int
	bytes                      int64
	stated                     disk.Stated
}

// disks works out the storage of each unit that plans any.
func (w *work) disks() {
	at := make(map[drawers]int)
	faults := make(map[drawers]func(*plan.Unit))
	for _, u := range w.plan.Units {
		if u.Storage.Pos.Line == 0 {
			continue
		}
		d := u.Facts.Drives
		key := drawers{u.Kind, u.Storage.Layout.Value, d.Size.Text, serveOf(u), d.Count.Value, u.Storage.Groups.Value, u.Storage.Spares.Value, u.Storage.Use.Value, d.Size.Bytes, statedOf(d)}
		if fault, ok := faults[key]; ok {
			fault(u)
			continue
		}
		i, known := at[key]
		if !known {
			out, fault := w.disk(u, key)
			if fault != nil {
				faults[key] = fault
				fault(u)
				continue
			}
			i = len(w.sums.Disks)
			w.sums.Disks = append(w.sums.Disks, out)
			at[key] = i
		}
		w.sums.Disks[i].Units = append(w.sums.Disks[i].Units, u.Name)
		w.diskFindings(u, w.sums.Disks[i])
	}
}

// disk works out one storage. What is wrong with it is to be told of each
// unit that plans the same.
func (w *work) disk(u *plan.Unit, k drawers) (Disks, func(*plan.Unit)) {
	switch {
	case k.count == 0 || k.bytes == 0:
		return Disks{}, func(u *plan.Unit) {
			w.report(plan.Error, u.Storage.Pos, fmt.Sprintf("%s plans storage, and the number or the size of its drives is not stated", u.Name), "", "write drives: {count: …, size: …} in the kind "+u.Kind+", or take storage: out")
		}
	case k.layout == "":
		return Disks{}, func(u *plan.Unit) {
			w.report(plan.Error, u.Storage.Pos, fmt.Sprintf("the storage of %s has no layout", u.Name), "", "write layout:")
		}
	case k.use+k.spares > k.count:
		return Disks{}, func(u *plan.Unit) {
			w.report(plan.Error, first(u.Storage.Use.Pos, u.Storage.Spares.Pos), fmt.Sprintf("%s plans %d drives in the layout and %d spares, and has %d drives", u.Name, k.use, k.spares, k.count), "", fmt.Sprintf("let use: and spares: be %d together at most", k.count))
		}
	}
	use := k.use
	if use == 0 {
		use = k.count - k.spares
	}
	drives := make([]disk.Size, use+k.spares)
	for i := range drives {
		drives[i] = disk.Size(k.bytes)
	}
	layout := layoutOf(u.Storage)
	chosen, err := disk.Work(layout, drives, k.spares, k.stated)
	if err != nil {
		return Disks{}, func(u *plan.Unit) {
			w.report(plan.Error, u.Storage.Layout.Pos, fmt.Sprintf("the storage of %s cannot be made: %v", u.Name, err), "", "change the layout, its groups, the spares or the drives in use")
		}
	}
	options, err := disk.Compare(drives, k.spares, disk.Needs{Stated: k.stated})
	if err != nil {
		return Disks{}, func(u *plan.Unit) {
			w.report(plan.Error, u.Storage.Pos, fmt.Sprintf("the storage of %s cannot be compared: %v", u.Name, err), "", "check the drives")
		}
	}
	return Disks{
		Kind: u.Kind, Drives: k.count, Size: k.size, Unused: k.count - len(drives), Chosen: chosen, Options: options,
		Serve: k.serve, Ways: ways(chosen, u.Facts.Drives),
	}, nil
}

func layoutOf(s site.Storage) disk.Layout {
	l := disk.Layout{Kind: disk.Kind(s.Layout.Value), Groups: s.Groups.Value}
	if kind, err := disk.ParseKind(s.Layout.Value); err == nil {
		l.Kind = kind
	}
	return l
}

// statedOf is what the profile states of its drives; what it leaves out is
// not worked out.
func statedOf(d site.Drives) disk.Stated {
	const mega = 1_000_000
	return disk.Stated{
		RebuildRate: disk.Size(d.RebuildMBps.Value) * mega, VerifyRate: disk.Size(d.VerifyMBps.Value) * mega,
		ReadErrors: d.Unreadable.Value, MTTF: disk.Hours(d.MTTFHours.Value),
	}
}

func (w *work) diskFindings(u *plan.Unit, d Disks) {
	if d.Chosen.Certain == 0 {
		w.report(plan.Warning, u.Storage.Layout.Pos, fmt.Sprintf("the storage of %s survives the failure of no drive", u.Name), "md(4): a striped array has no redundancy", "choose a layout with mirrors or parity, unless the data can be lost")
	}
	w.serveFindings(u, d)
	if d.Unused > 0 {
		w.report(plan.Warning, first(u.Storage.Use.Pos, u.Storage.Pos), fmt.Sprintf("%d of the %d drives of %s are in no layout and no spares", d.Unused, d.Drives, u.Name), "", "raise use: or spares:, or say the number of drives that it really has")
	}
}
