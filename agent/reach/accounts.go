package reach

import (
	"context"

	"arcdrift/agent/auth"
)

// Accounts are the accounts of a store: those in the file beside it, or those that the
// processes of a database share. They may be used until ctx ends.
func (l Location) Accounts(ctx context.Context) (*auth.Keys, error) {
	if l.InFile() {
		return auth.Open(auth.File(l.Path))
	}
	s, err := l.engine().Open(ctx, l, Reading)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, func() { _ = s.Close() }) // it was for the accounts only
	return AccountsOf(s, l)
}

// AccountsOf are the accounts of a store that is open.
func AccountsOf(s Store, l Location) (*auth.Keys, error) {
	if shared, several := s.(Shared); several {
		return auth.OpenShared(auth.File(l.Path), shared, l.Now)
	}
	return auth.Open(auth.File(l.Path))
}
