package draft

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// class is what an exchange is about; stages are made of it.
type class string

const (
	start    class = "start"
	signIn   class = "sign in"
	secrets  class = "new secrets"
	cluster  class = "cluster"
	settings class = "settings"
	apply    class = "apply"
	commands class = "commands"
)

// item is an exchange of the draft.
type item struct {
	prompts []pattern
	raw     string // the prompt as it was last seen
	ans     answer
	shown   string
	press   string
	times   int
	atOnce  bool
	echo    string
	class   class
	when    string
	needed  string
	reads   []read
	refused []string
	some    bool // sometimes
	marks   []string

	secret   string // the role or name that was typed
	question bool   // yes or no
	seen     []int  // in which of the sessions
	began    time.Duration
	waited   time.Duration
	reply    []string
	prompted int // how often its prompt shows in the session
}

// read is a read-back of the draft.
type read struct{ what, as, regexp, equals string }

// Doubts that a second session can clear.
const (
	readOff  = "read off the screen"
	forEvery = "is typed for every unit of this kind, as the plan knows no such value"
)

func (it *item) mark(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if !slices.Contains(it.marks, text) {
		it.marks = append(it.marks, text)
	}
}

// key tells which items of two sessions are the same exchange. At a command
// prompt it is the command that counts.
func (it *item) key() string {
	k := it.prompts[0].text + "\x00" + it.press
	if it.class == commands {
		k += "\x00" + it.ans.template
	}
	return k
}

// exchanges makes items of a session's turns.
func exchanges(h *hearing) []*item {
	k := knownOf(h.unit)
	turns := h.reallyTyped()
	shows := map[string]int{}
	for _, t := range turns {
		shows[generalise(t.prompt, k).text]++
	}
	m := &maker{hearing: h, known: k, typed: map[string]bool{}}
	for i, t := range turns {
		m.item(t, shows[generalise(t.prompt, k).text], i)
	}
	m.keepApart()
	m.guards()
	return m.items
}

// reallyTyped leaves out what was typed in vain: keys at a silent unit, a
// bare Enter that brought the same prompt again, and answers that were
// refused and then given again.
func (h *hearing) reallyTyped() []turn {
	var turns []turn
	for i, t := range h.turns {
		name := t.press
		if t.enter != "" && t.shown == "" && !t.hidden {
			name = "Enter"
		}
		again := i+1 < len(h.turns) && h.turns[i+1].prompt == t.prompt && len(t.reply) < 4
		switch {
		case t.prompt == "" && name != "":
			h.wake = name
		case name == "Enter" && again:
			if h.wake == "" {
				h.wake = name
			}
		case strings.HasPrefix(name, "Ctrl-") && again && !t.countdown:
			h.redraw = name
		default:
			turns = append(turns, t)
		}
	}
	return withoutRefused(turns)
}

// maker makes the items of one session.
type maker struct {
	*hearing
	*known
	items   []*item
	port    string
	typed   map[string]bool // roles of secrets that were set
	entered []value         // plan values typed so far
	user    bool            // the last answer was the sign-in's name
}

func (m *maker) item(t turn, shows, index int) {
	it := &item{raw: t.prompt, prompts: []pattern{generalise(t.prompt, m.known)}, began: t.began, waited: t.waited, reply: t.reply,
		times: 1, shown: t.shown, seen: []int{0}, prompted: shows}
	for _, words := range t.refused {
		it.refused = append(it.refused, refusedBy(words))
	}
	switch {
	case t.press != "":
		m.pressed(it, t)
	case t.hidden:
		m.secretTyped(it)
	case shownSecret.MatchString(t.shown):
		m.secretShown(it, shownSecret.FindStringSubmatch(t.shown)[1])
	default:
		m.answered(it, t)
	}
	if t.broken {
		it.mark("the unit ended the line of this prompt: is it a question, and not a line of text?")
	}
	if it.prompts[0].text == "" {
		it.prompts[0] = pattern{text: "PROMPT"}
		it.mark("nothing was printed before this was typed: write the prompt")
	}
	m.user = it.ans.template == "${factory.user}"
	m.collect(it)
}

// collect adds an item, or counts the same key again.
func (m *maker) collect(it *item) {
	if it.press != "" {
		if n := len(m.items); n > 0 {
			m.items[n-1].reads = nil // a run compares what comes before the next key
		}
		for _, old := range m.items {
			if old.press == it.press && old.prompts[0] == it.prompts[0] {
				old.times, old.some = max(old.times, 4)+4, true
				return
			}
		}
	}
	m.items = append(m.items, it)
}

var countdownWords = regexp.MustCompile(`(?i)autoboot|countdown|to (?:stop|interrupt|abort)|seconds`)

// anyKey are prompts at which Space will do: it turns the page, by common
// practice.
var anyKey = regexp.MustCompile(`(?i)any key|-- ?more ?--`)

