package api

import (
	"context"
	"net/http"
	"slices"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
)

// benchView is the bench as a whole.
type benchView struct {
	Name   string         `json:"name"`
	Tool   string         `json:"tool"`
	Linked *bool          `json:"linked,omitempty" doc:"whether the firm's store of orders is reached; missing: there is none"`
	Lines  int            `json:"lines"`
	Needs  int            `json:"needs" doc:"lines that need a person"`
	Who    access.Session `json:"who"`
}

// AtLine is a request about one line. It is exported because the library reads
// what is embedded only then.
type AtLine struct {
	Line string `path:"line" maxLength:"512" doc:"identity of the line"`
}

type labelRequest struct {
	AtLine
	Body struct {
		Label string `json:"label" maxLength:"80" doc:"what people call the line; nothing takes the label away"`
	}
}

type restRequest struct {
	AtLine
	Body struct {
		Rest bool `json:"rest" doc:"true keeps the line out of use"`
	}
}

type matchRequest struct {
	AtLine
	Body struct {
		Unit string `json:"unit" minLength:"1" maxLength:"128"`
	}
}

// knocker is a bench that can ask a quiet line who is there.
type knocker interface {
	Knock(ctx context.Context, by bench.Person, id string) error
}

func (s *server) lineOperations() {
	add(s, s.op(access.Look, http.MethodGet, "/bench", "The bench, and who asks"), s.bench)
	add(s, s.op(access.Look, http.MethodGet, "/lines", "All lines as they stand"),
		func(context.Context, access.Session, *empty) (*body[[]bench.Line], error) {
			return of(s.Bench.Lines()), nil
		})
	add(s, s.op(access.Look, http.MethodGet, "/lines/{line}", "A line as it stands"),
		func(_ context.Context, _ access.Session, in *AtLine) (*body[bench.Line], error) {
			l, err := s.Bench.Line(in.Line)
			return of(l), err
		})
	add(s, s.op(access.Play, http.MethodPost, "/lines/{line}/label", "Say what people call a line"),
		func(ctx context.Context, who access.Session, in *labelRequest) (*nothing, error) {
			return nil, s.Bench.Label(ctx, who.By(), in.Line, in.Body.Label)
		})
	add(s, s.op(access.Play, http.MethodPost, "/lines/{line}/rest", "Keep a line out of use, or put it back"),
		func(ctx context.Context, who access.Session, in *restRequest) (*nothing, error) {
			return nil, s.Bench.Rest(ctx, who.By(), in.Line, in.Body.Rest)
		})
	add(s, s.op(access.Play, http.MethodPost, "/lines/{line}/match", "Say which planned unit is on a line"),
		func(ctx context.Context, who access.Session, in *matchRequest) (*nothing, error) {
			return nil, s.Bench.Match(ctx, who.By(), in.Line, in.Body.Unit)
		})
	add(s, s.op(access.Play, http.MethodPost, "/lines/{line}/stop", "End the run on a line, safely"),
		func(ctx context.Context, who access.Session, in *AtLine) (*nothing, error) {
			return nil, s.Bench.Stop(ctx, who.By(), in.Line)
		})
	add(s, s.op(access.Play, http.MethodPost, "/lines/{line}/knock", "Ask a quiet line who is there"),
		func(ctx context.Context, who access.Session, in *AtLine) (*nothing, error) {
			k, ok := s.Bench.(knocker)
			if !ok {
				return nil, say(http.StatusConflict, "this bench does not knock")
			}
			return nil, k.Knock(ctx, who.By(), in.Line)
		})
}

func (s *server) bench(_ context.Context, who access.Session, _ *empty) (*body[benchView], error) {
	v := benchView{Name: s.Bench.Name(), Tool: s.Tool, Who: who}
	for _, l := range s.Bench.Lines() {
		v.Lines++
		if l.Person {
			v.Needs++
		}
	}
	if s.Orders != nil {
		linked := s.Orders.Linked()
		v.Linked = &linked
	}
	return of(v), nil
}

type keysRequest struct {
	AtLine
	Body struct {
		Keys string `json:"keys" minLength:"1" maxLength:"4096" doc:"what is typed, as it is: Enter is \\r"`
	}
}

type secretRequest struct {
	AtLine
	Body struct {
		Secret string `json:"secret" minLength:"1" maxLength:"1024" doc:"typed with Enter at its end, and kept nowhere" writeOnly:"true"`
	}
}

