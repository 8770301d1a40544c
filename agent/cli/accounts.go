package cli

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/auth"
	"arcdrift/drift/phrase"
)

func deviceCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "device",
		Short: "The devices that may write from elsewhere",
		Long: `Names the devices that may hand in records from other computers, over MQTT or
HTTP, and the machines each may write for. A device connects to the MQTT broker
with its name as user name and as client id. A running agent sees a change at
once.`,
		Example: "  arcdrift device list",
	}
	add := &cobra.Command{
		Use:     "add NAME",
		Short:   "Make a device and show its secret, once",
		Example: "  arcdrift device add bench-2 --machines K-07,K-08\n  arcdrift device add van-4 --machines K-07,K-08 --forwards\n  arcdrift device add yard --machines 'K-*'",
	}
	machines := add.Flags().StringSlice("machines", nil, "the `MACHINES` it writes for, like K-07,K-08; K-* is all that begin so, * is all")
	forwards := add.Flags().Bool("forwards", false, "it is an agent, as in a van, that sends on what others gave to it (serve --forward-to): believe when and from whom it had that")
	limit := limitFlags(add)
	add.RunE = func(cmd *cobra.Command, args []string) error {
		list, err := auth.ParseMachines(*machines)
		if err != nil {
			return usagef("machines: %w", err)
		}
		to, err := limit()
		if err != nil {
			return err
		}
		return addAccount(env, cmd, auth.Account{Name: args[0], Role: auth.Device, Machines: list, Forwards: forwards, Limit: to})
	}
	cmd.AddCommand(add, listAccounts(env, "device", "devices", auth.Device), removeAccount(env, "device", "yard", auth.Device), rotateAccount(env, "device", "van-4", auth.Device))
	return cmd
}

func personCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "person",
		Short: "The people who may see the pages, and their roles",
		Long: `Names the people who may see the pages, and what each may do there: a reader
reads, a member of a crew also logs calibrations, arc counts, splices and
corrections, the bench also services and answers to alerts, and a manager also
sets up, keeps the accounts and takes everything out. Once there is an account, nobody is let in
without one, not from this computer either; its commands need none. A running
agent sees a change at once.`,
		Example: "  arcdrift person list",
	}
	add := &cobra.Command{
		Use:     "add NAME",
		Short:   "Make a person's account and show its secret, once",
		Example: "  arcdrift person add office\n  arcdrift person add ines --role bench\n  arcdrift person add lars --role manager --customer 'Fjord Fibre'",
	}
	role := choice{string(auth.Reader), words(auth.Roles())}
	add.Flags().Var(&role, "role", "what they may do")
	role.complete(add, "role")
	limit := limitFlags(add)
	add.RunE = func(cmd *cobra.Command, args []string) error {
		to, err := limit()
		if err != nil {
			return err
		}
		return addAccount(env, cmd, auth.Account{Name: args[0], Role: auth.Role(role.value), Limit: to})
	}
	cmd.AddCommand(add, listAccounts(env, "person", "people", auth.Roles()...), removeAccount(env, "person", "office", auth.Roles()...), rotateAccount(env, "person", "ines", auth.Roles()...), forgetCommand(env))
	return cmd
}

// limitFlags adds the flags that limit an account, and returns what reads them.
func limitFlags(cmd *cobra.Command) func() (auth.Limit, error) {
	customers := cmd.Flags().StringArray("customer", nil, "it sees only machines of this `CUSTOMER` (field customer of a setup); may be given several times")
	depots := cmd.Flags().StringArray("depot", nil, "it sees only machines of this `DEPOT` (field depot of a setup of the machine); may be given several times")
	return func() (auth.Limit, error) {
		limit, err := auth.ParseLimit(*customers, *depots)
		if err != nil {
			return limit, usageError{err}
		}
		return limit, nil
	}
}

// words are the roles as they are written.
func words(roles []auth.Role) (out []string) {
	for _, r := range roles {
		out = append(out, string(r))
	}
	return out
}

