package access

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

const right = "four words that nobody guesses"

// front is a gate with a page behind it that says who is there.
type front struct {
	*Gate
	http.Handler
	log *bytes.Buffer
}

func newFront(t testing.TB, o Options) *front {
	t.Helper()
	f := &front{log: new(bytes.Buffer)}
	o.Log = zerolog.New(f.log)
	if o.Data == "" {
		o.Data = t.TempDir()
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:8620"
	}
	var err error
	f.Gate, err = New(o)
	must(t, err)
	t.Cleanup(f.Close)
	mux := http.NewServeMux()
	f.Routes(mux)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s, _ := From(r.Context())
		fmt.Fprintf(w, "%s may %s", s.Person.Name, s.Person.Roles)
	})
	f.Handler = f.Guard(mux)
	return f
}

func (f *front) get(path string, cookies ...*http.Cookie) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", "http://127.0.0.1:8620"+path, nil)
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	return w
}

func (f *front) post(path string, form url.Values, accept string, from string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "http://127.0.0.1:8620"+path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", accept)
	r.RemoteAddr = from
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	return w
}

// enterByLink signs in by a new link.
func (f *front) enterByLink(t testing.TB) *http.Cookie {
	t.Helper()
	path, err := f.Link()
	must(t, err)
	w := f.get(path)
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Result().Cookies()[0]
}

func TestLinkOnce(t *testing.T) {
	f := newFront(t, Options{Owner: "Robin"})
	path, err := f.Link()
	must(t, err)
	// A browser that fetches ahead, and one that only asks for the headers, do
	// not use it up.
	for _, change := range []func(*http.Request){func(r *http.Request) { r.Header.Set("Sec-Purpose", "prefetch;prerender") }, func(r *http.Request) { r.Method = "HEAD" }} {
		r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
		change(r)
		w := httptest.NewRecorder()
		f.ServeHTTP(w, r)
		if w.Code != http.StatusForbidden {
			t.Errorf("%s: %d", r.Method, w.Code)
		}
	}
	w := f.get(path)
	c := w.Result().Cookies()
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" || len(c) != 1 {
		t.Fatalf("%d %v", w.Code, w.Header())
	}
	if !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Secure || c[0].Path != "/" || c[0].Domain != "" || len(c[0].Value) != 43 {
		t.Errorf("cookie %+v", c[0])
	}
	if got := f.get("/", c[0]).Body.String(); got != "Robin may look,play,release,audit,keys" {
		t.Error(got)
	}
	if w := f.get(path); w.Code != http.StatusUnauthorized || len(w.Result().Cookies()) > 0 {
		t.Errorf("used twice: %d", w.Code)
	}
	code := strings.TrimPrefix(path, signInOnce)
	for _, secret := range []string{code, c[0].Value} {
		if strings.Contains(f.log.String(), secret) {
			t.Errorf("logged: %s", f.log)
		}
	}
}

func TestLinkGoesOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFront(t, Options{})
		path, err := f.Link()
		must(t, err)
		time.Sleep(LinkLife)
		if w := f.get(path); w.Code != http.StatusUnauthorized {
			t.Errorf("%d", w.Code)
		}
	})
}

func TestSessionsExpire(t *testing.T) {
	for _, test := range []struct {
		name  string
		every time.Duration // between requests
		after time.Duration
		alive bool
	}{
		{"idle, just before", 0, IdleLimit - time.Second, true},
		{"idle", 0, IdleLimit, false},
		{"busy", IdleLimit - time.Second, AbsoluteLimit - time.Hour, true},
		{"busy for a whole day", IdleLimit - time.Second, AbsoluteLimit, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFront(t, Options{})
				c := f.enterByLink(t)
				_, live := f.table.find(c.Value)
				begun := time.Now()
				for test.every > 0 && time.Since(begun)+test.every < test.after {
					time.Sleep(test.every)
					f.get("/", c)
				}
				time.Sleep(test.after - time.Since(begun))
				synctest.Wait()
				// What goes on for long ends with the session, without being asked.
				if ended := live.Err() != nil; ended == test.alive {
					t.Errorf("its context has ended: %v", ended)
				}
				if got := f.get("/", c).Code == 200; got != test.alive {
					t.Errorf("alive: %v", got)
				}
				if n := len(f.Sessions()); (n == 1) != test.alive {
					t.Errorf("%d sessions are listed", n)
				}
				f.Close()
			})
		})
	}
}

