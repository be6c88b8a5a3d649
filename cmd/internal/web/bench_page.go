package web

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"

	"linehand/cmd/internal/bench"
)

// benchView is the Bench page.
type benchView struct {
	Needing, Others []card // lines that need a person, and the rest
	Counts          []count
	All             int // lines, before they are filtered
	Filter          string
	State           string // "": all; "needs": those that need a person
	States          []bench.State
	Units           []string // of the plan, that an unmatched unit may be
	ToCome          []string // units of the plan that are on no line and were not played
	Allowable       int      // cards that can be allowed
	Now             time.Time
}

type card struct {
	bench.Line
	Percent   int
	Allowable bool
	Mine      bool // whoever looks types on it
	Units     []string
	Can       can
}

type count struct {
	Mark string
	N    int
	Word string
}

func (s *site) benchPage(w http.ResponseWriter, r *http.Request) {
	f := s.frame(r, "bench", "Bench", nil)
	f.Live = "line orders bench"
	q := r.URL.Query()
	v := benchView{Filter: q.Get("find"), State: q.Get("state"), Now: f.Now, States: order}
	lines := s.Bench.Lines()
	slices.SortStableFunc(lines, before)
	v.All, v.Counts = len(lines), counts(lines)
	free := s.unitsFree(lines)
	for _, l := range lines {
		if !v.fits(l) {
			continue
		}
		c := card{Line: l, Percent: percent(l, f.Now), Allowable: l.State == bench.Matched && l.Person, Mine: l.TakenBy != "" && l.TakenBy == f.Person, Can: f.Can}
		if l.State == bench.Unmatched {
			c.Units = free
		}
		if c.Allowable {
			v.Allowable++
		}
		if needs(l) {
			v.Needing = append(v.Needing, c)
		} else {
			v.Others = append(v.Others, c)
		}
	}
	v.ToCome = s.toCome(free)
	f.Data = v
	s.show(w, http.StatusOK, f)
}

// order is that of the states: what a person is needed for first.
var order = []bench.State{bench.Holding, bench.Unmatched, bench.Matched, bench.Finished, bench.Taken, bench.Playing, bench.Listening, bench.Busy, bench.Resting, bench.Absent}

func before(a, b bench.Line) int {
	return cmp.Or(
		-cmp.Compare(asNumber(needs(a)), asNumber(needs(b))),
		cmp.Compare(urgency(a), urgency(b)),
		natural(nameOf(a), nameOf(b)),
	)
}

func asNumber(b bool) int {
	if b {
		return 1
	}
	return 0
}

// urgency sorts those that need a person by what for. The others stay in
// place, so that a page that is watched does not jump about; only lines that
// cannot be used come last.
func urgency(l bench.Line) int {
	if !needs(l) {
		return asNumber(l.State == bench.Busy || l.State == bench.Resting || l.State == bench.Absent)
	}
	return slices.Index(order, l.State)
}

// natural compares names so that "cable 10" comes after "cable 9".
func natural(a, b string) int {
	for a != "" && b != "" {
		if isDigit(a[0]) && isDigit(b[0]) {
			x, y := number(a), number(b)
			if c := cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)); c != 0 {
				return c
			}
			a, b = afterNumber(a), afterNumber(b)
			continue
		}
		if a[0] != b[0] {
			return cmp.Compare(a[0], b[0])
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func number(s string) string {
	return strings.TrimLeft(s[:len(s)-len(afterNumber(s))], "0")
}

func afterNumber(s string) string {
	return strings.TrimLeftFunc(s, unicode.IsDigit)
}

// fits tells whether a line is among those that are asked for.
func (v benchView) fits(l bench.Line) bool {
	if v.State == "needs" && !needs(l) || v.State != "" && v.State != "needs" && v.State != string(l.State) {
		return false
	}
	find := strings.ToLower(strings.TrimSpace(v.Filter))
	if find == "" {
		return true
	}
	for _, text := range []string{l.Label, l.ID, l.Device, l.Unit, l.Kind, l.Serial, l.Stage, stateWord(l.State)} {
		if strings.Contains(strings.ToLower(text), find) {
			return true
		}
	}
	return false
}

// counts is how many lines are in each state, those that need a person first.
func counts(lines []bench.Line) []count {
	var out []count
	need := 0
	for _, l := range lines {
		if needs(l) {
			need++
		}
	}
	word := "need a person"
	if need == 1 {
		word = "needs a person"
	}
	out = append(out, count{"hold", need, word})
	for _, st := range order {
		n := 0
		for _, l := range lines {
			if l.State == st {
				n++
			}
		}
		if n > 0 {
			out = append(out, count{stateMark(st), n, countWord(st)})
		}
	}
	return out
}

func countWord(st bench.State) string {
	if st == bench.Unmatched {
		return "not recognised"
	}
	return stateWord(st)
}

// unitsFree are the units of the plan that have a console and are on no line.
func (s *site) unitsFree(lines []bench.Line) []string {
	if s.Plan == nil {
		return nil
	}
	r := s.Plan()
	if r == nil || r.Plan == nil {
		return nil
	}
	taken := make(map[string]bool)
	for _, l := range lines {
		taken[l.Unit] = true
	}
	var out []string
	for _, u := range r.Plan.Units {
		if u.Dialogue != "" && !taken[u.Name] {
			out = append(out, u.Name)
		}
	}
	return out
}
