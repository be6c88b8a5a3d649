package bench

import (
	"slices"
	"strings"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script"
	"linehand/script/plan"
)

// kind is a kind of unit that the site has, as far as listening needs it.
type kind struct {
	name     string
	dialogue *script.Dialogue
	set      console.Settings
}

// kinds are those of the plan, in its order, and what all of them have in
// common.
type kinds []kind

// kindsOf reads the dialogue of each kind that the plan has a unit of.
func kindsOf(sheet *station.Sheet, tune func(console.Settings) console.Settings) (kinds, error) {
	var list kinds
	for _, u := range sheet.Plan.Units {
		if u.Dialogue == "" || slices.ContainsFunc(list, func(k kind) bool { return k.name == u.Kind }) {
			continue
		}
		d, _, err := sheet.Dialogue(u)
		if err != nil {
			return nil, err
		}
		list = append(list, kind{u.Kind, d, tune(d.Line.Settings)})
	}
	return list, nil
}

// settings are those of the kinds, each once.
func (l kinds) settings() []console.Settings {
	var out []console.Settings
	for _, k := range l {
		if !slices.Contains(out, k.set) {
			out = append(out, k.set)
		}
	}
	if len(out) == 0 {
		out = []console.Settings{console.Default}
	}
	return out
}

func (l kinds) at(set console.Settings) kinds {
	var out kinds
	for _, k := range l {
		if k.set == set {
			out = append(out, k)
		}
	}
	return out
}

// redraw is the key that every kind here has for showing its prompt afresh;
// it accepts nothing. None, where they differ: what it does to another kind
// than the one it is meant for, nobody knows.
func (l kinds) redraw() (script.Key, bool) {
	return l.same(func(d *script.Dialogue) *script.Key { return d.Redraw })
}

// wake is the key that every kind here is woken with.
func (l kinds) wake() (script.Key, bool) {
	return l.same(func(d *script.Dialogue) *script.Key {
		if d.Wake == nil {
			return nil
		}
		return &d.Wake.Press
	})
}

func (l kinds) same(of func(*script.Dialogue) *script.Key) (script.Key, bool) {
	var key script.Key
	for i, k := range l {
		one := of(k.dialogue)
		if one == nil || one.Bytes == "" || i > 0 && one.Bytes != key.Bytes {
			return script.Key{}, false
		}
		key = *one
	}
	return key, key.Bytes != ""
}

// columns is the widest screen that a kind thinks it has.
func (l kinds) columns() int {
	n := 80
	for _, k := range l {
		n = max(n, k.dialogue.Line.Columns)
	}
	return n
}

// serialFact is the fact that tells one chassis from another.
const serialFact = "serial"

// read reads a serial number out of a line of text, and tells the kinds whose
// dialogue reads it so.
func (l kinds) read(text string) (serial string, by []string) {
	for _, k := range l {
		for _, f := range k.dialogue.Facts {
			if f.Name != serialFact {
				continue
			}
			m := f.Pattern.FindStringSubmatch(text)
			if len(m) < 2 {
				continue
			}
			value := strings.TrimSpace(m[1])
			if value == "" || serial != "" && value != serial {
				continue
			}
			serial, by = value, append(by, k.name)
		}
	}
	return serial, by
}

// bySerial is the unit that the plan gives a serial number to.
func bySerial(p *plan.Plan, serial string) *plan.Unit {
	for _, u := range p.Units {
		if u.Serial != "" && u.Serial == serial {
			return u
		}
	}
	return nil
}
