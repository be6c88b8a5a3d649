package access

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rs/zerolog"
)

// Options say where a bench is served and to whom.
type Options struct {
	Data   string   // the bench's data folder, where people and tokens are kept
	Owner  string   // who has started the bench; the link and the socket are theirs
	Listen string   // host:port
	Cert   string   // file of the certificate chain, PEM; "": no TLS, which only loopback allows
	Key    string   // file of its key
	Hosts  []string // names that the bench is asked by, besides those of the certificate
	Log    zerolog.Logger
}

// Gate stands before everything that a bench serves.
type Gate struct {
	owner    string
	listen   string
	name     string // of the bench among other machines
	loopback bool
	cookie   string
	cert     *certificate // nil: no TLS
	hosts    hosts
	people   *People
	tokens   *tokens
	table    *table
	links    links
	limits   limits
	checks   chan struct{} // one passphrase at a time: a check takes 64 MiB
	log      zerolog.Logger
}

// New makes a Gate. It refuses what would let strangers in, with the reason.
func New(o Options) (*Gate, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, errors.New("where to listen is written HOST:PORT, such as 127.0.0.1:8620")
	}
	g := &Gate{owner: o.Owner, listen: o.Listen, loopback: isLoopback(host), log: o.Log, checks: make(chan struct{}, 1), limits: newLimits()}
	if g.owner == "" {
		g.owner = "the bench's owner"
	}
	if !g.loopback && o.Cert == "" {
		return nil, errors.New("the bench is not served at " + host + " without TLS: what is typed, and who types it, could be read and changed on the way; name a certificate and its key with --tls-cert and --tls-key, or listen on 127.0.0.1")
	}
	if g.people, err = OpenPeople(o.Data); err != nil {
		return nil, err
	}
	if g.tokens, err = openTokens(o.Data); err != nil {
		return nil, err
	}
	if o.Cert != "" || o.Key != "" {
		if g.cert, err = loadCertificate(o.Cert, o.Key); err != nil {
			return nil, err
		}
	}
	if err := g.mayListen(host); err != nil {
		return nil, err
	}
	names := append(slices.Clone(o.Hosts), g.cert.names()...)
	g.hosts, g.name = newHosts(g.loopback, host, names), host
	if i := slices.IndexFunc(names, func(n string) bool { return !strings.Contains(n, "*") }); i >= 0 {
		g.name = names[i]
	}
	g.cookie = cookieName(o.Data, g.cert != nil)
	g.table = newTable()
	return g, nil
}

// mayListen says why a bench is not served beyond loopback.
func (g *Gate) mayListen(host string) error {
	if g.loopback {
		return nil
	}
	switch people, err := g.people.List(); {
	case err != nil:
		return err
	case len(people) == 0:
		return errors.New("the bench is not served at " + host + " before somebody can sign in: add people with linehand bench people add NAME --role ROLE, or listen on 127.0.0.1")
	}
	return nil
}

func isLoopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// cookieName differs from bench to bench: a browser sends the cookies of one
// port of a host to all of them. With TLS a name of this form is taken only
// from this very host (RFC 6265bis section 4.1.3.2).
func cookieName(data string, secure bool) string {
	if full, err := filepath.Abs(data); err == nil {
		data = full
	}
	sum := sha256.Sum256([]byte(data))
	name := "linehand-" + hex.EncodeToString(sum[:4])
	if secure {
		return "__Host-" + name
	}
	return name
}

// Listen is where the bench is to listen, host:port.
func (g *Gate) Listen() string { return g.listen }

// Name is what the bench is called by other machines: the first of its names,
// or else the host at which it listens.
func (g *Gate) Name() string { return g.name }

// Loopback tells whether only programs of this machine get to the bench.
func (g *Gate) Loopback() bool { return g.loopback }

// TLS is the configuration to serve with; nil: without TLS.
func (g *Gate) TLS() *tls.Config {
	if g.cert == nil {
		return nil
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: g.cert.get}
}

// Close ends all sessions.
func (g *Gate) Close() { g.table.close() }

// open are paths that need no session; a path that ends in a slash takes along
// all below it.
var open = []string{"/sign-in", signInOnce, "/assets/", "/healthz", "/readyz"}

// Opened tells whether a path needs no session.
func Opened(path string) bool {
	for _, p := range open {
		if path == p || strings.HasSuffix(p, "/") && strings.HasPrefix(path, p) {
			return true
		}
	}
	return false
}

// Guard lets through to next who may pass, with their Session in the
// request's context. The context ends when the session does.
func (g *Gate) Guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		g.strict(w.Header())
		_, local := r.Context().Value(socketKey{}).(bool)
		if !local && !g.hosts.have(r) {
			refuse(w, http.StatusMisdirectedRequest, "this bench is not asked by that host name; start it with --host NAME if it is to be")
			return
		}
		if err := errors.Join(cross.Check(r), sameSite(r)); err != nil {
			refuse(w, http.StatusForbidden, "another site's page has sent this request")
			return
		}
		s, live := g.session(r, local)
		if !g.limits.pass(s.ID, r) {
			w.Header().Set("Retry-After", "1")
			refuse(w, http.StatusTooManyRequests, "too many requests; wait a second")
			return
		}
		if live == nil {
			if !Opened(r.URL.Path) {
				g.stranger(w, r)
				return
			}
			next.ServeHTTP(w, r)
			return
		}
		ctx, cancel := context.WithCancel(With(r.Context(), s))
		defer cancel()
		defer context.AfterFunc(live, cancel)()
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// stranger sends a browser that wants a page to where one signs in.
func (g *Gate) stranger(w http.ResponseWriter, r *http.Request) {
	page := (r.Method == http.MethodGet || r.Method == http.MethodHead) && !strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics" &&
		strings.Contains(r.Header.Get("Accept"), "text/html")
	if !page {
		w.Header().Set("WWW-Authenticate", `Bearer realm="linehand"`)
		refuse(w, http.StatusUnauthorized, "sign in first, or send an API token")
		return
	}
	to := "/sign-in"
	if next := local(r.URL.RequestURI()); next != "/" {
		to += "?" + nextQuery(next)
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// session is who sends a request, and a context that ends with their session;
// nil: a stranger.
func (g *Gate) session(r *http.Request, local bool) (Session, context.Context) {
	if local {
		return g.atSocket(r)
	}
	if auth := r.Header.Get("Authorization"); auth != "" {
		return g.byToken(auth)
	}
	c, err := r.Cookie(g.cookie)
	if err != nil {
		return Session{}, nil
	}
	s, live := g.table.find(c.Value)
	if live == nil {
		return Session{}, nil
	}
	if s.Way == ByPassphrase {
		p, ok := g.people.find(s.Person.Name)
		if !ok {
			g.table.end(s.ID)
			return Session{}, nil
		}
		s.Person = p
	}
	return s, live
}

// Still tells whether the session of a request that goes on for long still
// holds: that its token was not ended, and its person not removed.
func (g *Gate) Still(s Session) bool {
	switch s.Way {
	case ByToken:
		return g.tokens.has(s.ID)
	case ByPassphrase:
		_, ok := g.people.find(s.Person.Name)
		return ok && g.table.has(s.ID)
	case ByLink:
		return g.table.has(s.ID)
	}
	return true
}
