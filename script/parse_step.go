package script

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"linehand/script/internal/yamlwalk"
)

// Limits on steps, far above what one unit needs.
const (
	maxSteps       = 200 // in one half
	maxStepValues  = 200 // of one step
	maxStepText    = 1000
	maxPictureHigh = 40 // lines
	maxPictureWide = 76 // columns: a terminal of 80 with a margin
	maxLooks       = 200
)

// StepsFormat is the first line of a file that holds steps and nothing else.
const StepsFormat = "linehand.steps/1"

// ParseSteps reads a file of steps: the keys before and after of a dialogue,
// under a format of its own. The general set is one.
func ParseSteps(file string, src []byte) (before, after []Step, err error) {
	r := &reader{file: file, lines: strings.Split(string(src), "\n")}
	root, faults := yamlwalk.Parse(file, src)
	for _, f := range faults {
		r.fault(Pos(f.Pos), f.What, f.Mend)
	}
	if root == nil {
		return nil, nil, r.faults.sorted()
	}
	r.object(root, "a file of steps",
		field{name: "format", required: true, read: func(v *yamlwalk.Value) {
			if v.Text != StepsFormat {
				r.fault(Pos(v.Pos), fmt.Sprintf("the format is %q: not a file of steps", clip(v.Text)), "start it with format: "+StepsFormat)
			}
		}},
		field{name: "before", required: true, read: func(v *yamlwalk.Value) { before = r.steps(v, "before") }},
		field{name: "after", required: true, read: func(v *yamlwalk.Value) { after = r.steps(v, "after") }},
	)
	if len(r.faults) > 0 {
		return nil, nil, r.faults.sorted()
	}
	return before, after, nil
}

func (r *reader) steps(v *yamlwalk.Value, what string) []Step {
	items := r.list(v, what)
	if len(items) > maxSteps {
		r.fault(Pos(v.Pos), fmt.Sprintf("more than %d steps", maxSteps), "put together what is done together")
		return nil
	}
	list := make([]Step, 0, len(items))
	for _, item := range items {
		list = append(list, r.step(item))
	}
	return list
}

// handScope is newScope where a person works by hand: what the unit prints
// is not known there.
func handScope() scope {
	sc := newScope()
	delete(sc.names, "fact")
	return sc
}

func (r *reader) step(v *yamlwalk.Value) Step {
	s := Step{Pos: Pos(v.Pos)}
	sc := handScope()
	if v.Kind == yamlwalk.Map { // first: the other keys may use its variable
		if each := v.Get("each"); each != nil {
			s.Each, sc = r.each(each, sc)
		}
	}
	words := func(to **Answer) func(*yamlwalk.Value) {
		return func(v *yamlwalk.Value) { *to = r.sentences(sc, v) }
	}
	whole := r.object(v, "a step",
		field{name: "step", read: func(v *yamlwalk.Value) { s.Name = r.line1(v); s.title = r.wordsOnly(sc, v) }},
		field{name: "general", read: func(v *yamlwalk.Value) { s.General = r.line1(v) }},
		field{name: "do", read: words(&s.Do)},
		field{name: "caution", read: words(&s.Caution)},
		field{name: "source", read: func(v *yamlwalk.Value) { s.Source = r.line1(v) }},
		field{name: "picture", read: func(v *yamlwalk.Value) { s.Picture = r.picture(v) }},
		field{name: "good", read: words(&s.Good)},
		field{name: "otherwise", read: words(&s.Otherwise)},
		field{name: "needed", read: func(v *yamlwalk.Value) { s.Needed = r.guard(sc, v) }},
		field{name: "each", read: func(*yamlwalk.Value) {}},
		field{name: "required", read: func(v *yamlwalk.Value) { is := r.truth(v); s.Required = &is }},
		field{name: "values", read: func(v *yamlwalk.Value) { s.Values = r.stepValues(sc, v) }},
		field{name: "must-show", read: words(&s.MustShow)},
	)
	if whole {
		r.wholeStep(v, &s)
	}
	return s
}

// wholeStep looks at which keys go together.
func (r *reader) wholeStep(v *yamlwalk.Value, s *Step) {
	general := v.Get("general") != nil
	for _, name := range []string{"step", "do"} {
		if !general && v.Get(name) == nil {
			r.fault(s.Pos, fmt.Sprintf("a step needs the key %q", name), "add it, or write general: with the name of a step of the general set")
		}
	}
	if s.General == AllSteps && len(v.Entries) > 1 {
		r.fault(s.Pos, "general: all is every step as it is, and takes no other key", "write {general: NAME, …} beside it for the step that is to change")
	}
	if source := v.Get("source"); source != nil && !general && v.Get("caution") == nil {
		r.fault(Pos(source.Pos), "a source without a caution", "add the caution that it is the source of, or take it out")
	}
}

// sentences reads text for people. Line ends within it count as blanks.
func (r *reader) sentences(sc scope, v *yamlwalk.Value) *Answer {
	text := r.text(v)
	if v.Kind != yamlwalk.Text {
		return nil
	}
	joined := *v
	if strings.ContainsAny(text, "\n\t") {
		joined.Text = strings.Join(strings.Fields(text), " ")
	}
	if strings.TrimSpace(joined.Text) == "" || utf8.RuneCountInString(joined.Text) > maxStepText {
		r.fault(Pos(v.Pos), fmt.Sprintf("text of 1 to %d characters is wanted here", maxStepText), "shorten it, or take the key out")
		return nil
	}
	if hasControl(joined.Text) {
		r.fault(Pos(v.Pos), "the text holds a control character", "take it out")
		return nil
	}
	return r.wordsOnly(sc, &joined)
}

