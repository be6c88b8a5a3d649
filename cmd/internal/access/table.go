package access

import (
	"context"
	"crypto/rand"
	"slices"
	"strings"
	"sync"
	"time"
)

// How long sessions hold. The absolute limit is a working day: whoever comes
// the next morning signs in again.
const (
	IdleLimit     = time.Hour
	AbsoluteLimit = 12 * time.Hour

	mostSessions   = 1000
	mostPerPerson  = 20
	shortIDLetters = 10
)

func shortID() string { return strings.ToLower(rand.Text()[:shortIDLetters]) }

// seat is a session with what opens and ends it.
type seat struct {
	Session
	digest string
	ctx    context.Context
	end    context.CancelFunc
	idle   *time.Timer
}

// table is the sessions of those who have signed in, in memory only.
type table struct {
	mu    sync.Mutex
	seats []*seat // the one that began first comes first
}

func newTable() *table { return &table{} }

// add begins a session, and gives the secret that opens it. Where there are
// too many the oldest one ends.
func (t *table) add(p Person, way Way) (Session, string) {
	secret := newSecret()
	now := time.Now()
	s := &seat{Session: Session{ID: "s-" + shortID(), Person: p, Way: way, Begun: now, Seen: now, Until: now.Add(AbsoluteLimit)}, digest: sum(secret)}
	s.ctx, s.end = context.WithDeadline(context.Background(), s.Until)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.crowd(func(o *seat) bool { return o.Person.Name == p.Name }, mostPerPerson)
	t.crowd(func(*seat) bool { return true }, mostSessions)
	s.idle = time.AfterFunc(IdleLimit, func() { t.end(s.ID) })
	t.seats = append(t.seats, s)
	return s.Session, secret
}

// crowd ends the oldest of some sessions, so that one more makes no more than
// most.
func (t *table) crowd(of func(*seat) bool, most int) {
	n := 0
	for _, s := range t.seats {
		if of(s) {
			n++
		}
	}
	for i := 0; n >= most && i < len(t.seats); {
		if s := t.seats[i]; of(s) {
			t.drop(i)
			n--
			continue
		}
		i++
	}
}

// drop ends the session at place i; called with the lock held.
func (t *table) drop(i int) {
	s := t.seats[i]
	t.seats = slices.Delete(t.seats, i, i+1)
	s.idle.Stop()
	s.end()
}

// find gives the session that a secret opens, and a context that ends with
// it. The session is used by that. All digests are compared.
func (t *table) find(secret string) (Session, context.Context) {
	got := sum(secret)
	now := time.Now()
	t.mu.Lock()
	defer t.mu.Unlock()
	found := -1
	for i, s := range t.seats {
		if same(s.digest, got) {
			found = i
		}
	}
	if found < 0 {
		return Session{}, nil
	}
	s := t.seats[found]
	if s.over(now) {
		t.drop(found)
		return Session{}, nil
	}
	s.Seen = now
	s.idle.Reset(IdleLimit)
	return s.Session, s.ctx
}

// over tells whether a session has ended by itself.
func (s *seat) over(now time.Time) bool {
	return !now.Before(s.Until) || now.Sub(s.Seen) >= IdleLimit
}

func (t *table) has(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.ContainsFunc(t.seats, func(s *seat) bool { return s.ID == id && !s.over(time.Now()) })
}

// end ends a session, and tells whether there was one.
func (t *table) end(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	i := slices.IndexFunc(t.seats, func(s *seat) bool { return s.ID == id })
	if i < 0 {
		return false
	}
	t.drop(i)
	return true
}

func (t *table) list() []Session {
	now := time.Now()
	t.mu.Lock()
	defer t.mu.Unlock()
	out := []Session{}
	for _, s := range t.seats {
		if !s.over(now) {
			out = append(out, s.Session)
		}
	}
	return out
}

func (t *table) close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	for len(t.seats) > 0 {
		t.drop(0)
	}
}

// Sessions are those that hold now; the ones of API tokens are not among
// them.
func (g *Gate) Sessions() []Session { return g.table.list() }

// EndSession ends a session, and tells whether there was one.
func (g *Gate) EndSession(by Session, id string) bool {
	ended := g.table.end(id)
	if ended {
		g.log.Info().Str("person", by.Person.Name).Str("session", id).Msg("a session was ended")
	}
	return ended
}
