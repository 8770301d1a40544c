package alerting

import (
	"context"
	"sync"

	"arcdrift/agent/alert"
	"arcdrift/agent/metrics"
	"arcdrift/drift"
)

// Service is the alerting that the settings in force ask for. When they change, it ends
// and another one continues from the state in the store.
type Service struct {
	open    func(Config) (*engine, error)
	changes chan change

	mu      sync.RWMutex // held while another takes over
	inForce *engine
}

// change asks for other alerts; done gets the result.
type change struct {
	to   Config
	done chan error
}

// New continues from the state of alerting in the store.
func New(c Config, u Using) (*Service, error) {
	open := func(c Config) (*engine, error) { return newEngine(c, u) }
	first, err := open(c)
	return &Service{open: open, changes: make(chan change), inForce: first}, err
}

func (*Service) Ready() error { return nil }

func (*Service) String() string { return "alerts" }

// Run decides and delivers until ctx ends.
func (s *Service) Run(ctx context.Context) error {
	for {
		current, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- s.inForce.Run(current) }() // only this loop writes inForce
		select {
		case err := <-ended:
			end()
			return err
		case c := <-s.changes:
			s.mu.Lock()
			end()
			err := <-ended
			next, failed := s.open(c.to)
			if failed == nil {
				s.inForce = next
			}
			s.mu.Unlock()
			c.done <- failed
			if err != nil {
				return err
			}
		}
	}
}

// Change puts other settings in force; on an error those before stay.
func (s *Service) Change(ctx context.Context, to Config) error {
	c := change{to, make(chan error, 1)}
	select {
	case s.changes <- c:
		return <-c.done
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Open, Card, Acknowledge and Silence are those of the alerting in force.
func (s *Service) Open() []alert.Shown {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Open()
}

func (s *Service) Ended() []alert.Outcome {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Ended()
}

// Card is that of the alerting in force.
func (s *Service) Card(part drift.Part) alert.Card {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Card(part)
}

// Withheld is that of the alerting in force.
func (s *Service) Withheld() []alert.Withheld {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Withheld()
}

func (s *Service) Acknowledge(subject string, rule alert.RuleName, by string) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Acknowledge(subject, rule, by)
}

func (s *Service) Silence(subject string, rule alert.RuleName, quiet alert.Silence) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.Silence(subject, rule, quiet)
}

// ChangeStore runs change, which alters what the store holds of the alerts, and reads it
// again; no decision runs meanwhile.
func (s *Service) ChangeStore(change func() error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.changeStore(change)
}

// Facts adds what one scrape reports of alerts.
func (s *Service) Facts(f *metrics.Facts) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	s.inForce.facts(f)
}

// RecordsSeen is how many records of a machine the latest decision rested on.
func (s *Service) RecordsSeen(machine string) int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.inForce.recordsSeen(machine)
}