func TestSignOut(t *testing.T) {
	f := newFront(t, Options{})
	c := f.enterByLink(t)
	other := f.enterByLink(t)
	_, live := f.table.find(c.Value)
	r := httptest.NewRequest("POST", "http://127.0.0.1/sign-out", nil)
	r.AddCookie(c)
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	if got := w.Result().Cookies(); w.Code != http.StatusSeeOther || len(got) != 1 || got[0].MaxAge >= 0 || got[0].Name != c.Name {
		t.Errorf("%d %+v", w.Code, got)
	}
	if live.Err() == nil || f.get("/", c).Code != http.StatusUnauthorized {
		t.Error("the session goes on")
	}
	if f.get("/", other).Code != 200 {
		t.Error("another session has ended, too")
	}
	s, _ := f.table.find(other.Value)
	if !f.EndSession(s, s.ID) || f.EndSession(s, s.ID) || f.get("/", other).Code != http.StatusUnauthorized {
		t.Error("a session that was ended from the list goes on")
	}
}

// TestNewSecret: whoever signs in gets another cookie than the browser had,
// and that one is good no longer.
func TestNewSecret(t *testing.T) {
	f := newFront(t, Options{})
	before := f.enterByLink(t)
	path, err := f.Link()
	must(t, err)
	w := f.get(path, before)
	if c := w.Result().Cookies()[0]; c.Value == before.Value || f.get("/", before).Code != http.StatusUnauthorized || f.get("/", c).Code != 200 {
		t.Error("the old secret is good")
	}
}

func TestPassphrase(t *testing.T) {
	f := newFront(t, Options{})
	must(t, f.people.Add("Sam", Roles{Play}, right, time.Now()))
	for _, test := range []struct {
		name, passphrase, next string
		to                     string
	}{
		{"Sam", right, "/records?unit=a", "/records?unit=a"},
		{"sam", right, "", "/"},
		{"Sam", right, "https://example.net/", "/"},
		{"Sam", right, "//example.net/", "/"},
		{"Sam", right, `/\example.net`, "/"},
		{"Sam", right, "javascript:alert(1)", "/"},
		{"Sam", right + " ", "/plan", "/sign-in?failed=1&next=%2Fplan"},
		{"Sam", "", "", "/sign-in?failed=1"},
		{"Robin", right, "", "/sign-in?failed=1"},
		{"", "", "", "/sign-in?failed=1"},
	} {
		f.limits = newLimits()
		w := f.post("/sign-in", url.Values{"name": {test.name}, "passphrase": {test.passphrase}, "next": {test.next}}, "text/html", "192.0.2.1:1")
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != test.to {
			t.Errorf("%q, %q, %q: %d %s", test.name, test.passphrase, test.next, w.Code, w.Header().Get("Location"))
		}
		if signedIn := len(w.Result().Cookies()) > 0; signedIn != !strings.HasPrefix(test.to, "/sign-in") {
			t.Errorf("%q, %q: signed in: %v", test.name, test.passphrase, signedIn)
		}
	}
	// A passphrase may stand where the name should: neither is logged.
	f.post("/sign-in", url.Values{"name": {right}, "passphrase": {"x"}}, "", "192.0.2.2:1")
	if strings.Contains(f.log.String(), right) {
		t.Errorf("logged: %s", f.log)
	}
}

// TestWhoIsGone: people who are removed, or get other roles, while they are
// signed in.
func TestWhoIsGone(t *testing.T) {
	f := newFront(t, Options{})
	must(t, f.people.Add("Sam", Roles{Play}, right, time.Now()))
	w := f.post("/sign-in", url.Values{"name": {"Sam"}, "passphrase": {right}}, "", "192.0.2.1:1")
	c := w.Result().Cookies()[0]
	if got := f.get("/", c).Body.String(); got != "Sam may look,play" {
		t.Fatal(got)
	}
	s, live := f.table.find(c.Value)
	other, err := OpenPeople(filepath.Dir(f.people.path)) // as another program
	must(t, err)
	must(t, other.Add("Sam", Roles{Audit, Keys}, right, time.Now().Add(time.Second)))
	if got := f.get("/", c).Body.String(); got != "Sam may look,audit,keys" {
		t.Error(got)
	}
	if !f.Still(s) {
		t.Error("not there any more")
	}
	must(t, other.Remove("Sam"))
	if f.Still(s) || f.get("/", c).Code != http.StatusUnauthorized || live.Err() == nil {
		t.Error("somebody who was removed is still in")
	}
	if err := other.Remove("Sam"); err != ErrNobody {
		t.Error(err)
	}
}

