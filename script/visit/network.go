package visit

import (
	"context"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"linehand/script"
	"linehand/script/engine"
	"linehand/transcript"
)

// Network looks at what units serve, from the bench. Functions that it is
// handed are called on the caller's goroutine.
type Network interface {
	// Near tells whether the bench has an address in the subnet of addr, and
	// where; text is for people.
	Near(addr netip.Addr) (text string, near bool)
	// Probe tells of each address whether somebody has it: transcript.InUse,
	// Free or Unseen. The results are in the order of the addresses.
	Probe(ctx context.Context, addrs []netip.Addr) []Seen
	// Watch looks until all have answered or the time is over. The results are
	// in the order of the looks.
	Watch(ctx context.Context, w Wait, tell func(Seen)) []Seen
	// TrySignIn tells whether the unit takes a sign-in.
	TrySignIn(ctx context.Context, s SignIn, password, hostKey string) (accepted bool, err error)
	// Hear listens for messages to the log target from an address until ctx is
	// done or one has come. ok says that the bench is the log target.
	Hear(ctx context.Context, l Log) (heard string, ok bool, err error)
}

// Look is something that a unit is to serve.
type Look struct {
	Name    string // for people, such as "e0 of deep-1"
	Address netip.Addr
	By      string // icmp, tcp, https or ssh
	Port    int
	Known   string // By ssh: fingerprint of the host key that the console has shown; "": none
}

// Wait is what must answer, and for how long that is waited for.
type Wait struct {
	Looks  []Look
	Within time.Duration // 0: one look each
	Every  time.Duration // the first pause
}

// Seen is what a look has shown.
type Seen struct {
	Look
	State       string // of package transcript: Answers, Silent, Unseen, InUse, Free, Waited
	Method      string // that was used
	Text        string // for people
	Fingerprint string // of the certificate, "SHA256:…"; "" for none
	After       time.Duration
}

// Address is one that the first boot gives out.
type Address struct {
	Name    string // for people, such as "e0"
	Address netip.Addr
}

// SignIn is a sign-in over the network.
type SignIn struct {
	Name    string // for people, such as "the factory sign-in"
	Address netip.Addr
	Port    int
	User    string
	Secret  string // its name
	Refused bool   // it must not be taken
	// Pinned: it is tried only when the unit's host key is known.
	Pinned bool
}

// Log is a log target.
type Log struct {
	Target string // as planned: a name or an address
	Host   string // what the unit calls itself in its messages
	From   []netip.Addr
	Within time.Duration // after the proof's dialogue
}

// probe looks at the addresses that are to be given out.
func (r *run) probe() error {
	if r.Network == nil || len(r.Addresses) == 0 {
		return nil
	}
	if r.Earlier != nil && slices.Contains(r.Earlier.Done, FirstBoot) {
		r.note("not-probed", "the planned addresses are not probed: the unit was given them in the earlier record")
		return nil
	}
	addrs := make([]netip.Addr, len(r.Addresses))
	for i, a := range r.Addresses {
		addrs[i] = a.Address
	}
	for {
		r.tell("is anybody at the planned addresses already?")
		seen := r.Network.Probe(r.ctx, addrs)
		if r.ctx.Err() != nil {
			return errStopped
		}
		var taken []string
		for i, s := range seen {
			s.Name, s.Address = "address of "+r.Addresses[i].Name, addrs[i]
			r.look(s, "nobody answers")
			if s.State == transcript.InUse {
				taken = append(taken, fmt.Sprintf("%s, which is planned as %s for %s: %s", s.Address, r.Addresses[i].Name, r.Unit, s.Text))
			}
		}
		if len(taken) == 0 {
			return nil
		}
		choice, err := r.hold(question{kind: HoldAddress, goOn: true,
			reason: "somebody already answers at " + strings.Join(taken, "; and at "),
			advice: "Find who has the address before the unit takes it. Go on only when it is this unit itself, which was set up before.",
			next:   "Free the address, or plan another one, and run again. Nothing of the plan was typed."})
		if err != nil || choice == GoOn {
			return err
		}
	}
}

// wait watches until the unit serves.
func (r *run) wait(w Wait) (engine.Ending, error) {
	if len(w.Looks) == 0 || r.Network == nil {
		return engine.Ending{How: engine.Done, Sentence: "Nothing of the unit is looked at over the network here."}, nil
	}
	for {
		r.near(w.Looks)
		r.waiting(w)
		w.Looks = r.knowing(w.Looks)
		silent := r.taken(r.Network.Watch(r.ctx, w, r.progress(len(w.Looks))), "answers")
		if r.ctx.Err() != nil {
			return engine.Ending{}, errStopped
		}
		if len(silent) == 0 {
			return engine.Ending{How: engine.Done, Sentence: fmt.Sprintf("The unit serves: %s.", r.servesWords(w.Looks))}, nil
		}
		choice, err := r.hold(question{kind: HoldSilent, goOn: true,
			reason: fmt.Sprintf("%s does not answer within %s", list(silent), w.Within),
			advice: "Look at the port's indicator, its cable and the switch's port; the unit may still be starting."})
		if err != nil {
			return engine.Ending{}, err
		}
		if choice == GoOn {
			r.silent(silent)
			return engine.Ending{How: engine.Done, Sentence: fmt.Sprintf("A person went on although %s did not answer.", list(silent))}, nil
		}
	}
}

