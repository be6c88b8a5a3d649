package access

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/gofrs/flock"
)

const (
	peopleFile   = "people.json"
	peopleFormat = "linehand.people/1"
)

// kept is a person as the file has them.
type kept struct {
	Name       string    `json:"name"`
	Roles      Roles     `json:"roles"`
	Passphrase string    `json:"passphrase"` // digest
	Added      time.Time `json:"added"`
}

type peopleList struct {
	Format string `json:"format"`
	People []kept `json:"people"`
}

// People are those who may sign in at a bench by name. They are kept in its
// data folder, and may be changed while the bench runs: it reads the file again
// when it is another.
type People struct {
	path string

	mu   sync.Mutex
	at   time.Time
	size int64
	list []kept
}

// OpenPeople opens the people of a data folder, which is made when it is not
// there.
func OpenPeople(data string) (*People, error) {
	if err := os.MkdirAll(data, 0o700); err != nil {
		return nil, fmt.Errorf("make the bench's data folder: %w", err)
	}
	p := &People{path: filepath.Join(data, peopleFile)}
	_, err := p.read()
	return p, err
}

// read gives the people as the file has them now.
func (p *People) read() ([]kept, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	info, err := os.Stat(p.path)
	if errors.Is(err, os.ErrNotExist) {
		p.list = nil
		return nil, nil
	}
	if err == nil && info.ModTime().Equal(p.at) && info.Size() == p.size {
		return p.list, nil
	}
	var l peopleList
	if err = errors.Join(err, readList(p.path, &l)); err == nil && l.Format != peopleFormat {
		err = fmt.Errorf("%s is of format %q, and this version reads %q", p.path, l.Format, peopleFormat)
	}
	if err != nil {
		p.list = nil // whoever cannot be read may not come in
		return nil, err
	}
	for i := range l.People {
		l.People[i].Roles = complete(l.People[i].Roles)
	}
	p.list, p.at, p.size = l.People, info.ModTime(), info.Size()
	return p.list, nil
}

// List lists the people by name.
func (p *People) List() ([]Person, error) {
	list, err := p.read()
	if err != nil {
		return nil, err
	}
	out := make([]Person, len(list))
	for i, k := range list {
		out[i] = Person{k.Name, k.Roles}
	}
	return out, nil
}

// find finds a person by name. Where the file cannot be read there is nobody.
func (p *People) find(name string) (Person, bool) {
	k, ok := p.kept(name)
	return Person{k.Name, k.Roles}, ok
}

func (p *People) kept(name string) (kept, bool) {
	list, _ := p.read()
	for _, k := range list {
		if strings.EqualFold(k.Name, name) {
			return k, true
		}
	}
	return kept{}, false
}

// ErrNobody says that there is nobody of this name.
var ErrNobody = errors.New("there is nobody of this name")

// Add adds a person, or gives one that is there other roles and another
// passphrase.
func (p *People) Add(name string, roles Roles, passphrase string, now time.Time) error {
	if err := errors.Join(CheckName(name), CheckPassphrase(passphrase)); err != nil {
		return err
	}
	if len(roles) == 0 {
		return errors.New("name at least one role: " + all.String())
	}
	return p.change(func(l *peopleList) error {
		l.People = slices.DeleteFunc(l.People, func(k kept) bool { return strings.EqualFold(k.Name, name) })
		l.People = append(l.People, kept{name, complete(roles), digest(passphrase), now.UTC()})
		slices.SortFunc(l.People, func(a, b kept) int { return strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)) })
		return nil
	})
}

// Remove removes a person; their sessions end.
func (p *People) Remove(name string) error {
	return p.change(func(l *peopleList) error {
		before := len(l.People)
		l.People = slices.DeleteFunc(l.People, func(k kept) bool { return strings.EqualFold(k.Name, name) })
		if len(l.People) == before {
			return ErrNobody
		}
		return nil
	})
}

// change changes the file, one program at a time.
func (p *People) change(f func(*peopleList) error) error {
	lock := flock.New(p.path + ".lock")
	if err := lock.Lock(); err != nil {
		return fmt.Errorf("wait for others who change the people: %w", err)
	}
	defer lock.Close()
	l := peopleList{Format: peopleFormat}
	if err := readList(p.path, &l); err != nil {
		return err
	}
	if err := f(&l); err != nil {
		return err
	}
	return writeList(p.path, l)
}

// mostName is how long a name may be, in bytes.
const mostName = 64

// CheckName says why a name is not taken.
func CheckName(name string) error {
	switch {
	case strings.TrimSpace(name) == "" || strings.TrimSpace(name) != name:
		return errors.New("a name is not empty, and has no space at its ends")
	case len(name) > mostName:
		return fmt.Errorf("a name has at most %d bytes", mostName)
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || r == ',' }):
		return errors.New("a name has no comma, and no character that cannot be seen")
	}
	return nil
}