func TestPeopleFile(t *testing.T) {
	data := t.TempDir()
	p, err := OpenPeople(data)
	must(t, err)
	for _, test := range []struct {
		name, passphrase string
		roles            Roles
	}{
		{"", right, Roles{Look}}, {" Sam", right, Roles{Look}}, {"Sam\n", right, Roles{Look}}, {"Sam,Robin", right, Roles{Look}}, {strings.Repeat("a", 65), right, Roles{Look}},
		{"Sam", "too short", Roles{Look}}, {"Sam", strings.Repeat("a", 257), Roles{Look}}, {"Sam", "fifteen \xff\xff\xff\xff\xff\xff\xff\xff\xff", Roles{Look}}, {"Sam", right, nil},
	} {
		if p.Add(test.name, test.roles, test.passphrase, time.Now()) == nil {
			t.Errorf("%q, %q, %v was taken", test.name, test.passphrase, test.roles)
		}
	}
	must(t, p.Add("Sam", Roles{Release}, right, time.Now()))
	text, err := os.ReadFile(filepath.Join(data, peopleFile))
	must(t, err)
	if strings.Contains(string(text), right) || !strings.Contains(string(text), "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Errorf("%s", text)
	}
	info, err := os.Stat(filepath.Join(data, peopleFile))
	must(t, err)
	if info.Mode().Perm()&0o077 != 0 {
		t.Errorf("others may read it: %v", info.Mode())
	}
	// What cannot be read lets nobody in.
	must(t, os.WriteFile(filepath.Join(data, peopleFile), []byte(`{"format":"other"}`), 0o600))
	if _, ok := p.find("Sam"); ok {
		t.Error("somebody is found in a file that cannot be read")
	}
	if _, err := OpenPeople(data); err == nil {
		t.Error("a file of another format was read")
	}
}

// TestDigest: the digest is in the text form of argon2id, with the settings that
// RFC 9106 section 4 recommends and a salt of its own. That the sum itself is right
// is for the tests of golang.org/x/crypto, which have the vectors of the RFC.
func TestDigest(t *testing.T) {
	a, b := digest(right), digest(right)
	if a == b {
		t.Error("two digests have one salt")
	}
	if !matches(a, right) || matches(a, right+"x") || matches(a, "") || matches("", "") || matches("plain", "plain") || matches(absent, "") {
		t.Error("matches is wrong")
	}
	for _, bad := range []string{
		strings.Replace(a, "v=19", "v=16", 1), strings.Replace(a, "m=65536", "m=99999999", 1), strings.Replace(a, "t=3", "t=0", 1),
		strings.Replace(a, "argon2id", "argon2i", 1), a[:len(a)-30], a + "$", strings.Replace(a, "p=4", "p=300", 1),
	} {
		if matches(bad, right) {
			t.Errorf("%s is taken", bad)
		}
	}
}

// TestTries: neither from one network, nor under one name from many, can
// passphrases be tried fast.
func TestTries(t *testing.T) {
	for name, from := range map[string]func(int) string{
		"one address":  func(int) string { return "192.0.2.1:1" },
		"one network":  func(i int) string { return fmt.Sprintf("[2001:db8::%x]:1", i+1) },
		"one name":     func(i int) string { return fmt.Sprintf("192.0.2.%d:1", i+1) },
		"IPv4 in IPv6": func(int) string { return "[::ffff:192.0.2.1]:1" },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFront(t, Options{})
				refused := 0
				for i := range signInBurst + 4 {
					w := f.post("/sign-in", url.Values{"name": {"Sam"}, "passphrase": {strings.Repeat("x", MostPassphrase+1)}}, "", from(i))
					if w.Code == http.StatusTooManyRequests && w.Header().Get("Retry-After") != "" {
						refused++
					}
				}
				if refused != 4 {
					t.Errorf("%d were refused", refused)
				}
				time.Sleep(signInEvery)
				if w := f.post("/sign-in", url.Values{"name": {"Sam"}}, "", from(0)); w.Code != http.StatusUnauthorized {
					t.Errorf("after a while: %d", w.Code)
				}
			})
		})
	}
}

func TestRequestLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFront(t, Options{})
		c := f.enterByLink(t)
		codes := map[int]int{}
		for range sessionBurst + 10 {
			codes[f.get("/", c).Code]++
		}
		if codes[200] != sessionBurst || codes[429] != 10 {
			t.Error(codes)
		}
		other := f.enterByLink(t)
		if f.get("/", other).Code != 200 {
			t.Error("one session slows another")
		}
		time.Sleep(time.Second)
		if f.get("/", c).Code != 200 {
			t.Error("a second later it is still refused")
		}
		f.Close()
	})
}

func TestLimitersAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &limiters{every: 1, burst: 1}
		for i := range mostLimiters + 100 {
			l.allow(fmt.Sprint(i))
		}
		if len(l.keys) != mostLimiters || l.allow("new") {
			t.Errorf("%d are kept", len(l.keys))
		}
		time.Sleep(limiterRest)
		if !l.allow("new") || len(l.keys) != 1 {
			t.Errorf("%d are kept after a rest", len(l.keys))
		}
	})
}

func TestTokens(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFront(t, Options{})
		by := Session{Person: Person{"Robin", Roles{Look, Play, Keys}}, Way: ByLink}
		for name, test := range map[string]struct {
			by    Session
			name  string
			roles Roles
			life  time.Duration
		}{
			"a role that its maker lacks": {by, "orders", Roles{Release}, time.Hour},
			"no role":                     {by, "orders", nil, time.Hour},
			"for ever":                    {by, "orders", Roles{Play}, 0},
			"for too long":                {by, "orders", Roles{Play}, MostTokenLife + 1},
			"no name":                     {by, "", Roles{Play}, time.Hour},
			"by a token":                  {Session{Person: by.Person, Way: ByToken}, "orders", Roles{Play}, time.Hour},
		} {
			if _, _, err := f.MakeToken(test.by, test.name, test.roles, test.life); err == nil {
				t.Errorf("%s: a token was made", name)
			}
		}
		token, secret, err := f.MakeToken(by, "orders", Roles{Play}, time.Hour)
		must(t, err)
		ask := func() string {
			r := httptest.NewRequest("GET", "http://127.0.0.1/", nil)
			r.Header.Set("Authorization", "Bearer "+secret)
			w := httptest.NewRecorder()
			f.ServeHTTP(w, r)
			return w.Body.String()
		}
		if got := ask(); got != "orders (token of Robin) may look,play" {
			t.Error(got)
		}
		text, err := os.ReadFile(f.tokens.path)
		must(t, err)
		if strings.Contains(string(text)+f.log.String(), secret) {
			t.Error("the secret is kept or logged")
		}
		// It holds over a restart.
		again, err := openTokens(filepath.Dir(f.tokens.path))
		must(t, err)
		if _, live := again.find(secret); live == nil {
			t.Error("a restart has lost it")
		}
		_, live := f.tokens.find(secret)
		must(t, f.EndToken(by, token.ID))
		if strings.Contains(ask(), "may") || live.Err() == nil || f.EndToken(by, token.ID) != ErrNoToken {
			t.Error("a token that was ended is good")
		}
		_, secret, err = f.MakeToken(by, "orders", Roles{Play}, time.Hour)
		must(t, err)
		time.Sleep(time.Hour)
		if strings.Contains(ask(), "may") || len(f.Tokens()) > 0 {
			t.Error("a token that has run out is good")
		}
	})
}

