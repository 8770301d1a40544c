package auth

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"sync"
	"time"
)

// Sessions are the sign-ins of browsers, in a file, so that a phone in the field need not
// sign in again after a restart of the agent. It is the store of a session manager, which
// gives it hashes of its tokens.
type Sessions struct {
	path   string
	now    func() time.Time
	shared SignIns // nil for a process of its own

	mu  sync.Mutex
	all map[string]session
}

type session struct {
	Data []byte    `json:"data"`
	Ends time.Time `json:"ends"`

	asked time.Time // of what several processes share: when this copy was read
}

// mostSessions bounds them; the one that ends first is dropped.
const mostSessions = 4096

// OpenSessions reads the sessions in the file at path, if there is one. Without a path
// they last as long as the process. If the file is corrupt there are none, and people
// sign in again. now is the wall clock.
func OpenSessions(path string, now func() time.Time) (*Sessions, error) {
	s := &Sessions{path: path, now: now, all: map[string]session{}}
	if path == "" {
		return s, nil
	}
	raw, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return s, nil
	case err != nil:
		return nil, fmt.Errorf("the file of sign-ins cannot be read: %w", err)
	}
	if json.Unmarshal(raw, &s.all) != nil || s.all == nil {
		s.all = map[string]session{}
	}
	return s, nil
}

// Find implements scs.Store.
func (s *Sessions) Find(token string) ([]byte, bool, error) {
	if s.shared != nil {
		s.pull(token)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	one, found := s.all[token]
	return one.Data, found && s.now().Before(one.Ends), nil
}

// Commit implements scs.Store.
func (s *Sessions) Commit(token string, data []byte, ends time.Time) error {
	if s.shared != nil {
		if err := s.shared.PutSignIn(token, data, ends); err != nil {
			return err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(token, session{Data: data, Ends: ends, asked: s.now()})
	return s.write()
}

// put keeps a session, with the lock held.
func (s *Sessions) put(token string, one session) {
	maps.DeleteFunc(s.all, func(_ string, one session) bool { return !s.now().Before(one.Ends) })
	if _, there := s.all[token]; !there && len(s.all) >= mostSessions {
		first := ""
		for t, one := range s.all {
			if first == "" || one.Ends.Before(s.all[first].Ends) {
				first = t
			}
		}
		delete(s.all, first)
	}
	s.all[token] = one
}

// Delete implements scs.Store.
func (s *Sessions) Delete(token string) error {
	if s.shared != nil {
		if err := s.shared.DropSignIn(token); err != nil {
			return err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.all, token)
	return s.write()
}

func (s *Sessions) write() error {
	if s.path == "" {
		return nil
	}
	raw, err := json.Marshal(s.all)
	if err == nil {
		err = replaceFile(s.path, raw)
	}
	if err != nil {
		return fmt.Errorf("the file of sign-ins cannot be written: %w", err)
	}
	return nil
}
