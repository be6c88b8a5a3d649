package index_test

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"linehand/fixtures/visited"
	"linehand/transcript"
	"linehand/transcript/index"
)

func TestSearchVisits(t *testing.T) {
	dir := t.TempDir()
	unit := visited.Unit{Name: "deep-1", Serial: "BW24-0113", Address: "192.0.2.21"}
	for name, events := range map[string][]transcript.Event{transcript.VisitMode: visited.Visit(unit), transcript.ProofMode: visited.Proof(unit)} {
		h := visited.Header(unit, name, day)
		if name == transcript.ProofMode {
			h.Started = day.Add(48 * 3600e9)
		}
		if err := visited.Write(filepath.Join(dir, name+".record"), h, events, nil); err != nil {
			t.Fatal(err)
		}
	}
	x := open(t, filepath.Join(t.TempDir(), "index.db"))
	update(t, x, dir)
	for _, c := range []struct {
		query index.Query
		want  []string
	}{
		{index.Query{Step: "bezel"}, []string{"visit@5 bezel: not good Put the bezel on."}},
		{index.Query{Step: "=not good"}, []string{"visit@5 bezel: not good Put the bezel on."}},
		{index.Query{Step: "BEZEL=ticked"}, nil},
		{index.Query{Look: "=silent"}, []string{"visit@41 e1 of deep-1: silent no answer within 12m"}},
		{index.Query{Look: "e1 of deep-1"}, []string{"proof@7 e1 of deep-1: answers", "visit@41 e1 of deep-1: silent no answer within 12m"}},
		{index.Query{Punch: "disk check=open"}, []string{`visit@47 disk check: open disk check is "12 % done": it is not finished`}},
		{index.Query{Punch: "CRATE"}, []string{"proof@11 closed the crate is to be taken away", "visit@49 open the crate is to be taken away"}},
		{index.Query{Punch: "=closed", Unit: "deep-1"}, []string{`proof@10 disk check: closed disk check is "12 % done": it is not finished: it is now as planned`, "proof@11 closed the crate is to be taken away"}},
		{index.Query{Part: "set-up=over"}, []string{"visit@33 set-up: over Part set-up is done."}},
		{index.Query{Step: "bezel", Part: "proof=begun"}, []string{"visit@5 bezel: not good Put the bezel on."}},
		{index.Query{Text: "left clip broken"}, []string{"visit@5 step bezel not good Put the bezel on. It clicks on both sides. the left clip is broken RV"}},
		{index.Query{Text: "IEC 62368-1"}, []string{"visit@3 step supply switches off shown Switch both supplies off. Both switches show 0. Leave the supply switches off until every cord is in. (IEC 62368-1)"}},
		{index.Query{Step: "' OR 1=1 --"}, nil},
	} {
		if diff := cmp.Diff(c.want, found(t, x, c.query)); diff != "" {
			t.Errorf("%+v: %s", c.query, diff)
		}
	}
}
