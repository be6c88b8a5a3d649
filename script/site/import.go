package site

import (
	"errors"
	"fmt"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
	"linehand/script/site/sheet"
)

// columns are what a worksheet's columns may be mapped to.
var columns = []string{"name", "kind", "serial", "title", "rack", "at", "join", "start"}

// importer makes units out of a worksheet. They are held against the same
// shapes as units that a profile writes out; their places are the cells'.
type importer struct {
	*loader
	path   string
	spec   *yamlwalk.Value
	at     map[string]int // column of the worksheet by the name in its first row
	header []string
}

// withTable lays the profile over the units of its worksheet. Where a row is
// rejected, what the profile says of that unit may lack something that the
// row has: that is no fault of its own.
func (l *loader) withTable(spec, merged *yamlwalk.Value) *yamlwalk.Value {
	units := l.table(spec)
	if units == nil {
		damage(merged.Get("units"))
		merged.Damaged = true
		return merged
	}
	if units.Damaged {
		damage(merged.Get("units"))
	}
	return merge(units, merged, profileShape)
}

func damage(v *yamlwalk.Value) {
	if v == nil {
		return
	}
	v.Damaged = true
	for _, item := range v.Items {
		damage(item)
	}
	for _, e := range v.Entries {
		damage(e.Value)
	}
}

// table reads the worksheet that the profile names and returns a layer that
// lies below all others.
func (l *loader) table(spec *yamlwalk.Value) *yamlwalk.Value {
	said := spec.Get("file")
	if said == nil {
		if !spec.Damaged {
			l.fault(script.Pos(spec.Pos), "the import names no file", "write file: in it")
		}
		return nil
	}
	im := &importer{loader: l, path: relativeTo(said.Pos.File, said.Text), spec: spec}
	data, err := l.read(im.path)
	if err != nil {
		l.fault(script.Pos(said.Pos), im.path+" cannot be read: "+bareError(err).Error(), "name a file that is there and may be read")
		return nil
	}
	l.files = append(l.files, im.path)
	t, err := sheet.Read(im.path, data, textOf(spec, "sheet").Value)
	var bad *sheet.Fault
	if errors.As(err, &bad) {
		l.fault(script.Pos{File: im.path, Line: max(bad.Row, 1), Column: max(bad.Column, 1)}, bad.What, bad.Mend)
		return nil
	}
	return im.units(t)
}

func (im *importer) units(t *sheet.Table) *yamlwalk.Value {
	im.at = make(map[string]int, len(t.Header))
	for i, c := range t.Header {
		im.at[c.Text] = i
		im.header = append(im.header, c.Text)
	}
	if !im.mapped() {
		return nil
	}
	list := &yamlwalk.Value{Pos: yamlwalk.Pos{File: im.path, Line: 1, Column: 1}, Kind: yamlwalk.List}
	for _, row := range t.Rows {
		if u := im.unit(row); u != nil {
			list.Items = append(list.Items, u)
		} else {
			list.Damaged = true
		}
	}
	c := checker{}
	c.named(list, &shape{kind: named, called: "units", elem: unitShape}, "units")
	im.errs = append(im.errs, c.faults...)
	return &yamlwalk.Value{Pos: list.Pos, Kind: yamlwalk.Map, Damaged: list.Damaged, Entries: []yamlwalk.Entry{{Key: "units", Pos: list.Pos, Value: list}}}
}