// addAccount makes an account and shows its secret.
func addAccount(env Env, cmd *cobra.Command, a auth.Account) error {
	if err := auth.CheckName(a.Name); err != nil {
		return usageError{err}
	}
	keys, err := env.location(cmd).Accounts(cmd.Context())
	if err != nil {
		return err
	}
	secret, err := keys.Add(a, env.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(env.Stderr, "The secret of %s follows. It is shown this once and kept nowhere.\n", a.Name)
	_, err = fmt.Fprintln(env.Stdout, secret)
	return err
}

func listAccounts(env Env, one, many string, roles ...auth.Role) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the " + many,
		Example: "  arcdrift " + one + " list --format json",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		keys, err := env.location(cmd).Accounts(cmd.Context())
		if err != nil {
			return err
		}
		all, err := keys.Accounts()
		all = slices.DeleteFunc(all, func(a auth.Account) bool { return !hasRole(a, roles) })
		if err == nil && len(all) == 0 {
			fmt.Fprintf(env.Stderr, "None yet; see arcdrift %s add --help.\n", one)
		}
		used, usedErr := keys.Used()
		err = errors.Join(err, usedErr)
		for _, a := range all {
			var last *time.Time
			if at, known := used[a.Name]; known {
				last = &at
			}
			if format.value == formatJSON {
				err = errors.Join(err, writeJSON(env.Stdout, struct {
					Name     string        `json:"name"`
					Role     auth.Role     `json:"role"`
					Machines auth.Machines `json:"machines"`
					Limit    auth.Limit    `json:"limit,omitzero"`
					Added    time.Time     `json:"added"`
					Used     *time.Time    `json:"used"`
				}{a.Name, a.Role, a.Machines, a.Limit, a.Added, last}))
				continue
			}
			does := string(a.Role)
			if a.Role == auth.Device {
				does = "writes for " + strings.Join(a.Machines, ", ")
			}
			if limit := a.Limit.String(); limit != "" {
				does += " (" + limit + ")"
			}
			seen := "not used yet"
			switch {
			case a.Invite != "":
				seen = "invited"
			case last != nil:
				seen = "last used " + phrase.Moment(env.local(*last))
			}
			_, writeErr := fmt.Fprintf(env.Stdout, "%s: %s, since %s, %s\n", a.Name, does, phrase.Date(env.local(a.Added)), seen)
			err = errors.Join(err, writeErr)
		}
		return err
	}
	return cmd
}

func removeAccount(env Env, what, example string, roles ...auth.Role) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "remove NAME",
		Short:   "Let a " + what + " in no more",
		Example: "  arcdrift " + what + " remove " + example,
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		keys, err := accountsWith(env, cmd, what, args[0], roles)
		if err != nil {
			return err
		}
		return keys.Remove(args[0])
	}
	return cmd
}

// accountsWith opens the accounts; that there is none of that name and of one of the
// roles is an error.
func accountsWith(env Env, cmd *cobra.Command, what, name string, roles []auth.Role) (*auth.Keys, error) {
	keys, err := env.location(cmd).Accounts(cmd.Context())
	if err != nil {
		return nil, err
	}
	a, found, err := keys.Find(name)
	switch {
	case err != nil:
		return nil, err
	case !found || !hasRole(a, roles):
		return nil, fmt.Errorf("there is no %s %q", what, name)
	}
	return keys, nil
}

// rotateAccount gives an account another secret.
func rotateAccount(env Env, what, example string, roles ...auth.Role) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "rotate NAME",
		Short:   "Give a " + what + " another secret and show it, once",
		Long:    "Gives a " + what + " another secret and shows it, once. The old one stays valid for a\nwhile, so that nobody is locked out while the new one is passed on.",
		Example: "  arcdrift " + what + " rotate " + example + "\n  arcdrift " + what + " rotate " + example + " --overlap 0s",
	}
	overlap := cmd.Flags().Duration("overlap", rotateOverlap, "how long (`TIME`) the old secret stays valid, like 24h; 0s if it was lost")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		keys, err := accountsWith(env, cmd, what, args[0], roles)
		if err != nil {
			return err
		}
		secret, err := keys.Rotate(args[0], *overlap, env.Now())
		if err != nil {
			return err
		}
		fmt.Fprintf(env.Stderr, "The new secret of %s follows. It is shown this once and kept nowhere.\n", args[0])
		_, err = fmt.Fprintln(env.Stdout, secret)
		return err
	}
	return cmd
}

// rotateOverlap is how long a secret stays right after another was made, if nobody
// says otherwise.
const rotateOverlap = 24 * time.Hour

func hasRole(a auth.Account, roles []auth.Role) bool {
	return slices.Contains(roles, a.Role)
}
