package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"log/slog"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/agent/mqtt"
	"arcdrift/drift/advise"
)

// publisher is a connection to a broker.
type publisher interface {
	Publish(mqtt.Message) error
	String() string
}

// How often changed states are published, and how often all are: a broker that was
// replaced has lost what it retained.
const (
	publishEvery   = time.Second
	republishEvery = time.Hour
)

// statePublisher keeps the retained state of every machine up to date at each broker.
type statePublisher struct {
	// board is the latest snapshot and the answers that have changed since another, nil for
	// all.
	board func(since *fleet.Snapshot) (machines iter.Seq[*advise.Assessment], now *fleet.Snapshot)
	to    []publisher
	log   *slog.Logger
}

func (p *statePublisher) Ready() error   { return nil }
func (p *statePublisher) String() string { return "states to MQTT" }

// Run looks at the board until ctx ends.
func (p *statePublisher) Run(ctx context.Context) error {
	ticker := time.NewTicker(publishEvery)
	defer ticker.Stop()
	anew := time.NewTicker(republishEvery)
	defer anew.Stop()
	published := make([]map[string][]byte, len(p.to))
	done := make([]*fleet.Snapshot, len(p.to)) // that was published
	for {
		for i, broker := range p.to {
			if published[i] == nil {
				published[i] = map[string][]byte{}
				done[i] = nil
			}
			machines, now := p.board(done[i])
			if err := publishStates(machines, broker, published[i]); err != nil {
				p.log.Debug("states could not be published", "to", broker.String(), "error", err)
				continue
			}
			done[i] = now
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		case <-anew.C:
			clear(published)
		}
	}
}

// publishStates publishes the states that differ from those published before in more
// than their moment.
func publishStates(machines iter.Seq[*advise.Assessment], to publisher, published map[string][]byte) error {
	for one := range machines {
		a := *one
		now := a.AsOf
		a.AsOf = time.Time{}
		key, err := json.Marshal(&a)
		if err != nil {
			return fmt.Errorf("the state of %s has no JSON form: %w", a.Machine, err)
		}
		if bytes.Equal(published[a.Machine], key) {
			continue
		}
		a.AsOf = now
		payload, err := json.Marshal(&a)
		if err != nil {
			return fmt.Errorf("the state of %s has no JSON form: %w", a.Machine, err)
		}
		if err := to.Publish(mqtt.About(a.Machine, mqtt.State, payload, true)); err != nil {
			return err
		}
		published[a.Machine] = key
	}
	return nil
}
