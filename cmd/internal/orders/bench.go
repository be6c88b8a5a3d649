package orders

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Bench is a bench as it announces itself.
type Bench struct {
	Name   string            `json:"name"`
	Site   string            `json:"site,omitempty"`
	URL    string            `json:"url,omitempty"` // of its pages
	Leaf   bool              `json:"leaf,omitempty"`
	Lines  []Line            `json:"lines,omitempty"`
	Labels map[string]string `json:"labels,omitempty"`
	Seen   time.Time         `json:"seen"` // when it was heard of last, by its own clock
}

// Line is a line of a bench.
type Line struct {
	Name     string `json:"name"`
	Identity string `json:"identity,omitempty"`
	Label    string `json:"label,omitempty"`
	State    string `json:"state,omitempty"`
	Order    string `json:"order,omitempty"` // that is played on it
}

const (
	absentAfter   = 30 * time.Second // a bench that was not heard of for so long is not there
	announceEvery = absentAfter / 6
)

// Announce says how this bench is now. It is said again and again until the
// store is closed, and soon forgotten after that.
func (s *Store) Announce(ctx context.Context, b Bench) error {
	b.Name, b.Leaf = s.opts.Bench, s.leaf()
	s.mu.Lock()
	s.here = b
	s.mu.Unlock()
	return s.sayHere(ctx, s.home)
}

func (s *Store) announce(ctx context.Context) {
	tick := time.NewTicker(announceEvery)
	defer tick.Stop()
	for {
		for _, p := range []*place{s.home, s.firm} {
			if p == s.home || s.server.Linked() {
				if err := s.sayHere(ctx, p); err != nil && ctx.Err() == nil {
					s.opts.Log.Debug().Err(err).Msg("the bench could not announce itself")
				}
			}
			if s.home == s.firm {
				break
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (s *Store) sayHere(ctx context.Context, p *place) error {
	s.mu.Lock()
	b := s.here
	s.mu.Unlock()
	b.Seen, b.Leaf = time.Now(), s.leaf()
	data, err := json.Marshal(b)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, oneTry)
	defer cancel()
	_, err = p.js.PublishMsg(ctx, &nats.Msg{Subject: "linehand." + p.name + ".bench." + b.Name, Data: data})
	return err
}

// Benches are those that are there, by name: all of the firm's, or without a
// link this one.
func (s *Store) Benches(ctx context.Context) ([]Bench, error) {
	p := s.home
	if s.Linked() {
		p = s.firm
	}
	var all []Bench
	err := p.try(ctx, func(ctx context.Context) error {
		all = nil
		c, err := p.js.OrderedConsumer(ctx, benchesStream, jetstream.OrderedConsumerConfig{
			DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy, FilterSubjects: []string{"linehand." + p.name + ".bench.*"},
			InactiveThreshold: forgottenAfter,
		})
		if err != nil {
			return err
		}
		all, err = p.announced(ctx, c)
		return err
	})
	slices.SortFunc(all, func(a, b Bench) int { return strings.Compare(a.Name, b.Name) })
	return all, err
}

// countAgain is after how long without an announcement it is asked whether
// more are to come.
const countAgain = 100 * time.Millisecond

// announced reads the announcements that are there. One that lapses after they
// were counted never comes, and is not waited for.
func (p *place) announced(ctx context.Context, c jetstream.Consumer) ([]Bench, error) {
	left := c.CachedInfo().NumPending
	if left == 0 {
		return nil, nil
	}
	msgs, err := c.Messages(jetstream.PullMaxMessages(500), jetstream.WithMessagesErrOnMissingHeartbeat(false))
	if err != nil {
		return nil, err
	}
	defer msgs.Stop()
	byName := map[string]Bench{}
	for left > 0 {
		brief, cancel := context.WithTimeout(ctx, countAgain)
		msg, err := msgs.Next(jetstream.NextContext(brief))
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, context.DeadlineExceeded):
			there, err := p.countBenches(ctx)
			if err != nil {
				return nil, err
			}
			if there <= uint64(len(byName)) {
				left = 0
			}
			continue
		case err != nil:
			return nil, err
		}
		meta, err := msg.Metadata()
		if err != nil {
			return nil, fmt.Errorf("read an announcement: %w", err)
		}
		left = meta.NumPending
		var b Bench
		if json.Unmarshal(msg.Data(), &b) == nil {
			byName[b.Name] = b
		}
	}
	return slices.Collect(maps.Values(byName)), nil
}

// countBenches is how many announcements are there now.
func (p *place) countBenches(ctx context.Context) (uint64, error) {
	s, err := p.js.Stream(ctx, benchesStream)
	if err != nil {
		return 0, err
	}
	return s.CachedInfo().State.Msgs, nil
}