func TestRolesInclude(t *testing.T) {
	for text, want := range map[string]string{
		"look": "look", "play": "look,play", "release,play": "look,play,release", "keys": "look,keys", " audit , look": "look,audit",
	} {
		if got, err := ParseRoles(text); err != nil || got.String() != want {
			t.Errorf("%q: %s, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "admin", "look,", "Look"} {
		if _, err := ParseRoles(text); err == nil {
			t.Errorf("%q is taken", text)
		}
	}
	if AllRoles().Within(Roles{Look}) || !(Roles{Look}).Within(AllRoles()) {
		t.Error("Within is wrong")
	}
}

func TestBeyondLoopback(t *testing.T) {
	cert, key := selfSigned(t, "bench.example.net")
	data := t.TempDir()
	for _, test := range []struct {
		o    Options
		want string // of the error
	}{
		{Options{Listen: "0.0.0.0:8620"}, "without TLS"},
		{Options{Listen: ":8620"}, "without TLS"},
		{Options{Listen: "192.0.2.1:8620"}, "without TLS"},
		{Options{Listen: "bench.example.net:8620"}, "without TLS"},
		{Options{Listen: "[::]:8620", Cert: cert, Key: key}, "people add"},
		{Options{Listen: "[::]:8620", Cert: cert}, "certificate"},
		{Options{Listen: "8620"}, "HOST:PORT"},
		{Options{Listen: "localhost:8620"}, ""},
		{Options{Listen: "[::1]:0"}, ""},
	} {
		test.o.Data = data
		g, err := New(test.o)
		switch {
		case test.want == "" && err != nil, test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)):
			t.Errorf("%s: %v", test.o.Listen, err)
		case err == nil:
			g.Close()
		}
	}
	p, err := OpenPeople(data)
	must(t, err)
	must(t, p.Add("Sam", Roles{Play}, right, time.Now()))
	f := newFront(t, Options{Data: data, Listen: "0.0.0.0:8620", Cert: cert, Key: key, Hosts: []string{"bench-1"}})
	if _, err := f.Link(); err != ErrLink {
		t.Errorf("a link beyond loopback: %v", err)
	}
	w := httptest.NewRecorder()
	r := httptest.NewRequest("POST", "https://bench.example.net/sign-in", strings.NewReader(url.Values{"name": {"Sam"}, "passphrase": {right}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	f.ServeHTTP(w, r)
	if c := w.Result().Cookies(); len(c) != 1 || !c[0].Secure || !strings.HasPrefix(c[0].Name, "__Host-") || w.Header().Get("Strict-Transport-Security") == "" {
		t.Errorf("%d %+v", w.Code, c)
	}
	at := &net.TCPAddr{IP: net.ParseIP("192.0.2.1"), Port: 8620}
	for host, want := range map[string]int{
		"bench.example.net": 401, "BENCH.example.net.:443": 401, "bench-1:8620": 401, "192.0.2.1:8620": 401,
		"192.0.2.2": 421, "localhost": 421, "127.0.0.1": 421, "example.net": 421, "": 421, "0.0.0.0": 421, "bench.example.net.example.org": 421,
	} {
		r := httptest.NewRequest("GET", "https://bench.example.net/api/lines", nil)
		r.Host = host
		w := httptest.NewRecorder()
		f.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, at)))
		if w.Code != want {
			t.Errorf("Host %q: %d", host, w.Code)
		}
	}
}

func TestWhereToSignIn(t *testing.T) {
	f := newFront(t, Options{})
	r := httptest.NewRequest("GET", "http://127.0.0.1/lines/a%2Fb?x=1", nil)
	r.Header.Set("Accept", "text/html,*/*")
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	if got := w.Header().Get("Location"); w.Code != http.StatusSeeOther || got != "/sign-in?next=%2Flines%2Fa%252Fb%3Fx%3D1" {
		t.Errorf("%d %q", w.Code, got)
	}
}

func TestManySessions(t *testing.T) {
	table := newTable()
	defer table.close()
	_, first := table.add(Person{Name: "Sam"}, ByPassphrase)
	_, other := table.add(Person{Name: "Robin"}, ByPassphrase)
	for range mostPerPerson {
		table.add(Person{Name: "Sam"}, ByPassphrase)
	}
	if _, live := table.find(first); live != nil || len(table.list()) != mostPerPerson+1 {
		t.Errorf("%d sessions", len(table.list()))
	}
	if _, live := table.find(other); live == nil {
		t.Error("somebody else's session was ended")
	}
}