func (r *reader) picture(v *yamlwalk.Value) string {
	text := strings.TrimRight(r.text(v), " \n")
	if v.Kind != yamlwalk.Text {
		return ""
	}
	lines := strings.Split(text, "\n")
	switch {
	case text == "":
		r.fault(Pos(v.Pos), "the picture is empty", "draw it in a block of text (picture: |), or take the key out")
	case len(lines) > maxPictureHigh:
		r.fault(Pos(v.Pos), fmt.Sprintf("the picture has %d lines", len(lines)), fmt.Sprintf("keep it to %d", maxPictureHigh))
	}
	for i, line := range lines {
		if wide := utf8.RuneCountInString(line); wide > maxPictureWide {
			r.fault(Pos(v.Pos), fmt.Sprintf("line %d of the picture is %d columns wide", i+1, wide), fmt.Sprintf("keep it to %d, for a terminal of 80", maxPictureWide))
			return ""
		}
		if hasControl(line) {
			r.fault(Pos(v.Pos), fmt.Sprintf("line %d of the picture holds a control character", i+1), "draw with blanks and printable characters only")
			return ""
		}
	}
	return text
}

func (r *reader) stepValues(sc scope, v *yamlwalk.Value) []StepValue {
	items := r.list(v, "values")
	if len(items) > maxStepValues {
		r.fault(Pos(v.Pos), fmt.Sprintf("more than %d values in one step", maxStepValues), "make a step of each page")
		return nil
	}
	var list []StepValue
	for _, item := range items {
		value := StepValue{Pos: Pos(item.Pos)}
		r.object(item, "a value",
			field{name: "label", required: true, read: func(v *yamlwalk.Value) { r.line1(v); value.Label = r.wordsOnly(sc, v) }},
			field{name: "value", required: true, read: func(v *yamlwalk.Value) { value.Value = r.entered(sc, v) }},
		)
		list = append(list, value)
	}
	return list
}

// entered reads what a person enters: words, or one secret by itself.
func (r *reader) entered(sc scope, v *yamlwalk.Value) *Answer {
	a := r.answer(sc, v)
	if a != nil && a.HasSecret() && len(a.parts) > 1 {
		r.fault(Pos(v.Pos), "a secret and other words in one value", "a person fetches the secret by its name: let it stand by itself")
		return nil
	}
	return a
}

// Defaults and limits of serves.
const (
	DefaultServesWithin = 15 * time.Minute
	DefaultServesEvery  = 2 * time.Second
	httpsPort           = 443 // RFC 9110 4.2.2
	sshPort             = 22  // RFC 4253 4.1
)

func (r *reader) serves(v *yamlwalk.Value) *Serves {
	s := &Serves{Within: DefaultServesWithin, Every: DefaultServesEvery, Pos: Pos(v.Pos)}
	r.object(v, "serves",
		field{name: "within", read: func(v *yamlwalk.Value) { s.Within = r.duration(v, time.Second, 24*time.Hour) }},
		field{name: "every", read: func(v *yamlwalk.Value) { s.Every = r.duration(v, 100*time.Millisecond, MostEvery) }},
		field{name: "looks", required: true, read: func(v *yamlwalk.Value) { s.Looks = r.netLooks(v) }},
	)
	return s
}

func (r *reader) netLooks(v *yamlwalk.Value) []NetLook {
	items := r.list(v, "looks")
	switch {
	case v.Kind == yamlwalk.List && len(items) == 0 && !v.Damaged:
		r.fault(Pos(v.Pos), "there are no looks", "say what must answer, or take serves out")
	case len(items) > maxLooks:
		r.fault(Pos(v.Pos), fmt.Sprintf("more than %d looks", maxLooks), "repeat one over a list with each")
		return nil
	}
	var list []NetLook
	for _, item := range items {
		list = append(list, r.netLook(item))
	}
	return list
}

func (r *reader) netLook(v *yamlwalk.Value) NetLook {
	l := NetLook{Pos: Pos(v.Pos)}
	sc := handScope()
	if v.Kind == yamlwalk.Map {
		if each := v.Get("each"); each != nil {
			l.Each, sc = r.each(each, sc)
		}
	}
	whole := r.object(v, "a look",
		field{name: "what", required: true, read: func(v *yamlwalk.Value) { r.line1(v); l.What = r.wordsOnly(sc, v) }},
		field{name: "address", required: true, read: func(v *yamlwalk.Value) { l.Address = r.wordsOnly(sc, v) }},
		field{name: "by", required: true, read: func(v *yamlwalk.Value) { l.By = r.oneOf(v, ByICMP, ByTCP, ByHTTPS, BySSH) }},
		field{name: "port", read: func(v *yamlwalk.Value) { l.Port = r.number(v, 1, 65535) }},
		field{name: "each", read: func(*yamlwalk.Value) {}},
		field{name: "needed", read: func(v *yamlwalk.Value) { l.Needed = r.guard(sc, v) }},
	)
	if whole {
		r.lookPort(v, &l)
	}
	return l
}

func (r *reader) lookPort(v *yamlwalk.Value, l *NetLook) {
	port := v.Get("port")
	switch {
	case l.By == ByICMP && port != nil:
		r.fault(Pos(port.Pos), "an ICMP echo goes to no port", "take port out, or look by tcp")
	case l.By == ByTCP && port == nil && v.Get("by") != nil:
		r.fault(l.Pos, "a look by tcp says no port", "add it, such as port: 443")
	case l.By == ByHTTPS && port == nil:
		l.Port = httpsPort
	case l.By == BySSH && port == nil:
		l.Port = sshPort
	}
}
