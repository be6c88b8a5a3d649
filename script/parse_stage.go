package script

import (
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"linehand/script/internal/yamlwalk"
)

func (r *reader) stages(v *yamlwalk.Value) []Stage {
	items := r.list(v, "stages")
	switch {
	case v.Kind == yamlwalk.List && len(items) == 0 && !v.Damaged:
		r.fault(Pos(v.Pos), "there are no stages", "write at least one")
	case len(items) > maxStages:
		r.fault(Pos(v.Pos), fmt.Sprintf("more than %d stages", maxStages), "split the dialogue")
		return nil
	}
	var list []Stage
	for _, item := range items {
		list = append(list, r.stage(item))
	}
	return list
}

func (r *reader) stage(v *yamlwalk.Value) Stage {
	s := Stage{Pos: Pos(v.Pos), Within: DefaultWithin}
	sc := newScope()
	var each *yamlwalk.Value
	if v.Kind == yamlwalk.Map { // first: the other keys may use its variable
		if each = v.Get("each"); each != nil {
			s.Each, sc = r.each(each, sc)
		}
	}
	whole := r.object(v, "a stage",
		field{name: "stage", required: true, read: func(v *yamlwalk.Value) { r.stageName(sc, v, &s) }},
		field{name: "within", read: func(v *yamlwalk.Value) { s.Within = r.duration(v, time.Second, 24*time.Hour) }},
		field{name: "each", read: func(*yamlwalk.Value) {}},
		field{name: "needed", read: func(v *yamlwalk.Value) { s.Needed = r.guard(sc, v) }},
		field{name: "looks", read: func(v *yamlwalk.Value) { s.Looks = r.truth(v) }},
		field{name: "exchanges", read: func(v *yamlwalk.Value) { s.Exchanges = r.exchangeList(sc, v) }},
		field{name: "refused-by", read: func(v *yamlwalk.Value) { s.RefusedBy = r.patterns(v) }},
		field{name: "if-refused", read: func(v *yamlwalk.Value) { s.IfRefused = r.line1(v) }},
		field{name: "until", read: func(v *yamlwalk.Value) { s.Until = r.patterns(v) }},
		field{name: "finish", read: func(v *yamlwalk.Value) { s.Finish = r.truth(v) }},
	)
	if whole && v.Get("exchanges") == nil && v.Get("until") == nil {
		r.fault(s.Pos, "the stage has no exchanges and nothing to wait for", "add exchanges, or until with the text that ends the stage")
	}
	return s
}

func (r *reader) stageName(sc scope, v *yamlwalk.Value, s *Stage) {
	s.Name = r.line1(v)
	s.title = r.wordsOnly(sc, v)
}

// Title is the stage's name for people, its ${…} replaced.
func (s *Stage) Title(v Values) (string, error) {
	if s.title == nil {
		return s.Name, nil
	}
	text, err := s.title.Text(v)
	return strings.TrimSpace(text), err
}

var variableForm = regexp.MustCompile(`^[a-z][a-z0-9_]{0,30}$`)

func (r *reader) each(v *yamlwalk.Value, sc scope) (*Each, scope) {
	if !r.isMap(v, "each") {
		return nil, sc
	}
	if len(v.Entries) != 1 {
		if !v.Damaged {
			r.fault(Pos(v.Pos), fmt.Sprintf("each has %d entries", len(v.Entries)), "write one variable and its list, as in {port: 'unit.ports[1:]'}")
		}
		return nil, sc
	}
	e := v.Entries[0]
	_, taken := sc.names[e.Key]
	if taken = taken && e.Key != "port" || e.Key == "secret" || slices.Contains(allowedFunctions, e.Key); taken || !variableForm.MatchString(e.Key) {
		r.fault(Pos(e.Pos), fmt.Sprintf("%q cannot be the variable of each", clip(e.Key)), "choose a word of small letters that means nothing else, or port")
		return nil, sc
	}
	if e.Value == nil {
		return nil, sc
	}
	prog := r.compile(sc, e.Value, wantList)
	if prog == nil {
		// Go on with a port, so that one fault does not make many.
		return nil, sc.with(e.Key, reflect.TypeFor[PortValues]())
	}
	return &Each{Var: e.Key, Of: &Expr{Source: e.Value.Text, Pos: Pos(e.Value.Pos), prog: prog}}, sc.with(e.Key, prog.element)
}

