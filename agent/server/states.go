package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"time"

	"arcdrift/agent/mqtt"
	"arcdrift/agent/web"
)

// publisher is a face that messages can leave by.
type publisher interface {
	Publish(mqtt.Message) error
	String() string
}

// How often the board is looked at, and how often everything is told again: a
// broker that was replaced has forgotten what it retained.
const (
	tellEvery = time.Second
	tellAnew  = time.Hour
)

// teller keeps the retained state of every machine true at each broker.
type teller struct {
	board func() ([]web.Machine, uint64)
	faces []publisher
	log   *slog.Logger
}

func (t *teller) Ready() error   { return nil }
func (t *teller) String() string { return "states to MQTT" }

// Run looks at the board until ctx ends.
func (t *teller) Run(ctx context.Context) error {
	ticker := time.NewTicker(tellEvery)
	defer ticker.Stop()
	anew := time.NewTicker(tellAnew)
	defer anew.Stop()
	told := make([]map[string][]byte, len(t.faces))
	done := make([]uint64, len(t.faces)) // version of the board that was told
	for {
		machines, version := t.board()
		for i, face := range t.faces {
			if told[i] == nil {
				told[i] = map[string][]byte{}
				done[i] = 0
			}
			if done[i] == version {
				continue
			}
			if err := tellStates(machines, face, told[i]); err != nil {
				t.log.Debug("states could not be told", "to", face.String(), "error", err)
				continue
			}
			done[i] = version
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		case <-anew.C:
			clear(told)
		}
	}
}

// tellStates publishes the states that differ from what was told, their moment
// apart.
func tellStates(machines []web.Machine, face publisher, told map[string][]byte) error {
	for i := range machines {
		a := machines[i].Assessment
		now := a.AsOf
		a.AsOf = time.Time{}
		key, err := json.Marshal(&a)
		if err != nil {
			return fmt.Errorf("the state of %s has no JSON form: %w", a.Machine, err)
		}
		if bytes.Equal(told[a.Machine], key) {
			continue
		}
		a.AsOf = now
		payload, err := json.Marshal(&a)
		if err != nil {
			return fmt.Errorf("the state of %s has no JSON form: %w", a.Machine, err)
		}
		if err := face.Publish(mqtt.About(a.Machine, mqtt.State, payload, true)); err != nil {
			return err
		}
		told[a.Machine] = key
	}
	return nil
}
