package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
)

// systemd reports the agent's state to the service manager, by the datagrams of
// sd_notify(3).
type systemd struct {
	socket   string
	watchdog time.Duration // how often it expects a message; 0 for never
	healthy  func() error
}

// newSystemd reads what the manager has put into the environment.
func newSystemd(environ []string, healthy func() error) *systemd {
	s := &systemd{healthy: healthy}
	for _, pair := range environ {
		switch key, value, _ := strings.Cut(pair, "="); key {
		case "NOTIFY_SOCKET":
			s.socket = value
		case "WATCHDOG_USEC":
			if n, err := strconv.ParseInt(value, 10, 64); err == nil {
				s.watchdog = time.Duration(n) * time.Microsecond
			}
		}
	}
	return s
}

func (s *systemd) Ready() error   { return nil }
func (s *systemd) String() string { return "service manager" }

// Run says that the agent is ready, then, as long as it is healthy, that it
// lives, and at the end that it stops.
func (s *systemd) Run(ctx context.Context) error {
	if err := s.ready(); err != nil {
		return err
	}
	var tick <-chan time.Time
	if s.watchdog > 0 {
		ticker := time.NewTicker(s.watchdog / 2)
		defer ticker.Stop()
		tick = ticker.C
	}
	for {
		select {
		case <-ctx.Done():
			return s.notify("STOPPING=1")
		case <-tick:
			if s.healthy() != nil {
				continue
			}
			_ = s.notify("WATCHDOG=1") // a manager that does not get it acts by itself
		}
	}
}

// reloading says that the settings are being read again, ready that all is well,
// at first or again.
func (s *systemd) reloading() error { return s.notify("RELOADING=1") }
func (s *systemd) ready() error     { return s.notify("READY=1") }

// extend asks the manager again and again, until ctx ends, to wait that much longer for
// the start.
func (s *systemd) extend(ctx context.Context, every, by time.Duration) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		_ = s.notify(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", by.Microseconds())) // else its own limit stands
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// notify sends the manager a state, if there is one.
func (s *systemd) notify(state string) error {
	if s.socket == "" {
		return nil
	}
	conn, err := net.Dial("unixgram", s.socket)
	if err != nil {
		return fmt.Errorf("the state %s cannot be sent to the service manager: %w", state, err)
	}
	_, err = conn.Write([]byte(state))
	if err = errors.Join(err, conn.Close()); err != nil {
		return fmt.Errorf("the state %s cannot be sent to the service manager: %w", state, err)
	}
	return nil
}