func (r *reader) compile(sc scope, v *yamlwalk.Value, want wanted) *program {
	source := r.text(v)
	if v.Kind != yamlwalk.Text {
		return nil
	}
	prog, fault := compileProgram(sc, source)
	if fault == nil {
		if fault = prog.check(want); fault == nil && want == wantList && prog.element == nil {
			fault = &exprFault{what: "what the list holds cannot be seen from the file", mend: "use a list such as unit.ports or site.dns"}
		}
	}
	if fault != nil {
		r.fault(r.within(v)(fault.offset), fault.what, fault.mend)
		return nil
	}
	return prog
}

func (r *reader) guard(sc scope, v *yamlwalk.Value) *Guard {
	prog := r.compile(sc, v, wantBool)
	if prog == nil {
		return nil
	}
	return &Guard{Source: v.Text, Pos: Pos(v.Pos), prog: prog}
}

// answer reads what is typed. A line end or control character in it would
// answer more than was asked.
func (r *reader) answer(sc scope, v *yamlwalk.Value) *Answer {
	source := r.text(v)
	if v.Kind != yamlwalk.Text {
		return nil
	}
	if hasControl(source) {
		r.fault(Pos(v.Pos), "the answer holds a line end or a control character", "write one line; for a single key write press: instead")
		return nil
	}
	answer, faults := compileAnswer(sc, source, r.within(v))
	r.faults = append(r.faults, faults...)
	return answer
}

// wordsOnly reads an answer that holds no secret.
func (r *reader) wordsOnly(sc scope, v *yamlwalk.Value) *Answer {
	answer := r.answer(sc, v)
	if answer != nil && answer.HasSecret() {
		r.fault(Pos(v.Pos), "a secret may stand only in an answer", "take it out: this text is shown and recorded")
		return nil
	}
	return answer
}

func (r *reader) exchangeList(sc scope, v *yamlwalk.Value) []Exchange {
	var list []Exchange
	prompts := 0
	for _, item := range r.list(v, "exchanges") {
		if r.exchanges++; r.exchanges > maxExchanges {
			if r.exchanges == maxExchanges+1 {
				r.fault(Pos(item.Pos), fmt.Sprintf("more than %d exchanges", maxExchanges), "split the dialogue")
			}
			return nil
		}
		x := r.exchange(sc, item)
		prompts += len(x.Prompts)
		list = append(list, x)
	}
	if prompts > maxPatterns {
		r.fault(Pos(v.Pos), fmt.Sprintf("more than %d prompts in one stage", maxPatterns), "split the stage")
	}
	return list
}

func (r *reader) exchange(sc scope, v *yamlwalk.Value) Exchange {
	x := Exchange{Pos: Pos(v.Pos), Times: 1}
	whole := r.object(v, "an exchange",
		field{name: "prompt", required: true, read: func(v *yamlwalk.Value) { x.Prompts = r.patterns(v) }},
		field{name: "answer", read: func(v *yamlwalk.Value) { x.Answer = r.answer(sc, v) }},
		field{name: "press", read: func(v *yamlwalk.Value) { x.Press = r.key(v) }},
		field{name: "when", read: func(v *yamlwalk.Value) { x.When = r.guard(sc, v) }},
		field{name: "needed", read: func(v *yamlwalk.Value) { x.Needed = r.guard(sc, v) }},
		field{name: "enter", read: func(v *yamlwalk.Value) { key := r.enterKey(v, true); x.Enter = &key }},
		field{name: "echo", read: func(v *yamlwalk.Value) {
			x.Echo = EchoMode(r.oneOf(v, string(EchoTyped), string(EchoHidden), string(EchoNone)))
		}},
		field{name: "times", read: func(v *yamlwalk.Value) { x.Times = r.number(v, 1, 1000) }},
		field{name: "at-once", read: func(v *yamlwalk.Value) { x.AtOnce = r.truth(v) }},
		field{name: "sometimes", read: func(v *yamlwalk.Value) { x.Sometimes = r.truth(v) }},
		field{name: "settle", read: func(v *yamlwalk.Value) { x.Settle = r.duration(v, time.Millisecond, time.Minute) }},
		field{name: "reads", read: func(v *yamlwalk.Value) { x.Reads = r.reads(sc, v) }},
		field{name: "refused-by", read: func(v *yamlwalk.Value) { x.RefusedBy = r.patterns(v) }},
	)
	if whole {
		r.answerOrPress(v, &x)
	}
	return x
}