func (m *maker) pressed(it *item, t turn) {
	it.press, it.class = t.press, start
	it.atOnce = t.countdown || countdownWords.MatchString(t.prompt)
	it.some = it.atOnce || anyKey.MatchString(t.prompt)
	if t.unknown && !anyKey.MatchString(t.prompt) {
		it.mark("one printable key was pressed; the record does not say which: Space is a guess")
	}
	if commandLike(t.prompt) {
		it.class = commands
	}
}

var (
	yesNo      = regexp.MustCompile(`(?i)^(?:y|n|yes|no)$`)
	applyWords = regexp.MustCompile(`(?i)apply|save|commit|proceed|continue|restart|reboot|write`)
	bracketed  = regexp.MustCompile(`[\[(]([^\[\]()]+)[\])][^\[\]()]*$`)
)

func (m *maker) answered(it *item, t turn) {
	it.class = settings
	it.question = yesNo.MatchString(t.shown)
	switch {
	case commandLike(t.prompt):
		m.command(it, t)
	case t.shown == "":
		m.bareEnter(it)
	case it.question:
		it.ans = answer{template: escape(t.shown)}
		if applyWords.MatchString(t.prompt) {
			it.class = apply
		}
	default:
		m.valueTyped(it, t)
	}
	if t.doubtful && it.ans.literal {
		it.mark(readOff + ", because something broke into the line: is it what was typed?")
	}
	if joinWords.MatchString(t.prompt) && it.class == settings {
		it.class = cluster
	}
	m.entered = append(m.entered, it.ans.values...)
}

func (m *maker) valueTyped(it *item, t turn) {
	it.ans = m.recognise(t.shown, t.prompt, m.port)
	m.port = it.ans.port
	switch {
	case it.ans.template == "${factory.user}":
		it.class = signIn
	case strings.HasPrefix(it.ans.template, "${cluster."):
		it.class = cluster
	case it.ans.literal && looksPlanned(t.shown):
		it.mark("%q is not in the plan of %s", t.shown, m.unit.Name)
	case it.ans.literal:
		it.mark("%q "+forEvery, t.shown)
	}
}

// bareEnter takes what the unit offers. Where it offers a planned value, that
// is typed: it may offer another next time.
func (m *maker) bareEnter(it *item) {
	it.ans = answer{}
	offer := bracketed.FindStringSubmatch(it.raw)
	if offer == nil {
		if commandLike(it.raw) || strings.Contains(strings.ToLower(it.raw), "press enter") {
			it.press, it.class = "Enter", start
			it.some = true
		}
		return
	}
	found := m.meanings(offer[1], it.raw, m.port)
	if len(found) > 0 {
		it.ans = answer{template: "${" + found[0].expr + "}", values: found[:1]}
		it.mark("Enter took %q, which is planned as %s: the planned value is typed instead", offer[1], found[0].expr)
		return
	}
	for _, v := range []string{"mtu", "frame", "vlan"} {
		if strings.Contains(strings.ToLower(it.raw), v) {
			it.mark("Enter took %q, as nothing is planned for it here: a unit with a planned value needs another answer", offer[1])
			return
		}
	}
}

// keepApart takes numbers in prompts back where patterns would make two
// different questions one.
func (m *maker) keepApart() {
	raws := map[string]map[string]bool{}
	for _, it := range m.items {
		if raws[it.prompts[0].text] == nil {
			raws[it.prompts[0].text] = map[string]bool{}
		}
		raws[it.prompts[0].text][it.raw] = true
	}
	for _, it := range m.items {
		if len(raws[it.prompts[0].text]) > 1 && it.prompts[0].regexp && it.class != commands && it.press == "" && !m.comesAgain(it) {
			it.prompts[0] = pattern{text: it.raw}
			it.mark("the numbers in this prompt are kept, because other questions differ only in them")
		}
	}
}

// comesAgain tells whether a prompt is one of those that show again later in
// another wording of the same values, such as a sign-in with a new name.
func (m *maker) comesAgain(it *item) bool {
	return it.ans.template == "${factory.user}" || len(names(it.raw, m.known)) > 0
}

var startWords = regexp.MustCompile(`(?i)start|creat|new cluster|no such|found`)

// guards keep a question about starting or joining a cluster from being
// answered where the plan says otherwise.
func (m *maker) guards() {
	mode := m.cluster.Mode
	if mode == "" || mode == "none" {
		return
	}
	condition := fmt.Sprintf("cluster.mode == %q", mode)
	began := false
	for _, it := range m.items {
		if it.class != cluster {
			began = false
			continue
		}
		switch {
		case it.question && startWords.MatchString(it.raw), mode == "join" && it.secret == "secret.join":
			it.when, it.some, began = condition, true, true
		case began:
			it.needed = condition
		}
	}
}
