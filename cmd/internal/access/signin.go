package access

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"
)

// signInOnce is below what the one-time links are.
const signInOnce = "/sign-in/once/"

// LinkLife is how long a one-time link is good.
const LinkLife = 10 * time.Minute

// links are the one-time links that were not used yet.
type links struct {
	mu   sync.Mutex
	good map[string]time.Time // digest of the code -> until when
}

// ErrLink says that one-time links are for loopback only.
var ErrLink = errors.New("a sign-in link is made only where the bench listens on a loopback address")

// Link makes a one-time link, as a path of the bench. Whoever opens it first
// is signed in with all roles. The path is not to be logged.
func (g *Gate) Link() (string, error) {
	if !g.loopback {
		return "", ErrLink
	}
	code := newSecret()
	g.links.mu.Lock()
	defer g.links.mu.Unlock()
	if g.links.good == nil {
		g.links.good = make(map[string]time.Time)
	}
	for d, until := range g.links.good {
		if !time.Now().Before(until) {
			delete(g.links.good, d)
		}
	}
	g.links.good[sum(code)] = time.Now().Add(LinkLife)
	return signInOnce + code, nil
}

// use tells whether a code is good; it is not any more afterwards.
func (l *links) use(code string) bool {
	got := sum(code)
	l.mu.Lock()
	defer l.mu.Unlock()
	for d, until := range l.good {
		if same(d, got) {
			delete(l.good, d)
			return time.Now().Before(until)
		}
	}
	return false
}

// mux is what Routes needs of one.
type mux interface {
	HandleFunc(pattern string, h func(http.ResponseWriter, *http.Request))
}

// Routes adds what signs people in and out to a mux:
// POST /sign-in, GET /sign-in/once/{code} and POST /sign-out.
func (g *Gate) Routes(mux mux) {
	mux.HandleFunc("POST /sign-in", g.signIn)
	mux.HandleFunc("GET "+signInOnce+"{code}", g.once)
	mux.HandleFunc("POST /sign-out", g.signOut)
}

// once signs in whoever sits at the bench. A browser that only fetches ahead
// does not use the link up.
func (g *Gate) once(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet || strings.Contains(r.Header.Get("Sec-Purpose")+r.Header.Get("Purpose"), "prefetch") {
		refuse(w, http.StatusForbidden, "open the link yourself")
		return
	}
	if !g.limits.signIns.allow(network(r)) {
		g.failed(w, r, "wait")
		return
	}
	if !g.loopback || !g.links.use(r.PathValue("code")) {
		g.log.Warn().Str("from", network(r)).Msg("a sign-in link was not good, or not any more")
		g.failed(w, r, "link")
		return
	}
	g.enter(w, r, Person{g.owner, AllRoles()}, ByLink, "/")
}

// mostForm is how long the form for signing in may be, in bytes.
const mostForm = 8 << 10

// signIn signs in by name and passphrase.
func (g *Gate) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		refuse(w, http.StatusBadRequest, "the form cannot be read")
		return
	}
	name, passphrase := r.PostForm.Get("name"), r.PostForm.Get("passphrase")
	if !g.limits.signIns.allow(network(r)) || !g.limits.signIns.allow("name "+sum(strings.ToLower(name))) {
		g.failed(w, r, "wait")
		return
	}
	p, err := g.check(r.Context(), name, passphrase)
	if err != nil {
		g.failed(w, r, "1")
		return
	}
	g.enter(w, r, p, ByPassphrase, local(r.PostForm.Get("next")))
}

var errPassphrase = errors.New("name or passphrase is wrong")

// check checks a passphrase. It takes as long for a name that nobody has. A
// name that nobody has is not logged: it may be a passphrase in the wrong place.
func (g *Gate) check(ctx context.Context, name, passphrase string) (Person, error) {
	k, known := g.people.kept(name)
	if !known {
		k.Passphrase = absent
	}
	select {
	case g.checks <- struct{}{}:
		defer func() { <-g.checks }()
	case <-ctx.Done():
		return Person{}, ctx.Err()
	}
	if right := matches(k.Passphrase, passphrase); !right || !known {
		g.log.Warn().Str("person", k.Name).Msg("a sign-in failed")
		return Person{}, errPassphrase
	}
	return Person{k.Name, k.Roles}, nil
}

// failed tells a browser where to try again, and a program what is wrong.
func (g *Gate) failed(w http.ResponseWriter, r *http.Request, why string) {
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		switch why {
		case "wait":
			w.Header().Set("Retry-After", "12")
			refuse(w, http.StatusTooManyRequests, "too many tries; wait a little")
		case "link":
			refuse(w, http.StatusUnauthorized, "the link was used, or is too old: linehand bench link prints a new one")
		default:
			refuse(w, http.StatusUnauthorized, errPassphrase.Error())
		}
		return
	}
	to := url.Values{"failed": {why}}
	if next := local(r.PostForm.Get("next")); next != "/" {
		to.Set("next", next)
	}
	http.Redirect(w, r, "/sign-in?"+to.Encode(), http.StatusSeeOther)
}

// enter begins a session, always under a new secret.
func (g *Gate) enter(w http.ResponseWriter, r *http.Request, p Person, way Way, next string) {
	if before, err := r.Cookie(g.cookie); err == nil {
		if s, live := g.table.find(before.Value); live != nil {
			g.table.end(s.ID)
		}
	}
	s, secret := g.table.add(p, way)
	g.log.Info().Str("person", p.Name).Str("session", s.ID).Str("way", string(way)).Str("from", network(r)).Msg("signed in")
	http.SetCookie(w, &http.Cookie{Name: g.cookie, Value: secret, Path: "/", HttpOnly: true, Secure: g.cert != nil, SameSite: http.SameSiteStrictMode, MaxAge: int(AbsoluteLimit / time.Second)})
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// signOut ends the session that asks for it.
func (g *Gate) signOut(w http.ResponseWriter, r *http.Request) {
	g.SignOut(w, r)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

// SignOut ends the session of a request, and has the browser forget it.
func (g *Gate) SignOut(w http.ResponseWriter, r *http.Request) {
	if s, ok := From(r.Context()); ok && g.table.end(s.ID) {
		g.log.Info().Str("person", s.Person.Name).Str("session", s.ID).Msg("signed out")
	}
	w.Header().Add("Set-Cookie", (&http.Cookie{Name: g.cookie, Path: "/", HttpOnly: true, Secure: g.cert != nil, SameSite: http.SameSiteStrictMode, MaxAge: -1}).String())
	w.Header().Set("Clear-Site-Data", `"cache", "storage"`)
}

// local is a path of the bench to go on to; "/" for whatever leads elsewhere.
func local(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") ||
		strings.ContainsFunc(next, func(r rune) bool { return r == '\\' || r < ' ' || r == 0x7f }) {
		return "/"
	}
	return next
}

func nextQuery(next string) string { return url.Values{"next": {next}}.Encode() }
