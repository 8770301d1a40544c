package reach

import (
	"context"
	"net/http"
	"os"
	"strings"
	"time"
)

// AddressFile is where a running agent leaves its address.
func AddressFile(path string) string { return path + ".agent" }

// LeaveAddress leaves the address of an agent beside its store, whole or not at all:
// who finds the file reads it.
func LeaveAddress(path, url string) error {
	fresh := AddressFile(path) + ".new"
	if err := os.WriteFile(fresh, []byte(url+"\n"), 0o600); err != nil {
		return err
	}
	return os.Rename(fresh, AddressFile(path))
}

// RunningAgent reads the address that an agent left beside the store and asks
// whether it is still there; the file of one that was killed says nothing.
func RunningAgent(ctx context.Context, path string) (url string, ok bool) {
	raw, err := os.ReadFile(AddressFile(path))
	if err != nil {
		return "", false
	}
	url = strings.TrimSpace(string(raw))
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	at := newRemote(path, url)
	defer func() { _ = at.Close() }() // it has nothing to give back but a connection
	status, _, err := at.once(ctx, http.MethodGet, "/healthz", nil)
	// Of one that is just starting the file may be there and still empty.
	return url, url != "" && err == nil && status == http.StatusOK
}
