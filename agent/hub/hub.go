// Package hub is the program arcdrift-hub: the agent and its commands with the store in a
// PostgreSQL database, which several equal processes have at the same time.
package hub

import (
	"context"
	"errors"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"arcdrift/agent/alerting"
	"arcdrift/agent/cli"
	"arcdrift/agent/metrics"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/reach"
	"arcdrift/agent/setting"
	"arcdrift/agent/share"
)

// Name is the program's.
const Name = "arcdrift-hub"

// Run carries out one command line and returns the exit code.
func Run(ctx context.Context, env cli.Env) int {
	at := &Databases{}
	env.Variant = cli.Variant{
		Name:  Name,
		Short: "Keeps large fleets of fusion splicing machines fit to splice, with their records in PostgreSQL",
		Long: `arcdrift-hub is arcdrift with its store in a PostgreSQL database (--database), for
fleets that no single computer should hold alone. Several processes run side by side,
on one computer or several: each takes records of any machine and shows the whole
fleet, and they share the work by leases in the database. If one ends, the others take
its part over.

--db names the files of this process on this computer: its socket and address, and the
key that signs packs of proof. Each process on one computer needs another name. Set the
database in the environment (ARCDRIFT_DATABASE), so that its password is in no list of
processes. Answers go to standard output, messages to standard error.

Exit status: 0 done, 1 failed, 2 wrong command line or setting, 3 some records were
refused.`,
		Engine: at, Flags: at.flags,
		Commands: func(env cli.Env) []*cobra.Command {
			return []*cobra.Command{migrateCommand(env, at), adoptCommand(env, at), moveOutCommand(env, at)}
		},
		Without: []string{"demo", "backup", "restore", "boot-check", "certificate"},
	}
	return cli.Run(ctx, env)
}

// Databases is the engine of stores in a database.
type Databases struct {
	URL         string // as postgres://USER@HOST:PORT/NAME
	Connections int    // the most that one process opens, 0 for the default
}

func (d *Databases) flags(flags *pflag.FlagSet) {
	flags.StringVar(&d.URL, "database", "", "the database, a `URL` like postgres://arcdrift@db.example/arcdrift")
	flags.IntVar(&d.Connections, "database-connections", 0, "the most connections this process opens, a `NUMBER`; 0 for four for each processor, at least eight")
}

// Open implements [reach.Engine].
func (d *Databases) Open(ctx context.Context, at reach.Location, use reach.Use) (reach.Store, error) {
	if err := d.MustBe(at); err != nil {
		return nil, err
	}
	s, err := pgstore.Open(ctx, d.URL, at.Now, pgstore.Options{Connections: d.Connections})
	if err != nil {
		return nil, err
	}
	return database{s}, nil
}

// MustBe implements [reach.Engine].
func (d *Databases) MustBe(reach.Location) error {
	if d.URL == "" {
		return setting.Errorf("database is missing: it names the PostgreSQL database, like postgres://arcdrift@db.example/arcdrift")
	}
	return nil
}

// database is a store that several processes share.
type database struct{ *pgstore.Store }

// Table implements [reach.Shared].
func (d database) Table() share.Table { return d.Store.Table() }

// Decisions implements [reach.Shared].
func (d database) Decisions(lease func() (share.Lease, bool)) alerting.Store {
	return &decisions{Store: d.Store, lease: lease}
}

// Connections is the use of connections, for the metrics.
func (d database) Connections() metrics.Pool {
	p := d.Pool()
	return metrics.Pool{InUse: p.InUse, Idle: p.Idle, Limit: p.Limit, Waited: p.Waited, Waiting: p.Waiting.Seconds()}
}

var errNotLeading = errors.New("another process sends the messages of this fleet")
