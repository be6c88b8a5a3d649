package firm

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
)

// Live tells other benches what the lines of this one show, while one of them
// looks, until ctx ends. What they are too slow for is dropped.
func Live(ctx context.Context, s *orders.Store, b bench.Bench, log zerolog.Logger) {
	changes := b.Watch(ctx)
	var tasks sync.WaitGroup
	defer tasks.Wait()
	told := map[string]bool{}
	for {
		for _, l := range b.Lines() {
			if !told[l.ID] {
				told[l.ID] = true
				tasks.Go(func() { tell(ctx, s, b, l.ID, log) })
			}
		}
		if _, more := <-changes; !more {
			return
		}
	}
}

// tell tells what one line shows, while somebody looks.
func tell(ctx context.Context, s *orders.Store, b bench.Bench, line string, log zerolog.Logger) {
	live := s.Live(line)
	defer live.Close()
	for {
		select {
		case <-live.News():
			if err := tellWhile(ctx, live, b, line); err != nil {
				log.Debug().Err(err).Str("line", line).Msg("a line cannot be shown to others")
			}
		case <-ctx.Done():
			return
		}
	}
}

// wantedEvery is how often it is looked whether somebody looks still.
const wantedEvery = 5 * time.Second

func tellWhile(ctx context.Context, live *orders.Live, b bench.Bench, line string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	shown, err := b.Show(ctx, line)
	if err != nil {
		return err
	}
	tick := time.NewTicker(wantedEvery)
	defer tick.Stop()
	var last []byte // nil: nothing yet
	for live.Wanted() {
		select {
		case now, more := <-shown:
			if !more {
				return nil
			}
			if last, err = json.Marshal(now); err != nil {
				return err
			}
		case <-live.News(): // somebody looks who has not seen it yet
		case <-tick.C:
			continue
		}
		if last != nil {
			live.Tell(last)
		}
	}
	return nil
}

// Show gives what a line of any bench shows, and each later screen, until ctx
// ends. Who is slow misses some.
func Show(ctx context.Context, s *orders.Store, of, line string) (<-chan bench.Shown, error) {
	pieces, err := s.Listen(ctx, of, line)
	if err != nil {
		return nil, fmt.Errorf("look at line %s of bench %s: %w", line, of, err)
	}
	out := make(chan bench.Shown)
	go func() {
		defer close(out)
		for p := range pieces {
			var now bench.Shown
			if json.Unmarshal(p.Data, &now) != nil {
				continue
			}
			select {
			case out <- now:
			case <-ctx.Done():
			}
		}
	}()
	return out, nil
}