// knowing gives looks by SSH the host key that the console has shown: a server
// has several, and shows that one only when it is asked for it.
func (r *run) knowing(looks []Look) []Look {
	looks = slices.Clone(looks)
	for i := range looks {
		if looks[i].By == script.BySSH {
			looks[i].Known = r.rec.facts[HostKey]
		}
	}
	return looks
}

// silent puts looks that nobody answered on the punch list.
func (r *run) silent(looks []Seen) {
	for _, s := range looks {
		r.points.add(Point{Name: s.Name, Code: "silent", Text: fmt.Sprintf("%s does not answer at %s", s.Name, s.Address)})
	}
}

func (r *run) waiting(w Wait) {
	for _, l := range w.Looks {
		r.append(transcript.Event{Kind: transcript.Look, Name: l.Name, State: transcript.Waited, Code: l.By, Want: "answers", Got: target(l)})
	}
}

// taken records what was seen, and returns what did not answer.
func (r *run) taken(seen []Seen, want string) (silent []Seen) {
	for _, s := range seen {
		r.look(s, want)
		if s.State == transcript.Silent {
			silent = append(silent, s)
		}
	}
	return silent
}

// progress shows what has answered so far.
func (r *run) progress(of int) func(Seen) {
	answered := make(map[string]bool)
	return func(s Seen) {
		if s.State == transcript.Answers {
			answered[lookKey(s.Look)] = true
			r.tell(fmt.Sprintf("%d of %d answer; %s after %s", len(answered), of, s.Name, s.After.Round(time.Second)))
		} else {
			r.tell(fmt.Sprintf("%d of %d answer; still waiting for %s, %s so far", len(answered), of, s.Name, s.After.Round(time.Second)))
		}
	}
}

// near says when the bench is in none of the subnets that are looked at.
func (r *run) near(looks []Look) {
	said := make(map[string]bool)
	for _, l := range looks {
		text, near := r.Network.Near(l.Address)
		if !near && !said[text] {
			said[text] = true
			r.note("bench-elsewhere", text)
			r.tell(text)
		}
	}
}

// look records what a look has shown. A certificate or a host key that is
// another than at the first look, or than the console has shown, is told as a difference: somebody else may answer there.
func (r *run) look(s Seen, want string) {
	got := target(s.Look)
	key := lookKey(s.Look)
	first, known := r.seen[key]
	what := "certificate"
	if s.By == "ssh" {
		what = "host key"
		if key := r.rec.facts[HostKey]; key != "" { // the console's own word counts most
			first, known = key, true
		}
	}
	switch {
	case s.Fingerprint == "":
	case known && first != s.Fingerprint:
		got, s.State = s.Fingerprint, transcript.Changed
		s.Text = fmt.Sprintf("%s is shown, and was %s before", s.Fingerprint, first)
		r.points.differ(Point{Name: s.Name, Code: "certificate", Text: fmt.Sprintf("the %s of %s is another than before: somebody else may answer there", what, s.Name)})
	default:
		got, r.seen[key] = s.Fingerprint, s.Fingerprint
	}
	if s.Method != "" && s.Method != s.By && s.By != "" {
		s.Text = strings.TrimPrefix(s.Text+"; looked by "+s.Method, "; ")
	}
	method := s.By
	if method == "" {
		method = s.Method
	}
	r.append(transcript.Event{Kind: transcript.Look, Name: s.Name, State: s.State, Code: method, Text: r.Mask(s.Text), Want: want, Got: got})
	if s.Fingerprint != "" && !known {
		r.append(transcript.Event{Kind: transcript.Fact, Name: what + " of " + s.Name, Text: s.Fingerprint})
	}
}

func (r *run) servesWords(looks []Look) string {
	if len(looks) == 1 {
		return looks[0].Name + " answers"
	}
	return fmt.Sprintf("all %d that were waited for answer", len(looks))
}

func target(l Look) string {
	if l.Port == 0 {
		return l.Address.String()
	}
	return netip.AddrPortFrom(l.Address, uint16(l.Port)).String()
}

// LookKey is the name of a look among others, in an Earlier.
func LookKey(name, by string) string { return name + " by " + by }

func lookKey(l Look) string { return LookKey(l.Name, l.By) }

func list(seen []Seen) string {
	text := ""
	for i, s := range seen {
		if i > 0 {
			text += ", "
		}
		text += s.Name + " at " + target(s.Look)
	}
	return text
}
