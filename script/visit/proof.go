package visit

import (
	"context"
	"fmt"
	"strings"
	"time"

	"linehand/script/engine"
	"linehand/transcript"
)

// proofWithin is how long the proof waits for what must answer by now.
const proofWithin = 20 * time.Second

// prove reads everything back and looks at it over the network. What is not
// as planned is on the punch list afterwards.
func (r *run) prove() (engine.Ending, error) {
	failed, err := r.Turns.all(r.ctx, r.Unit, r.tell)
	if err != nil {
		return engine.Ending{}, err
	}
	if len(failed) > 0 {
		r.note("cluster", fmt.Sprintf("the proof is made without %s, which did not come to serve", strings.Join(failed, ", ")))
	}
	log := r.hearLog()
	end := engine.Ending{How: engine.Already}
	if r.Visit.Proof != nil {
		end, err = r.talk(r.Visit.Proof)
	}
	heard := log.wait(r.ctx)
	if err != nil {
		return end, err
	}
	if !goesOn(end.How) {
		return end, nil
	}
	if err := r.overNetwork(heard); err != nil {
		return end, err
	}
	return r.proofEnding(), nil
}

// overNetwork is the part of the proof that needs no console.
func (r *run) overNetwork(heard *logHeard) error {
	if r.Network == nil {
		return nil
	}
	if err := r.ports(); err != nil {
		return err
	}
	for _, s := range r.SignIns {
		if s.Pinned && r.rec.facts[HostKey] == "" {
			r.note("not-tried", s.Name+" is not tried: the console has shown no host key")
			continue
		}
		r.tell(s.Name)
		r.signIn(s)
		if r.ctx.Err() != nil {
			return errStopped
		}
	}
	return r.logged(heard)
}

// ports looks at every planned port.
func (r *run) ports() error {
	if len(r.Ports) == 0 {
		return nil
	}
	within := r.ProofWithin
	if within == 0 {
		within = proofWithin
	}
	r.near(r.Ports)
	seen := r.Network.Watch(r.ctx, Wait{Looks: r.knowing(r.Ports), Within: within}, r.progress(len(r.Ports)))
	if r.ctx.Err() != nil {
		return errStopped
	}
	r.silent(r.taken(seen, "answers"))
	r.unseen = 0
	for _, s := range seen {
		if s.State == transcript.Unseen {
			r.unseen++
		}
	}
	return nil
}

// signIn tries a sign-in, and records it beside what must come of it.
func (r *run) signIn(s SignIn) {
	want := "accepted"
	if s.Refused {
		want = "refused"
	}
	e := transcript.Event{Kind: transcript.ReadBack, Name: s.Name, Want: want}
	password, err := r.Secrets.Secret(s.Secret)
	var accepted bool
	if err == nil {
		accepted, err = r.Network.TrySignIn(r.ctx, s, password, r.rec.facts[HostKey])
	}
	switch {
	case err != nil:
		e.Text = r.Mask(err.Error())
	case accepted:
		e.Got = "accepted"
	default:
		e.Got = "refused"
	}
	e.Equal = err == nil && e.Got == e.Want
	r.append(e)
}

// HostKey is the fact that pins the unit's host key: what the console shows of
// it, such as "SHA256:…".
const HostKey = "host_key"

// logWatch listens for the log target while the proof's dialogue runs.
type logWatch struct {
	cancel context.CancelFunc
	within time.Duration
	result chan logHeard
}

type logHeard struct {
	text string
	ok   bool // the bench is the log target
	err  error
}

// hearLog begins to listen; nil when there is nothing to listen for.
func (r *run) hearLog() *logWatch {
	if r.LogTarget == nil || r.Network == nil {
		return nil
	}
	ctx, cancel := context.WithCancel(r.ctx)
	w := &logWatch{cancel: cancel, within: r.LogTarget.Within, result: make(chan logHeard, 1)}
	go func() {
		var h logHeard
		h.text, h.ok, h.err = r.Network.Hear(ctx, *r.LogTarget)
		w.result <- h
	}()
	return w
}

// wait gives the message its time, and ends the listening.
func (w *logWatch) wait(ctx context.Context) *logHeard {
	if w == nil {
		return nil
	}
	defer w.cancel()
	timer := time.NewTimer(w.within)
	defer timer.Stop()
	select {
	case h := <-w.result:
		return &h
	case <-timer.C:
	case <-ctx.Done():
	}
	w.cancel()
	h := <-w.result
	return &h
}

// logged records whether the log target receives. Where the bench is not the
// target, a person looks.
func (r *run) logged(h *logHeard) error {
	if h == nil {
		return nil
	}
	name := "messages at the log target"
	e := transcript.Event{Kind: transcript.Look, Name: name, Code: "log", Want: "a message of the unit", Got: r.LogTarget.Target}
	switch {
	case !h.ok:
		e.State, e.Text = transcript.Unseen, "this bench is not the log target"
	case h.text != "":
		e.State, e.Text = transcript.Answers, r.Mask(h.text)
	default:
		e.State, e.Text = transcript.Silent, "no message has come"
		if h.err != nil {
			e.Text = h.err.Error()
		}
		r.points.add(Point{Name: name, Code: "log", Text: fmt.Sprintf("no message of %s has come to the log target %s", r.Unit, r.LogTarget.Target)})
	}
	r.append(e)
	if h.ok {
		return nil
	}
	return r.lookAtLog(name)
}

func (r *run) lookAtLog(name string) error {
	s := Step{Name: name, Do: fmt.Sprintf("Look at the log target %s for the test message of %s.", r.LogTarget.Target, r.Unit),
		Good: "The message is there, with the unit's name and the right time.", Otherwise: "Compare the log target in the unit with the plan, and see whether the way there is open (UDP or TCP port 514, RFC 5426, RFC 6587)."}
	answers := make([]Answer, 1)
	var err error
	switch {
	case r.Person == nil:
		err = r.nobody([]Step{s}, []int{0})
	case r.Quick:
		err = r.listed([]Step{s}, []int{0}, answers)
	default:
		err = r.guided([]Step{s}, []int{0}, answers)
	}
	if err == nil && answers[0].State != transcript.Ticked {
		r.points.add(Point{Name: name, Code: "log", Text: fmt.Sprintf("nobody has seen that the log target %s receives messages of %s", r.LogTarget.Target, r.Unit)})
	}
	return err
}

// unseenWords says what the proof has not seen.
func (r *run) unseenWords() string {
	if r.unseen == 0 {
		return ""
	}
	return fmt.Sprintf("; %s not looked at from this bench", isAre(r.unseen, "planned address was", "planned addresses were"))
}

// proofEnding says how the proof came out.
func (r *run) proofEnding() engine.Ending {
	differs, open := r.outcome()
	switch {
	case len(differs) > 0:
		return engine.Ending{How: engine.Differs, Sentence: fmt.Sprintf("Otherwise than planned: %s.", pointNames(differs)), Next: "Put it right and prove it again with linehand proof."}
	case len(open) > 0:
		return engine.Ending{How: engine.Open, Sentence: fmt.Sprintf("As planned, but open: %s.", pointNames(open)), Next: "Run linehand proof when it is over."}
	}
	return engine.Ending{How: engine.Already, Sentence: fmt.Sprintf("Proved: %s as planned%s.", readWords(r.rec.good()), r.unseenWords())}
}
