package cli

import (
	"arcdrift/agent/server"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

func serveCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the agent: take records, keep the models, show the pages",
		Long: `Runs the agent until it is interrupted. It takes records over HTTP and MQTT and
shows the fleet on its pages and on /metrics. It listens on this computer only
unless you tell it otherwise. A setting is read from its flag, else from the
environment (ARCDRIFT_HTTP_LISTEN for --http-listen), else from the file that
--config names (http_listen), else it has its default.

On SIGHUP (systemctl reload) it reloads its settings: log, certificate, alerts and
mail change at once; for all others the log says that they need a restart. Invalid
settings change nothing. More: arcdrift help settings.`,
		Example: "  arcdrift serve --mqtt-listen 127.0.0.1:1883\n  arcdrift serve --mqtt-broker ssl://broker.example:8883 --config /etc/arcdrift.toml",
	}
	flags := newServeFlags()
	flags.define(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		reloads := env.reloads()
		if at := env.location(cmd); !at.InFile() {
			// Who may listen where depends on the accounts that all processes share.
			if _, err := at.Accounts(cmd.Context()); err != nil {
				return err
			}
		}
		config, err := flags.config(dbPath(cmd))
		if err != nil {
			return err
		}
		if env.location(cmd).InFile() {
			if config.Found, err = server.Check(cmd.Context(), env.server(), config.DB); err != nil {
				return err
			}
		}
		s, err := server.New(config, env.server())
		if err != nil {
			return err
		}
		s.ReloadOn(reloads, func() (server.Config, error) { return settingsNow(cmd, env) })
		return s.Run(cmd.Context())
	}
	return cmd
}

// server is what of it a server is given.
func (env *Env) server() server.Env {
	return server.Env{Program: env.Program, Environ: env.Environ, Log: env.Stderr, Now: env.Now, Engine: env.Variant.Engine}
}

// settingsNow reads the settings of serve again: the command line as it was, the
// environment, and the file and the files it names as they are now.
func settingsNow(cmd *cobra.Command, env Env) (server.Config, error) {
	f := newServeFlags()
	flags := pflag.NewFlagSet(cmd.Name(), pflag.ContinueOnError)
	f.flags(flags)
	flags.AddFlagSet(cmd.InheritedFlags())
	if err := flags.Parse(env.Args); err != nil {
		return server.Config{}, usageError{err}
	}
	if err := applySettings(flags, settingNames(cmd.Root()), env.Environ); err != nil {
		return server.Config{}, err
	}
	return f.config(dbPath(cmd))
}
