package access

import (
	"net/http"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// How fast requests may come: so many a second in the long run, so many at
// once.
const (
	sessionRate, sessionBurst   = 50, 200
	strangerRate, strangerBurst = 10, 60
	mostLimiters                = 4096
	limiterRest                 = 10 * time.Minute // after which one is full again, and forgotten
)

// signInEvery is how fast somebody may try to sign in, from one network and
// under one name, after signInBurst tries.
const (
	signInEvery = 12 * time.Second
	signInBurst = 8
)

// limits are how fast requests may come.
type limits struct{ sessions, strangers, signIns *limiters }

func newLimits() limits {
	return limits{
		sessions:  &limiters{every: sessionRate, burst: sessionBurst},
		strangers: &limiters{every: strangerRate, burst: strangerBurst},
		signIns:   &limiters{every: rate.Every(signInEvery), burst: signInBurst},
	}
}

// pass tells whether a request of a session, or of a stranger (""), may pass.
func (l limits) pass(session string, r *http.Request) bool {
	if session != "" {
		return l.sessions.allow(session)
	}
	return l.strangers.allow(network(r))
}

// network is where a request comes from: an IPv4 address, or a network of 64
// bits in IPv6, which one subscriber has all of (RFC 6177).
func network(r *http.Request) string {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return "?"
	}
	ip := at.Addr().Unmap().WithZone("")
	if ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

// limiters are limiters by key. They take a bounded amount of memory: where
// there are too many keys, those that are new share one.
type limiters struct {
	every rate.Limit
	burst int

	mu   sync.Mutex
	keys map[string]*limiter
	rest limiter
}

type limiter struct {
	*rate.Limiter
	used time.Time
}

func (l *limiters) allow(key string) bool {
	now := time.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.of(key, now).AllowN(now, 1)
}

func (l *limiters) of(key string, now time.Time) *rate.Limiter {
	if l.keys == nil {
		l.keys = make(map[string]*limiter)
		l.rest.Limiter = rate.NewLimiter(l.every, l.burst)
	}
	k := l.keys[key]
	if k == nil {
		if len(l.keys) >= mostLimiters {
			l.forget(now)
		}
		if len(l.keys) >= mostLimiters {
			return l.rest.Limiter
		}
		k = &limiter{Limiter: rate.NewLimiter(l.every, l.burst)}
		l.keys[key] = k
	}
	k.used = now
	return k.Limiter
}

func (l *limiters) forget(now time.Time) {
	for key, k := range l.keys {
		if now.Sub(k.used) >= limiterRest {
			delete(l.keys, key)
		}
	}
}
