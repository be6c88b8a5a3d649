package engine

import (
	"fmt"
	"regexp"
	"time"

	"linehand/script"
)

// Engine is the state of one run. It is used by one goroutine.
type Engine struct {
	dialogue *script.Dialogue
	facts    map[string]string
	stages   []*stage

	cur  int       // place of the stage that the run is in; -1 before the first
	last *exchange // answered last
	// reading is the exchange whose answer's response is still to be read
	// back; keys pressed at a paging prompt do not end its response.
	reading *exchange

	// loose lets questions be passed over, because the run did not see what
	// went before: at the start, when a line has come back, after a person
	// has typed, and after a person has sent the run to a stage.
	loose   bool
	inDoubt bool // the last answer may not have reached the unit

	chassis chassis
	changed bool // an answer has been given that changes the unit
	differs int  // read-backs that were not as planned
	unseen  int  // of them, those that the unit printed while the line was away
	readOK  int
	open    []string // read-backs that are not finished yet, for people
	redrawn bool     // the redraw key has been tried since the last answer

	live []Live // as Live last worked it out; nil: to be worked out again

	marks []Mark // what the caller has not fetched yet
	reads []Read
}

// chassis is what is known of which unit is on the line.
type chassis struct {
	planned  string
	read     string // "" until read
	verified bool
	wrong    bool
}

type stage struct {
	spec   *script.Stage
	no     int
	name   string
	values script.Values
	ex     []*exchange
	state  StageState
	began  time.Time // when entered
	ended  time.Time // when its last exchange was answered
}

type exchange struct {
	spec  *script.Exchange
	stage *stage
	no    int
	count int // times answered
	// unseen: the run came to the unit after this question, so whether and
	// how it was answered is not known.
	unseen bool
}

// StageState is how far a stage has come.
type StageState string

// The states of a stage.
const (
	StageAhead   StageState = "ahead"
	StageEntered StageState = "entered"
	StageDone    StageState = "done"
	StageRefused StageState = "refused" // left for the stage that the dialogue names
	StageUnseen  StageState = "unseen"  // passed over, not witnessed
	StageLeftOut StageState = "left out"
)

// Mark is something that the record should hold.
type Mark struct {
	Stage string
	State StageState
	Note  string // a question passed over, a fact that changed; "" for a change of stage
}

// Target is the unit that a run is for.
type Target struct {
	Serial string        // as planned; "" when the profile leaves it open
	Values script.Values // without facts
}

// New prepares a run. Repeated stages are laid out here; a list or a name
// that the plan does not supply is an error with its place in the dialogue.
func New(d *script.Dialogue, t Target) (*Engine, error) {
	e := &Engine{
		dialogue: d,
		facts:    make(map[string]string),
		cur:      -1,
		loose:    true,
		chassis:  chassis{planned: t.Serial},
	}
	for _, name := range d.FactNames() {
		e.facts[name] = ""
	}
	base := make(script.Values, len(t.Values)+1)
	for k, v := range t.Values {
		base[k] = v
	}
	base["fact"] = e.facts
	for i := range d.Stages {
		if err := e.layOut(&d.Stages[i], base); err != nil {
			return nil, err
		}
	}
	return e, nil
}

// layOut adds a stage, once for each element of its list.
func (e *Engine) layOut(spec *script.Stage, base script.Values) error {
	if spec.Each == nil {
		e.addStage(spec, base)
		return nil
	}
	list, err := spec.Each.Of.List(base)
	if err != nil {
		return fmt.Errorf("laying out stage %q: %w", spec.Name, err)
	}
	for _, element := range list {
		values := make(script.Values, len(base)+1)
		for k, v := range base {
			values[k] = v
		}
		values[spec.Each.Var] = element
		e.addStage(spec, values)
	}
	return nil
}

func (e *Engine) addStage(spec *script.Stage, values script.Values) {
	name, err := spec.Title(values)
	if err != nil {
		// A stage for what the plan leaves out (a VLAN of 0) has no name and
		// is not needed; where it is, its answers say what is missing.
		name = spec.Name
	}
	s := &stage{spec: spec, no: len(e.stages), name: name, values: values, state: StageAhead}
	for i := range spec.Exchanges {
		s.ex = append(s.ex, &exchange{spec: &spec.Exchanges[i], stage: s, no: i})
	}
	e.stages = append(e.stages, s)
}

