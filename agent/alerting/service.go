package alerting

import (
	"arcdrift/agent/alert"
	"arcdrift/agent/metrics"
	"context"
	"sync"
)

// Service is the alerting that the settings in force ask for. When they change
// it is ended and another takes up where it was, by what the store has kept.
type Service struct {
	open    func(Config) (*engine, error)
	changes chan change

	mu      sync.RWMutex // held while another takes over
	inForce *engine
}

// change asks for other alerts; done is told what came of it.
type change struct {
	to   Config
	done chan error
}

// New takes up where the store says that alerting was left.
func New(c Config, u Using) (*Service, error) {
	open := func(c Config) (*engine, error) { return newEngine(c, u) }
	first, err := open(c)
	return &Service{open: open, changes: make(chan change), inForce: first}, err
}

func (*Service) Ready() error { return nil }

func (*Service) String() string { return "alerts" }

// Run decides and delivers until ctx ends.
func (l *Service) Run(ctx context.Context) error {
	for {
		current, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- l.inForce.Run(current) }() // only this loop writes inForce
		select {
		case err := <-ended:
			end()
			return err
		case c := <-l.changes:
			l.mu.Lock()
			end()
			err := <-ended
			next, failed := l.open(c.to)
			if failed == nil {
				l.inForce = next
			}
			l.mu.Unlock()
			c.done <- failed
			if err != nil {
				return err
			}
		}
	}
}

// Change puts other alerts in force; on an error those before stay.
func (l *Service) Change(ctx context.Context, to Config) error {
	c := change{to, make(chan error, 1)}
	select {
	case l.changes <- c:
		return <-c.done
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Open, Card, Acknowledge and Silence are those of the alerting in force.
func (l *Service) Open() []alert.Shown {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Open()
}

func (l *Service) Card() alert.Card {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Card()
}

// Withheld is that of the alerting in force.
func (l *Service) Withheld() []alert.Withheld {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Withheld()
}

func (l *Service) Acknowledge(subject string, rule alert.RuleName, by string) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Acknowledge(subject, rule, by)
}

func (l *Service) Silence(subject string, rule alert.RuleName, quiet alert.Silence) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Silence(subject, rule, quiet)
}

// Without changes what the store holds of the alerts.
func (l *Service) Without(change func() error) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.without(change)
}

// Facts adds what one scrape tells of alerts.
func (l *Service) Facts(f *metrics.Facts) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	l.inForce.facts(f)
}

// RecordsSeen is how many records of a machine the latest decision rested on.
func (l *Service) RecordsSeen(machine string) int {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.recordsSeen(machine)
}
