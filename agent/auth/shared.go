package auth

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// Documents are texts that several processes share, with versions.
type Documents interface {
	// Document returns a text with its version, nil and 0 if there is none.
	Document(name string) (body []byte, version int64, err error)
	// ReplaceDocument stores another text, unless a third has taken the place of the one
	// of that version; then it returns false.
	ReplaceDocument(name string, version int64, body []byte) (replaced bool, err error)
}

// SignIns are the sign-ins of browsers that several processes share, by hashes of their
// tokens.
type SignIns interface {
	SignIn(token string) (data []byte, ends time.Time, found bool, err error)
	PutSignIn(token string, data []byte, ends time.Time) error
	DropSignIn(token string) error
}

// ShareSessions are the sign-ins that several processes share, so that any of them knows a
// browser. now is the wall clock. Who signs out elsewhere is out within a second. While
// the database is away, people stay signed in where they were seen.
func ShareSessions(with SignIns, now func() time.Time) *Sessions {
	return &Sessions{shared: with, now: now, all: map[string]session{}}
}

// pull copies a shared session, unless the copy is new. While the database is away, the
// copy counts.
func (s *Sessions) pull(token string) {
	now := s.now()
	s.mu.Lock()
	one, known := s.all[token]
	s.mu.Unlock()
	if since := now.Sub(one.asked); known && since >= 0 && since < askDocuments {
		return
	}
	data, ends, found, err := s.shared.SignIn(token)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case err == nil && found:
		s.put(token, session{data, ends, now})
	case err == nil:
		delete(s.all, token)
	case known:
		one.asked = now // a page does not wait for it again at once
		s.put(token, one)
	}
}

// accountsDocument is the name of the accounts among the documents.
const accountsDocument = "accounts"

// askDocuments is how often the documents are asked for other accounts.
const askDocuments = time.Second

// sharing is how accounts are kept together by several processes. The file is a copy, with
// which people are admitted while the database is away.
type sharing struct {
	documents Documents
	now       func() time.Time
	asked     time.Time
}

// OpenShared returns the accounts that several processes share, with a copy in the file.
// now is the wall clock. A change by another process is seen within a second.
func OpenShared(path string, documents Documents, now func() time.Time) (*Keys, error) {
	k := &Keys{path: path, shared: &sharing{documents: documents, now: now}}
	if _, err := k.pull(); err != nil {
		return nil, err
	}
	_, err := k.Accounts()
	return k, err
}

// PutAccounts makes the accounts of a file those that several processes share, and returns
// whether it did: not if there are some already.
func PutAccounts(documents Documents, file []byte) (put bool, err error) {
	return documents.ReplaceDocument(accountsDocument, 0, file)
}

// CopyAccounts makes the file of accounts of the store at path, of those that several
// processes share, and returns whether there are any. The error is that of the file system;
// a file with other accounts is never replaced.
func CopyAccounts(documents Documents, path string) (copied bool, err error) {
	body, _, err := documents.Document(accountsDocument)
	if err != nil || body == nil {
		return false, err
	}
	there, err := os.ReadFile(File(path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return true, replaceFile(File(path), body)
	case err != nil:
		return false, err
	case !bytes.Equal(there, body):
		return false, fmt.Errorf("%s has other accounts: name a file that has none beside it", File(path))
	}
	return true, nil
}

// pull copies the shared accounts into the file, if they differ, and returns their version.
func (k *Keys) pull() (version int64, err error) {
	body, version, err := k.shared.documents.Document(accountsDocument)
	if err != nil {
		return 0, fmt.Errorf("the accounts cannot be read: %w", err)
	}
	k.shared.asked = k.shared.now()
	if body == nil {
		body = []byte("[]\n")
	}
	there, err := os.ReadFile(k.path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, fmt.Errorf("the copy of the accounts cannot be read: %w", err)
	}
	if err == nil && bytes.Equal(there, body) {
		return version, nil
	}
	if err := replaceFile(k.path, body); err != nil {
		return 0, fmt.Errorf("the copy of the accounts cannot be written: %w", err)
	}
	return version, nil
}

// pullDue does that once a second. While the database is away, the copy counts.
func (k *Keys) pullDue() {
	if k.shared == nil {
		return
	}
	if since := k.shared.now().Sub(k.shared.asked); since >= 0 && since < askDocuments {
		return
	}
	k.shared.asked = k.shared.now() // even if it fails: a request does not wait for it again at once
	_, _ = k.pull()
}

// push replaces the accounts in all processes. It returns false if another process has
// changed them since that version.
func (k *Keys) push(version int64, raw []byte) (bool, error) {
	done, err := k.shared.documents.ReplaceDocument(accountsDocument, version, raw)
	if err != nil {
		return false, fmt.Errorf("the accounts cannot be written: %w", err)
	}
	return done, nil
}