func (s *server) keyboardOperations() {
	add(s, s.op(access.Release, http.MethodPost, "/lines/{line}/keyboard", "Take a line over: what its run types waits"),
		func(ctx context.Context, who access.Session, in *AtLine) (*nothing, error) {
			return nil, s.Keyboards.Take(ctx, who, in.Line)
		})
	add(s, s.op(access.Release, http.MethodPost, "/lines/{line}/keyboard/keys", "Type on a line that was taken over"),
		func(_ context.Context, who access.Session, in *keysRequest) (*nothing, error) {
			return nil, s.Keyboards.Type(who, in.Line, []byte(in.Body.Keys))
		})
	add(s, s.op(access.Release, http.MethodPost, "/lines/{line}/keyboard/secret", "Type a secret on a line that was taken over"),
		func(_ context.Context, who access.Session, in *secretRequest) (*nothing, error) {
			return nil, s.Keyboards.Secret(who, in.Line, in.Body.Secret)
		})
	add(s, s.op(access.Release, http.MethodDelete, "/lines/{line}/keyboard", "Give a line back: its run looks where the unit is, and goes on"),
		func(_ context.Context, who access.Session, in *AtLine) (*nothing, error) {
			return nil, s.Keyboards.GiveBack(who, in.Line)
		})
}

type allowRequest struct {
	Body struct {
		Units []string `json:"units,omitempty" maxItems:"10000" nullable:"false" doc:"by name"`
		All   bool     `json:"all,omitempty" doc:"all that the plan has, in place of units"`
	}
}

type atUnit struct {
	Unit string `path:"unit" maxLength:"128" doc:"name of the unit in the plan"`
}

type releaseRequest struct {
	Hold string `path:"hold" maxLength:"128"`
	Body struct {
		Choice string `json:"choice" minLength:"1" maxLength:"64" doc:"one of the hold's choices"`
		Stage  string `json:"stage,omitempty" maxLength:"256" doc:"to go on from, for the choice of another stage"`
		Text   string `json:"text,omitempty" maxLength:"1024" doc:"what to type by hand, with Enter at its end"`
		Secret bool   `json:"secret,omitempty" doc:"text is a secret: it is typed, and kept nowhere"`
	}
}

func (s *server) unitOperations() {
	add(s, s.op(access.Play, http.MethodPost, "/units/allow", "Let units be played as soon as they are on a line"), s.allow)
	add(s, s.op(access.Play, http.MethodPost, "/units/{unit}/again", "Have a unit that was played wait for its turn once more"),
		func(ctx context.Context, who access.Session, in *atUnit) (*nothing, error) {
			return nil, s.Bench.Again(ctx, who.By(), in.Unit)
		})
	add(s, s.op(access.Release, http.MethodPost, "/holds/{hold}/release", "Release a hold of this bench"), s.release)
}

func (s *server) allow(ctx context.Context, who access.Session, in *allowRequest) (*nothing, error) {
	if in.Body.All != (len(in.Body.Units) == 0) {
		return nil, say(http.StatusUnprocessableEntity, "name units, or say all: one of the two")
	}
	return nil, s.Bench.Allow(ctx, who.By(), in.Body.Units...)
}

func (s *server) release(ctx context.Context, who access.Session, in *releaseRequest) (*nothing, error) {
	for _, l := range s.Bench.Lines() {
		if h := l.Hold; h != nil && h.ID == in.Hold && !slices.Contains(h.Choices, in.Body.Choice) {
			return nil, bench.ErrChoice
		}
	}
	r := bench.Release{Choice: in.Body.Choice, Stage: in.Body.Stage, Text: in.Body.Text, Secret: in.Body.Secret}
	return nil, s.Bench.Release(ctx, who.By(), in.Hold, r)
}

// fleetWithin is how long finding the firm's benches may take.
const fleetWithin = 5 * time.Second

// fleetView is the firm's benches.
type fleetView struct {
	Linked  bool           `json:"linked" doc:"false: the firm is not reached, and only this bench is seen"`
	Benches []orders.Bench `json:"benches"`
}

func (s *server) fleet(ctx context.Context, _ access.Session, _ *empty) (*body[fleetView], error) {
	if s.Orders == nil {
		return of(fleetView{Benches: []orders.Bench{}}), nil
	}
	ctx, cancel := context.WithTimeout(ctx, fleetWithin)
	defer cancel()
	list, err := s.Orders.Benches(ctx)
	if err != nil {
		return nil, err
	}
	if list == nil {
		list = []orders.Bench{}
	}
	return of(fleetView{s.Orders.Linked(), list}), nil
}