// mapped checks that every column that the profile names is there.
func (im *importer) mapped() bool {
	names := im.spec.Get("columns")
	if names.Get("name") == nil {
		if !im.spec.Damaged && (names == nil || !names.Damaged) {
			im.fault(script.Pos(im.spec.Pos), "the import does not say which column holds the units' names", "write columns: {name: COLUMN} in it")
		}
		return false
	}
	ok := true
	check := func(v *yamlwalk.Value) {
		if _, there := im.at[v.Text]; there {
			return
		}
		ok = false
		mend := "its columns are " + list(im.header)
		if near, found := yamlwalk.Nearest(v.Text, im.header); found {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		im.fault(script.Pos(v.Pos), fmt.Sprintf("%s has no column %q", im.path, v.Text), mend)
	}
	for _, e := range names.Entries {
		check(e.Value)
	}
	for _, p := range im.ports() {
		for _, key := range []string{"address", "address6"} {
			if v := p.Get(key); v != nil {
				check(v)
			}
		}
	}
	return ok
}

func (im *importer) ports() []*yamlwalk.Value {
	if l := im.spec.Get("ports"); l != nil {
		return l.Items
	}
	return nil
}

// unit makes one unit; nil, with the reason told, for a row that is rejected.
func (im *importer) unit(row []sheet.Cell) *yamlwalk.Value {
	start := yamlwalk.Pos{File: im.path, Line: row[0].Row, Column: 1}
	u := &yamlwalk.Value{Pos: start, Kind: yamlwalk.Map}
	names := im.spec.Get("columns")
	if im.cell(row, names.Get("name").Text) == nil {
		im.fault(script.Pos(start), fmt.Sprintf("the row is rejected: it has nothing in the column %q", names.Get("name").Text), "write the unit's name there, or empty the row")
		return nil
	}
	place := &yamlwalk.Value{Pos: start, Kind: yamlwalk.Map}
	for _, e := range names.Entries {
		v := im.cell(row, e.Value.Text)
		switch {
		case v == nil:
		case v.Damaged:
			return nil
		case e.Key == "rack" || e.Key == "at":
			put(place, e.Key, v)
		case e.Key == "join" || e.Key == "start":
			if u.Get("cluster") != nil {
				im.fault(script.Pos(v.Pos), "the row is rejected: its unit both joins and starts a cluster", "empty one of the two cells")
				return nil
			}
			m := &yamlwalk.Value{Pos: v.Pos, Kind: yamlwalk.Map}
			put(m, e.Key, v)
			put(u, "cluster", m)
		default:
			put(u, e.Key, v)
		}
	}
	if k := im.spec.Get("kind"); k != nil && u.Get("kind") == nil {
		put(u, "kind", k)
	}
	if len(place.Entries) > 0 {
		put(u, "place", place)
	}
	return im.withPorts(u, row)
}

func (im *importer) withPorts(u *yamlwalk.Value, row []sheet.Cell) *yamlwalk.Value {
	l := &yamlwalk.Value{Pos: u.Pos, Kind: yamlwalk.List}
	for _, spec := range im.ports() {
		p := &yamlwalk.Value{Pos: u.Pos, Kind: yamlwalk.Map}
		for _, e := range spec.Entries {
			if e.Key != "address" && e.Key != "address6" {
				put(p, e.Key, e.Value)
				continue
			}
			v := im.cell(row, e.Value.Text)
			if v != nil && v.Damaged {
				return nil
			}
			if v != nil {
				put(p, e.Key, v)
			}
		}
		if p.Get("address") != nil || p.Get("address6") != nil {
			l.Items = append(l.Items, p)
		}
	}
	if len(l.Items) > 0 {
		put(u, "ports", l)
	}
	return u
}

// cell gives a cell's value, nil for an empty one. One that cannot be taken
// is told, and comes back damaged.
func (im *importer) cell(row []sheet.Cell, column string) *yamlwalk.Value {
	at := im.at[column]
	if at >= len(row) {
		return nil
	}
	c := row[at]
	v := &yamlwalk.Value{Pos: yamlwalk.Pos{File: im.path, Line: c.Row, Column: c.Column}, Text: c.Text}
	if c.Fault != "" {
		v.Damaged = true
		im.fault(script.Pos(v.Pos), "the row is rejected: "+c.Fault, c.Mend)
		return v
	}
	if c.Text == "" {
		return nil
	}
	return v
}

func put(m *yamlwalk.Value, key string, v *yamlwalk.Value) {
	m.Entries = append(m.Entries, yamlwalk.Entry{Key: key, Pos: v.Pos, Value: v})
}
