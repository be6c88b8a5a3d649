package site

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
)

// Errors are all the faults of a profile, in the order of its layers and
// lines.
type Errors = script.Errors

// Load reads profile files and lays each over those before it. A file's own
// defaults (the key "defaults") lie below it; a file that is named more than
// once lies where it was named first. The error is of type Errors.
func Load(paths ...string) (*Site, error) {
	l := loader{read: readFile}
	return l.load(paths)
}

// Parse reads one file's text, which must name no defaults. The name is used
// for places and as the base of relative paths.
func Parse(name string, data []byte) (*Site, error) {
	l := loader{read: func(path string) ([]byte, error) {
		if path == name {
			return data, nil
		}
		return nil, fs.ErrNotExist
	}}
	return l.load([]string{name})
}

// CheckFile holds one file against the format, as an editor can: each key and
// each value by itself, whatever other layers may say. The error is of type
// Errors.
func CheckFile(name string, data []byte) error {
	l := loader{}
	l.check(name, data)
	if len(l.errs) > 0 {
		return l.errs
	}
	return nil
}

type loader struct {
	read    func(path string) ([]byte, error)
	layers  []*yamlwalk.Value
	files   []string
	opening []string // the chain of defaults being read
	errs    Errors
}

func (l *loader) load(paths []string) (*Site, error) {
	if len(paths) == 0 {
		return nil, Errors{{What: "no site profile was named", Mend: "name the site's file"}}
	}
	for _, path := range paths {
		l.layer(filepath.Clean(path), script.Pos{File: path})
	}
	if len(l.layers) == 0 {
		return nil, l.errs
	}
	merged := l.layers[0]
	for _, over := range l.layers[1:] {
		merged = merge(merged, over, profileShape)
	}
	if spec := merged.Get("import"); spec != nil {
		merged = l.withTable(spec, merged)
	}
	lock := l.lock(LockPath(filepath.Clean(paths[0])))
	d := decoder{errs: l.errs}
	s := d.site(merged)
	s.Files, s.Lock = l.files, lock
	if len(d.errs) > 0 {
		return nil, l.inOrder(d.errs)
	}
	return s, nil
}

// layer reads one file and, before it, the defaults that it names. said is
// where the file was named.
func (l *loader) layer(path string, said script.Pos) {
	if at := slices.Index(l.opening, path); at >= 0 {
		l.fault(said, "the defaults go round in a circle: "+strings.Join(append(l.opening[at:], path), " names "), "take one of these defaults: keys out")
		return
	}
	if slices.Contains(l.files, path) {
		return
	}
	data, err := l.read(path)
	if err != nil {
		what := "the file cannot be read: "
		if said.Line > 0 {
			what = path + " cannot be read: "
		}
		l.fault(said, what+bareError(err).Error(), "name a file that is there and may be read")
		return
	}
	root := l.check(path, data)
	if root == nil {
		return
	}
	if d := root.Get("defaults"); d != nil {
		l.opening = append(l.opening, path)
		l.layer(relativeTo(d.Pos.File, d.Text), script.Pos(d.Pos))
		l.opening = l.opening[:len(l.opening)-1]
	}
	l.files = append(l.files, path)
	l.layers = append(l.layers, root)
}

// check reads the text of one file and holds it against the format.
func (l *loader) check(path string, data []byte) *yamlwalk.Value {
	root, faults := yamlwalk.Parse(path, data)
	for _, f := range faults {
		l.fault(script.Pos(f.Pos), f.What, f.Mend)
	}
	if root == nil {
		return nil
	}
	if !l.format(path, root) {
		return nil
	}
	c := checker{}
	c.object(root, profileShape, "the profile")
	l.errs = append(l.errs, c.faults...)
	return root
}

// format looks at the first thing that must be right: in a file of another
// format every other fault would be noise.
func (l *loader) format(path string, root *yamlwalk.Value) bool {
	pos := script.Pos{File: path, Line: 1, Column: 1}
	first := "let its first line be: format: " + Format
	if root.Kind != yamlwalk.Map {
		l.fault(pos, "this is not a site profile", first)
		return false
	}
	f := root.Get("format")
	switch {
	case f == nil:
		l.fault(pos, "the file does not say its format", first)
	case f.Text == Format:
		return true
	case f.Kind == yamlwalk.Text && strings.HasPrefix(f.Text, "linehand.site/"):
		l.fault(script.Pos(f.Pos), fmt.Sprintf("this is a site profile of another version, %q", f.Text), "use a program that reads that version, or bring the file to "+Format)
	default:
		l.fault(script.Pos(f.Pos), "this is not a site profile", first)
	}
	return false
}

func (l *loader) fault(pos script.Pos, what, mend string) {
	l.errs = append(l.errs, script.Fault{Pos: pos, What: what, Mend: mend})
}

// inOrder sorts by layer and place.
func (l *loader) inOrder(errs Errors) Errors {
	layer := make(map[string]int, len(l.files))
	for i, f := range l.files {
		layer[f] = i
	}
	slices.SortStableFunc(errs, func(a, b script.Fault) int {
		if a.Pos.File != b.Pos.File {
			return layer[a.Pos.File] - layer[b.Pos.File]
		}
		if a.Pos.Line != b.Pos.Line {
			return a.Pos.Line - b.Pos.Line
		}
		return a.Pos.Column - b.Pos.Column
	})
	return errs
}

// relativeTo takes a path that a file says as seen from that file's folder.
// Profiles use / on every system.
func relativeTo(file, path string) string {
	path = filepath.FromSlash(path)
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(filepath.Dir(file), path)
}

func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is not a regular file")
	}
	if info.Size() > yamlwalk.MaxBytes {
		return nil, errors.New("it is larger than 64 MiB")
	}
	return os.ReadFile(path)
}

// bareError leaves out the path, which the fault names already.
func bareError(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
