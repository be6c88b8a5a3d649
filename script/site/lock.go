package site

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
)

// LockFormat is the value of format in every lock file.
const LockFormat = "linehand.lock/1"

// Lock is the addresses that stand for "auto", so that they stay put when
// the profile grows. It lies beside the profile and is meant for version
// control.
type Lock struct {
	File    string // where it lies, also when there is none yet
	Entries []Locked
}

// Locked is what one port or one cluster was allotted.
type Locked struct {
	Unit, Port string // "" for a cluster
	Cluster    string // "" for a port
	Address    Text   // IPv4 or IPv6; the zero Text: none
	Address6   Text
}

// LockPath is where the lock file of a profile lies: skerrymore.yaml has
// skerrymore.lock.yaml beside it.
func LockPath(profile string) string {
	ext := filepath.Ext(profile)
	return strings.TrimSuffix(profile, ext) + ".lock.yaml"
}

// lock reads the lock file; there may be none.
func (l *loader) lock(path string) Lock {
	k := Lock{File: path}
	data, err := l.read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return k
	}
	if err != nil {
		l.fault(script.Pos{File: path}, "the file cannot be read: "+bareError(err).Error(), "see to it that it may be read")
		return k
	}
	l.files = append(l.files, path)
	root, faults := yamlwalk.Parse(path, data)
	for _, f := range faults {
		l.fault(script.Pos(f.Pos), f.What, f.Mend)
	}
	if root == nil {
		return k
	}
	if f := root.Get("format"); f == nil || f.Text != LockFormat {
		pos := script.Pos{File: path, Line: 1, Column: 1}
		if f != nil {
			pos = script.Pos(f.Pos)
		}
		l.fault(pos, "this is not a lock file that this version reads", "let its first line be: format: "+LockFormat+", or take the file away to have all addresses allotted anew")
		return k
	}
	c := checker{}
	c.object(root, lockShape, "the lock file")
	l.errs = append(l.errs, c.faults...)
	k.Entries = lockedOf(root)
	return k
}

func lockedOf(root *yamlwalk.Value) []Locked {
	var out []Locked
	for _, unit := range entriesOf(root, "units") {
		for _, port := range unit.Value.Entries {
			out = append(out, Locked{Unit: unit.Key, Port: port.Key, Address: textOf(port.Value, "address"), Address6: textOf(port.Value, "address6")})
		}
	}
	for _, c := range entriesOf(root, "clusters") {
		out = append(out, Locked{Cluster: c.Key, Address: textOf(c.Value, "address"), Address6: textOf(c.Value, "address6")})
	}
	return out
}

// Same reports whether two locks hold the same, in whatever order.
func (k Lock) Same(other Lock) bool {
	type key struct{ unit, port, cluster, address, address6 string }
	of := func(k Lock) []key {
		var out []key
		for _, e := range k.Entries {
			out = append(out, key{e.Unit, e.Port, e.Cluster, e.Address.Value, e.Address6.Value})
		}
		slices.SortFunc(out, func(a, b key) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) })
		return out
	}
	return slices.Equal(of(k), of(other))
}

// Bytes gives the lock file's text: one line a port, in the order of the
// profile.
func (k Lock) Bytes() []byte {
	var units, clusters strings.Builder
	unit := ""
	for _, e := range k.Entries {
		if e.Cluster != "" {
			fmt.Fprintf(&clusters, "  %s: %s\n", quoted(e.Cluster), e.values())
			continue
		}
		if e.Unit != unit {
			unit = e.Unit
			fmt.Fprintf(&units, "  %s:\n", quoted(unit))
		}
		fmt.Fprintf(&units, "    %s: %s\n", quoted(e.Port), e.values())
	}
	var b strings.Builder
	b.WriteString("# Addresses that stand for \"auto\" in the profile beside this file. Keep it\n# under version control; take a line out to have that address allotted anew.\nformat: " + LockFormat + "\n")
	if clusters.Len() > 0 {
		b.WriteString("clusters:\n" + clusters.String())
	}
	if units.Len() > 0 {
		b.WriteString("units:\n" + units.String())
	}
	return []byte(b.String())
}

// Write puts the lock file in place, whole or not at all.
func (k Lock) Write() error {
	if err := replaceFile(k.File, k.Bytes()); err != nil {
		return fmt.Errorf("write the lock file %s: %w", k.File, err)
	}
	return nil
}

// replaceFile writes beside the file and renames, so that a failure leaves
// the old one or the new one.
func replaceFile(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".lock-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // after the rename there is nothing left to remove
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return err
	}
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync() // not every system can
		_ = dir.Close()
	}
	return nil
}

func (e Locked) values() string {
	var parts []string
	if e.Address.Value != "" {
		parts = append(parts, "address: '"+e.Address.Value+"'")
	}
	if e.Address6.Value != "" {
		parts = append(parts, "address6: '"+e.Address6.Value+"'")
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

var bareWord = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`)

func quoted(s string) string {
	if bareWord.MatchString(s) && s != "null" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", "''") + "'"
}
