// Package reach looks over the network at what a unit serves once it is set
// up, and at an address before it is given out.
//
//	Watch        waits until addresses answer: ICMP, TCP, HTTPS, SSH
//	Probe        asks whether somebody has an address already: ARP, ND, else ICMP and TCP
//	Bench        tells whether the bench has an interface in an address's subnet
//	ListenForLog listens for a unit's syslog messages
//
// Nothing here signs in or sends a secret. A certificate or a host key is
// kept as a fingerprint, to be compared; it is not trusted.
//
// What a bench may do depends on its system and its rights. Where the best
// way is closed the next one is taken, and Seen says which it was.
package reach

import (
	"context"
	"fmt"
	"net/netip"
	"sync"
	"time"
)

// Method is a way to look.
type Method string

// The methods. The first four can be asked for; the last two are what Probe
// uses on the local link.
const (
	ICMP  Method = "icmp"  // an echo is answered (RFC 792, RFC 4443); where that is not allowed or not answered, a TCP connection is accepted or refused
	TCP   Method = "tcp"   // a TCP port accepts a connection
	HTTPS Method = "https" // a web page is served; the certificate's fingerprint is kept
	SSH   Method = "ssh"   // an SSH server names itself; the host key's fingerprint is kept
	ARP   Method = "arp"   // RFC 5227
	ND    Method = "nd"    // RFC 4861, RFC 4862
)

// The states of Seen.
const (
	Waiting    = "waiting"       // no answer yet; told on the way, never a result
	Answers    = "answers"       //
	Silent     = "silent"        // no answer within the time
	Changed    = "changed"       // it answers, with another certificate or host key than at the look before
	NotLooked  = "not looked at" // it cannot be looked at from this bench, or the look was stopped; Detail says why
	Free       = "free"          // Probe: nobody has the address
	InUse      = "in use"        // Probe: somebody has the address
	CannotTell = "cannot tell"   // Probe: nothing answers, which proves nothing here; Detail says why
)

// Look is one thing to look at.
type Look struct {
	Name    string // for people, such as "e0 of deep-1"
	Address netip.Addr
	By      Method
	Port    int    // 0: 443 for HTTPS, 22 for SSH; TCP needs one; ICMP uses it where it falls back to TCP
	Known   string // fingerprint seen at the look before; "": none
}

// Again is the same looks as those seen, each knowing the fingerprint that
// was seen, so that another one is told as Changed.
func Again(seen []Seen) []Look {
	looks := make([]Look, len(seen))
	for i, s := range seen {
		looks[i] = s.Look
		if s.Fingerprint != "" {
			looks[i].Known = s.Fingerprint
		}
	}
	return looks
}

// Seen is what a look saw.
type Seen struct {
	Look        Look
	State       string
	Method      Method // how it was looked in the end; "" when it could not be
	Detail      string // for people: what answered, or why nothing did
	Fingerprint string // HTTPS: SHA-256 of the leaf certificate's DER, as "SHA256:" and hex pairs with colons; SSH: of the host key, as "SHA256:" and base64 (RFC 4648 without padding)
	After       time.Duration
	Tries       int
	From        Source

	absent bool // the system itself says that nobody is there
}

// Options say how long and how often Watch looks. Zero values take the
// defaults.
type Options struct {
	Within time.Duration // 12 minutes
	First  time.Duration // pause after the first try, 2 s; doubled after each
	Most   time.Duration // the longest pause, 30 s
	Try    time.Duration // the longest that one try takes, 3 s
	Tell   func(Seen)    // told of every try; never called twice at once, nor after Watch has returned
}

func (o Options) filled() Options {
	set := func(d *time.Duration, otherwise time.Duration) {
		if *d <= 0 {
			*d = otherwise
		}
	}
	set(&o.Within, 12*time.Minute)
	set(&o.First, 2*time.Second)
	set(&o.Most, 30*time.Second)
	set(&o.Try, 3*time.Second)
	if o.Tell == nil {
		o.Tell = func(Seen) {}
	}
	return o
}

// Watch looks at all of them at the same time until each answers, the time
// is over, or ctx ends. The results stand in the order of the looks; each is
// Answers, Changed, Silent or NotLooked.
func Watch(ctx context.Context, looks []Look, o Options) []Seen {
	o = o.filled()
	var telling sync.Mutex
	tell := o.Tell
	o.Tell = func(s Seen) {
		telling.Lock()
		defer telling.Unlock()
		tell(s)
	}
	results := make([]Seen, len(looks))
	var all sync.WaitGroup
	for i, look := range looks {
		all.Go(func() { results[i] = watch(ctx, look, o, lookOnce) })
	}
	all.Wait()
	return results
}

// watch repeats one look; once looks one time.
func watch(ctx context.Context, look Look, o Options, once func(context.Context, Look) Seen) Seen {
	started := time.Now()
	over, cancel := context.WithTimeout(ctx, o.Within)
	defer cancel()
	var last Seen
	reached := false // at least one try got as far as the wire
	for pause := o.First; ; pause = min(2*pause, o.Most) {
		try, done := context.WithTimeout(over, o.Try)
		seen := once(try, look)
		done()
		seen.Look, seen.After, seen.Tries = look, time.Since(started), last.Tries+1
		if seen.State == Answers {
			return settle(seen, o.Tell)
		}
		if over.Err() == nil || last.Tries == 0 {
			last = seen // not what a try says that was cut short
			reached = reached || seen.State == Silent
		}
		if over.Err() == nil {
			waiting := last
			waiting.State = Waiting
			o.Tell(waiting)
		}
		if !wait(over, pause) {
			break
		}
	}
	last.After = time.Since(started)
	return ended(ctx, last, reached, o)
}

// settle compares what answered with what is known.
func settle(seen Seen, tell func(Seen)) Seen {
	if known := seen.Look.Known; known != "" && seen.Fingerprint != "" && known != seen.Fingerprint {
		seen.State = Changed
		seen.Detail = fmt.Sprintf("it shows %s; at the look before it was %s. %s", seen.Fingerprint, known, seen.Detail)
	}
	tell(seen)
	return seen
}

// ended is the result of a look that was never answered.
func ended(ctx context.Context, last Seen, reached bool, o Options) Seen {
	switch {
	case ctx.Err() != nil:
		last.State = NotLooked
		last.Detail = fmt.Sprintf("the look was stopped after %v without an answer; last: %s", last.After.Round(time.Second), last.Detail)
	case !reached:
		last.State, last.Method = NotLooked, ""
	default:
		last.State = Silent
		last.Detail = fmt.Sprintf("no answer within %v; last: %s", o.Within, last.Detail)
	}
	o.Tell(last)
	return last
}

// wait pauses, and tells whether ctx still holds after that.
func wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}
