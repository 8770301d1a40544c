package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// people are those whom the records of a running agent name. What the alerts know of
// somebody who is forgotten goes too.
type people struct {
	store  *store.Store
	alerts *liveAlerts
}

// Forget implements web.People.
func (p people) Forget(name string) (pseudonym string, err error) {
	err = p.alerts.without(func() error {
		pseudonym, err = p.store.Forget(name)
		return err
	})
	return pseudonym, err
}

// Learn implements web.People.
func (p people) Learn(told []wire.Person) error {
	return p.alerts.without(func() error { return p.store.Learn(told) })
}

func forgetCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "forget NAME",
		Short: "Take the name of somebody out of the records",
		Long: `Takes the name of an operator out of the store for good, spelt as it is in the
records; other spellings are other names. The records stay, and so does all that
follows from them; a pseudonym stands where the name was, on the pages, in answers
and in exports. The name also goes from refused records, alerts and messages. A hub to
which this agent forwards forgets the person too, as soon as it is reached.

What lies elsewhere keeps the name: exports, backups and stores put into quarantine
before, what a device or a van still sends, and free text (extra, the reason of a
correction) in the records themselves. Whoever has an account keeps it until
arcdrift person remove. The store is rewritten, which takes as much free room as it
has and, of a large one, a while.`,
		Example: "  arcdrift person forget 'Ines Varga'",
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		pseudonym, err := forget(cmd.Context(), env, dbPath(cmd), args[0])
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.Stdout, "Forgotten. The records show %s from now on.\n", pseudonym)
		if err == nil {
			fmt.Fprintln(env.Stderr, "Exports, backups and stores in quarantine from before still hold the name: remove them, or forget again after bringing one back.")
		}
		return err
	}
	return cmd
}

// forget forgets somebody in the store, or through the agent that holds it.
func forget(ctx context.Context, env Env, db, name string) (pseudonym string, err error) {
	if err := mustBe(db); err != nil {
		return "", err
	}
	s, err := store.Open(db, env.Now, store.Options{Lock: shortly})
	if errors.Is(err, store.ErrHeld) {
		r, err := holder(ctx, env, db, err)
		if err != nil {
			return "", err
		}
		pseudonym, err := r.Forget(ctx, name)
		return pseudonym, errors.Join(err, r.Close())
	}
	if err != nil {
		return "", err
	}
	pseudonym, err = s.Forget(name)
	return pseudonym, errors.Join(err, closed(s))
}

// Forget forgets somebody. It may take long: only ctx ends it.
func (r *remote) Forget(ctx context.Context, name string) (string, error) {
	body, err := json.Marshal(map[string]string{"name": name})
	if err != nil {
		return "", err
	}
	patient := &remote{url: r.url, base: r.base, client: &http.Client{Transport: r.client.Transport}}
	status, answer, err := patient.do(ctx, http.MethodPost, "/api/v1/people/forget", body)
	if err != nil {
		return "", err
	}
	var told struct{ Pseudonym, Reason string }
	switch err := json.Unmarshal(answer, &told); {
	case err == nil && status == http.StatusOK && told.Pseudonym != "":
		return told.Pseudonym, nil
	case err == nil && told.Reason != "":
		return "", &drift.Problem{Reason: told.Reason}
	}
	return "", fmt.Errorf("the agent at %s answered %d: %.200s", r.url, status, answer)
}