func (r *reader) answerOrPress(v *yamlwalk.Value, x *Exchange) {
	answer, press := v.Get("answer"), v.Get("press")
	switch {
	case answer == nil && press == nil:
		r.fault(x.Pos, "the exchange says neither answer nor press", "write answer: '…' (empty quotes for a bare Enter), or press: with one key")
	case answer != nil && press != nil:
		r.fault(Pos(press.Pos), "the exchange says both answer and press", "keep one of the two")
	case press != nil:
		for _, name := range []string{"echo", "enter"} {
			if other := v.Get(name); other != nil {
				r.fault(Pos(other.Pos), fmt.Sprintf("press sends one key and nothing else, so %s says nothing", name), "take "+name+" out, or write answer instead of press")
			}
		}
		x.Echo = EchoNone
	case x.Echo == "" && x.Answer != nil && x.Answer.HasSecret():
		x.Echo = EchoHidden
	case x.Echo == "":
		x.Echo = EchoTyped
	}
}

func (r *reader) reads(sc scope, v *yamlwalk.Value) []ReadBack {
	var list []ReadBack
	for _, item := range r.list(v, "reads") {
		read := ReadBack{Pos: Pos(item.Pos), As: AsText}
		whole := r.object(item, "a read-back",
			field{name: "what", required: true, read: func(v *yamlwalk.Value) { read.What = r.line1(v); read.title = r.wordsOnly(sc, v) }},
			field{name: "as", read: func(v *yamlwalk.Value) {
				read.As = ValueKind(r.oneOf(v, string(AsText), string(AsName), string(AsAddress), string(AsMask), string(AsNumber), string(AsSize), string(AsTime), string(AsNames)))
			}},
			field{name: "regexp", required: true, read: func(v *yamlwalk.Value) { read.Pattern = r.groupRegexp(v) }},
			field{name: "equals", read: func(v *yamlwalk.Value) { read.Equals = r.wordsOnly(sc, v) }},
			field{name: "keep", read: func(v *yamlwalk.Value) { read.Keep = r.text(v); r.factName(Pos(v.Pos), read.Keep) }},
			field{name: "within", read: func(v *yamlwalk.Value) { read.Within = r.duration(v, time.Second, 24*time.Hour) }},
			field{name: "open", read: func(v *yamlwalk.Value) {
				if p, ok := r.pattern(v); ok {
					read.Open = &p
				}
			}},
		)
		if whole {
			r.wholeRead(item, &read)
		}
		list = append(list, read)
	}
	return list
}

// wholeRead looks at which keys of a read-back go together.
func (r *reader) wholeRead(v *yamlwalk.Value, read *ReadBack) {
	equals, within, open := v.Get("equals"), v.Get("within"), v.Get("open")
	switch {
	case read.As == AsTime && equals != nil:
		r.fault(Pos(equals.Pos), "a time is compared with the clock, and takes no equals", "take it out; within says how far off the unit may be")
	case read.As == AsTime:
		if within == nil {
			read.Within = DefaultClockWithin
		}
	case within != nil:
		r.fault(Pos(within.Pos), "within says how far a clock may be off, and this is compared as "+string(read.As), "write as: time, or take within out")
	case equals == nil && open != nil:
		r.fault(Pos(open.Pos), "open without equals", "add equals with what it is to be in the end")
	case equals == nil && v.Get("keep") == nil:
		r.fault(read.Pos, "the read-back neither compares nor keeps what it reads", "add equals with the planned value, or keep with the name of a fact")
	}
}

// Title is the read-back's name for people, its ${…} replaced.
func (b *ReadBack) Title(v Values) (string, error) {
	if b.title == nil {
		return b.What, nil
	}
	return b.title.Text(v)
}
