package reach

import (
	"arcdrift/agent/store"
	"arcdrift/drift"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
)

// Forget forgets somebody in the store, or through the agent that holds it.
func (l Location) Forget(ctx context.Context, name string) (pseudonym string, err error) {
	if err := l.MustBe(); err != nil {
		return "", err
	}
	s, err := l.engine().Open(ctx, l, Writing)
	if errors.Is(err, store.ErrHeld) {
		r, err := l.holder(ctx, err)
		if err != nil {
			return "", err
		}
		pseudonym, err := r.forget(ctx, name)
		return pseudonym, errors.Join(err, r.Close())
	}
	if err != nil {
		return "", err
	}
	pseudonym, err = s.Forget(name)
	return pseudonym, errors.Join(err, s.Close())
}

// forget forgets somebody. It may take long: only ctx ends it.
func (r *remote) forget(ctx context.Context, name string) (string, error) {
	body, err := json.Marshal(map[string]string{"name": name})
	if err != nil {
		return "", err
	}
	unlimited := &remote{url: r.url, base: r.base, client: &http.Client{Transport: r.client.Transport}}
	status, answer, err := unlimited.do(ctx, http.MethodPost, "/api/v1/people/forget", body)
	if err != nil {
		return "", err
	}
	var answered struct{ Pseudonym, Reason string }
	switch err := json.Unmarshal(answer, &answered); {
	case err == nil && status == http.StatusOK && answered.Pseudonym != "":
		return answered.Pseudonym, nil
	case err == nil && answered.Reason != "":
		return "", &drift.Problem{Reason: answered.Reason}
	}
	return "", fmt.Errorf("the agent at %s answered %d: %.200s", r.url, status, answer)
}
