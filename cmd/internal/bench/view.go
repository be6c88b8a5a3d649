package bench

import (
	"context"
	"sync"
	"time"

	"linehand/console/screen"
	"linehand/transcript"
)

// view is what a line shows. It is made of what is recorded, so that nothing
// shows which the record does not hold.
type view struct {
	mask func(string) string

	mu   sync.Mutex
	scr  *screen.Screen
	eyes map[chan struct{}]bool
}

func newView(mask func(string) string) *view {
	return &view{mask: mask, scr: screen.New(80, 24), eyes: map[chan struct{}]bool{}}
}

// heard puts what a unit has printed onto the screen. It waits for nobody who
// looks.
func (v *view) heard(e transcript.Event) {
	if e.Kind != transcript.Heard {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, part := range e.Data {
		v.scr.Write([]byte(part.String()))
	}
	v.scr.Queries()
	v.stir()
}

// clear wipes the screen: another unit may be on the line.
func (v *view) clear() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.scr.Reset()
	v.stir()
}

func (v *view) stir() {
	for eye := range v.eyes {
		select {
		case eye <- struct{}{}:
		default:
		}
	}
}

// shown is the screen as it is.
func (v *view) shown() Shown {
	v.mu.Lock()
	rows := v.scr.Rows()
	s := Shown{}
	s.Row, s.Column = v.scr.Cursor()
	v.mu.Unlock()
	for len(rows) > s.Row+1 && rows[len(rows)-1] == "" {
		rows = rows[:len(rows)-1]
	}
	for i, row := range rows {
		rows[i] = v.mask(row)
	}
	s.Screen = rows
	return s
}

// showEvery is the least time between two screens for one who looks.
const showEvery = 100 * time.Millisecond

// show sends the screen, and a newer one whenever there is one and the last
// was taken: who is slow misses some, and keeps back nobody.
func (v *view) show(ctx context.Context) <-chan Shown {
	out, eye := make(chan Shown), make(chan struct{}, 1)
	eye <- struct{}{}
	v.mu.Lock()
	v.eyes[eye] = true
	v.mu.Unlock()
	go func() {
		defer close(out)
		defer func() {
			v.mu.Lock()
			defer v.mu.Unlock()
			delete(v.eyes, eye)
		}()
		for {
			select {
			case <-eye:
			case <-ctx.Done():
				return
			}
			select {
			case out <- v.shown():
			case <-ctx.Done():
				return
			}
			select {
			case <-time.After(showEvery):
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}