// Live is one prompt that is watched for.
type Live struct {
	x       *exchange
	Prompts []*regexp.Regexp // match at the end of a text
	Settle  time.Duration    // how long the line must be quiet; 0: as the dialogue's line says
	AtOnce  bool             // matches while text still moves
}

// Live lists the prompts that are watched for, in the order in which they
// are to be tried. The list is valid until the next call that changes the
// engine: working it out evaluates every guard, and text comes in piece by
// piece, so it is kept.
func (e *Engine) Live() ([]Live, error) {
	if e.live == nil {
		live, err := e.workOutLive()
		if err != nil {
			return nil, err
		}
		e.live = live
	}
	return e.live, nil
}

func (e *Engine) workOutLive() ([]Live, error) {
	var live, again, ahead, back []Live
	for _, s := range e.stages {
		needed, err := e.stageNeeded(s)
		if err != nil {
			return nil, err
		}
		if !needed {
			continue
		}
		for _, x := range s.ex {
			if needed, err := truth(x.spec.Needed, s.values); err != nil {
				return nil, err
			} else if !needed {
				continue
			}
			l := x.live()
			switch {
			case s.no == e.cur && x.open():
				live = append(live, l)
			case s.no == e.cur:
				again = append(again, l)
			case s.no > e.cur && x.open():
				ahead = append(ahead, l)
			default:
				back = append(back, l)
			}
		}
	}
	// A stage that is not finished is asked again rather than left: "Sign
	// in:" after a refusal is this stage's, not a later one's with the same
	// words.
	if e.finished() {
		live = append(live, ahead...)
		live = append(live, again...)
		return append(live, back...), nil
	}
	live = append(live, again...)
	live = append(live, back...)
	return append(live, ahead...), nil
}

// AtOnce tells whether any live prompt is to be answered while text moves.
func AtOnce(live []Live) bool {
	for _, l := range live {
		if l.AtOnce {
			return true
		}
	}
	return false
}

func (x *exchange) live() Live {
	l := Live{x: x, Settle: x.spec.Settle, AtOnce: x.spec.AtOnce && x.open()}
	for _, p := range x.spec.Prompts {
		l.Prompts = append(l.Prompts, p.At)
	}
	return l
}

// open tells whether the exchange may still be answered.
func (x *exchange) open() bool { return x.count < max(1, x.spec.Times) }

// name is the exchange's prompt as the dialogue writes it.
func (x *exchange) name() string { return x.spec.Prompts[0].Text }

func (x *exchange) pos() string {
	return fmt.Sprintf("%s:%d", x.spec.Pos.File, x.spec.Pos.Line)
}

func (e *Engine) stageNeeded(s *stage) (bool, error) {
	if s.state == StageRefused && s.no != e.cur {
		return false, nil // the dialogue has led round it
	}
	return truth(s.spec.Needed, s.values)
}

// truth evaluates a guard; no guard is true.
func truth(g *script.Guard, v script.Values) (bool, error) {
	if g == nil {
		return true, nil
	}
	return g.True(v)
}

// missing lists the questions of a stage that the unit should have asked and
// has not.
func (e *Engine) missing(s *stage) []*exchange {
	var list []*exchange
	for _, x := range s.ex {
		if x.count > 0 || x.unseen || x.spec.Sometimes {
			continue
		}
		// A guard that cannot be told yet (a fact not read) counts as needed:
		// the run then holds rather than leaves a question out.
		if needed, err := truth(x.spec.Needed, s.values); err != nil || needed {
			list = append(list, x)
		}
	}
	return list
}

// finished tells whether every question of the current stage is answered.
func (e *Engine) finished() bool {
	return e.cur < 0 || e.stages[e.cur].state == StageRefused || len(e.missing(e.stages[e.cur])) == 0
}

// current is the stage that the run is in, nil before the first.
func (e *Engine) current() *stage {
	if e.cur < 0 {
		return nil
	}
	return e.stages[e.cur]
}

func (e *Engine) mark(m Mark) { e.marks = append(e.marks, m) }

// Marks hands over what the record should hold since the last call.
func (e *Engine) Marks() []Mark {
	m := e.marks
	e.marks = nil
	return m
}
