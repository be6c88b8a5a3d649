package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/transcript/audit"
)

// lineView is the Line page.
type lineView struct {
	card
	Shown     bench.Shown
	Stages    []stageView
	Facts     []audit.Fact
	ReadBacks []audit.ReadBack
	Holds     []audit.Hold
	ByHand    []audit.ByHand
	SoftKeys  []softKey
	Before    string // the line before in the list, and after it
	After     string
	Now       time.Time
}

// stageView is a stage of the dialogue with what was said in it.
type stageView struct {
	Name    string
	State   string // as the record has it; "" or "ahead": to come
	Now     bool
	Took    time.Duration
	Entries []audit.Entry
}

// softKey is a key that a phone does not have; the script knows what it sends.
type softKey struct{ Name, Key string }

var softKeys = []softKey{
	{"Enter", "Enter"}, {"Tab", "Tab"}, {"Esc", "Escape"}, {"Backspace", "Backspace"}, {"Ctrl C", "Interrupt"}, {"Space", "Space"},
	{"Up", "ArrowUp"}, {"Down", "ArrowDown"}, {"Left", "ArrowLeft"}, {"Right", "ArrowRight"},
}

func (s *site) linePage(w http.ResponseWriter, r *http.Request) {
	l, err := s.Bench.Line(r.PathValue("line"))
	if errors.Is(err, bench.ErrNoLine) {
		s.sorry(w, r, http.StatusNotFound, "This bench has no such line", "Its adapter may have been given another name. The Bench page shows the lines that there are.")
		return
	}
	if err != nil {
		s.failed(w, r, "The line cannot be shown", err)
		return
	}
	title := nameOf(l)
	if l.Unit != "" {
		title += ": " + l.Unit
	}
	f := s.frame(r, "line", title, nil)
	f.Live, f.Only = "line", l.ID
	v := lineView{Now: f.Now, SoftKeys: softKeys, card: card{Line: l, Percent: percent(l, f.Now), Allowable: l.State == bench.Matched && l.Person, Mine: l.TakenBy != "" && l.TakenBy == f.Person, Can: f.Can}}
	lines := s.Bench.Lines()
	if l.State == bench.Unmatched || l.State == bench.Listening {
		v.Units = s.unitsFree(lines)
	}
	v.Before, v.After = neighbours(lines, l.ID)
	v.Shown = s.shown(r.Context(), l.ID)
	s.told(&v)
	f.Data = v
	s.show(w, http.StatusOK, f)
}

// neighbours are the lines before and after one, by name; "": none.
func neighbours(lines []bench.Line, id string) (prev, next string) {
	slices.SortStableFunc(lines, func(a, b bench.Line) int { return natural(nameOf(a), nameOf(b)) })
	i := slices.IndexFunc(lines, func(l bench.Line) bool { return l.ID == id })
	if i > 0 {
		prev = lines[i-1].ID
	}
	if i >= 0 && i+1 < len(lines) {
		next = lines[i+1].ID
	}
	return prev, next
}

// shownWithin is how long the first screen may take: it is there already.
const shownWithin = time.Second

// shown is the screen of a line as it is now.
func (s *site) shown(ctx context.Context, id string) bench.Shown {
	ctx, cancel := context.WithTimeout(ctx, shownWithin)
	defer cancel()
	screens, err := s.Bench.Show(ctx, id)
	if err != nil {
		return bench.Shown{}
	}
	return <-screens // closed at the latest when ctx ends
}

// told fills in what the record tells of the run so far.
func (s *site) told(v *lineView) {
	var names []string
	if u := s.planned(v.Unit); u != nil && u.Dialogue != "" {
		names = s.stages.of(u.Dialogue)
	}
	report, err := s.audits.of(s.Archive, v.Record)
	if err != nil {
		s.Log.Debug().Err(err).Msg("read the record of a run that goes on")
	}
	v.Stages = stagesOf(names, report, v.Line)
	v.Facts, v.ReadBacks, v.Holds, v.ByHand = report.Facts, report.ReadBacks, report.Holds, report.ByHand
}

// stagesOf puts what was recorded beside the stages that there are.
func stagesOf(names []string, r audit.Report, l bench.Line) []stageView {
	var out []stageView
	for _, name := range names {
		if !strings.Contains(name, "${") { // one that is done for each of a list has no name yet
			out = append(out, stageView{Name: name, State: "ahead"})
		}
	}
	last := -1
	for _, st := range r.Stages {
		i := slices.IndexFunc(out, func(v stageView) bool { return v.Name == st.Name })
		if i < 0 {
			i = last + 1
			out = slices.Insert(out, i, stageView{Name: st.Name})
		}
		last = i
		out[i].State, out[i].Took = st.State, st.Took
		out[i].Entries = append(out[i].Entries, st.Entries...)
	}
	if l.State == bench.Playing || l.State == bench.Holding || l.State == bench.Taken {
		for i := range out {
			out[i].Now = out[i].Name == l.Stage
		}
	}
	return out
}
