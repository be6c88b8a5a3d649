package rehearsal

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"linehand/fixtures/figures"
)

// BenchmarkWireFloor plays all dialogues that have a simulated unit in real
// time, on pseudo-terminals, with their records on disk. The ratio is the
// median of 20 plays at full length.
func BenchmarkWireFloor(b *testing.B) {
	for b.Loop() {
		table := floorTable("wire-floor", "Wire floor in real time: pseudo-terminals, records on disk")
		for _, speed := range []int{9600, 115200} {
			ratio := wireFloor(b, table, speed)
			b.ReportMetric(ratio, fmt.Sprintf("x-floor-%d", speed))
		}
		floorNotes(table)
		table.Note("ratio: median of the plays, ten lines at a time; the other columns are the means of the plays.")
		if err := table.Publish(); err != nil {
			b.Fatal(err)
		}
	}
}

// wireFloor adds rows for one speed, and returns the ratio of all dialogues
// together.
func wireFloor(b *testing.B, table *figures.Table, speed int) float64 {
	units, plays := floorUnits, 20
	if !figures.Full() {
		units, plays = []string{"deep-1"}, 2
	}
	var visits []visit
	for _, unit := range units {
		for i := range plays {
			visits = append(visits, visit{unit: unit, play: i})
		}
	}
	playAll(b, visits, speed)

	perPlay := make([][]timing, plays)
	for _, unit := range units {
		rows := map[string][]timing{}
		var order []string
		for _, v := range visits {
			if v.unit != unit {
				continue
			}
			for _, x := range v.times {
				if !slices.Contains(order, x.dialogue) {
					order = append(order, x.dialogue)
				}
				rows[x.dialogue] = append(rows[x.dialogue], x)
				perPlay[v.play] = append(perPlay[v.play], x)
			}
		}
		for _, d := range order {
			floorRow(table, speed, medianRatio(rows[d]), mean(rows[d]))
		}
	}
	var wholes, rests []timing
	for _, list := range perPlay {
		wholes = append(wholes, sum(list))
		rests = append(rests, sum(withoutBootLog(list)))
	}
	ratio := medianRatio(wholes)
	floorRow(table, speed, ratio, mean(wholes))
	rest := mean(rests)
	rest.dialogue = "without quillon-x48"
	floorRow(table, speed, medianRatio(rests), rest)
	return ratio
}

// visit is one play of a unit's dialogues.
type visit struct {
	unit  string
	play  int
	times []timing
	err   error
}

// lanes is how many visits are played at a time: few enough that they do not
// disturb one another.
const lanes = 10

func playAll(b *testing.B, visits []visit, speed int) {
	p, secrets := demo(b)
	var all sync.WaitGroup
	free := make(chan struct{}, lanes)
	for i := range visits {
		v, folder := &visits[i], b.TempDir()
		free <- struct{}{}
		all.Go(func() {
			defer func() { <-free }()
			v.times, v.err = timeVisit(b.Context(), folder, p, secrets, v.unit, Options{Settings: at(speed), Seed: uint64(v.play + 1), Owner: "wire floor"})
		})
	}
	all.Wait()
	for _, v := range visits {
		if v.err != nil {
			b.Fatal(v.err)
		}
	}
}

func medianRatio(list []timing) float64 {
	ratios := make([]float64, len(list))
	for i, x := range list {
		ratios[i] = x.ratio()
	}
	return figures.Median(ratios)
}

// mean is the mean of plays of the same dialogue.
func mean(list []timing) timing {
	all := sum(list)
	n := len(list)
	all.unit, all.dialogue = list[0].unit, list[0].dialogue
	all.elapsed /= time.Duration(n)
	all.floor /= time.Duration(n)
	all.pauses /= time.Duration(n)
	all.late /= time.Duration(n)
	all.chars /= n
	all.answers /= n
	for k := range all.idle {
		all.idle[k] /= time.Duration(n)
	}
	return all
}
