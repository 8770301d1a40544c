package cli

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"arcdrift/agent/auth"
	"arcdrift/drift/phrase"
)

func certificateCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "certificate",
		Short: "Make the certificate by which phones trust the agent",
		Long: `Makes a certificate for the agent's pages and its broker, and at the first time an
authority of your own that signs it: a network without internet has no other.
Phones are given the authority once (the page "On the phone" says how). The
certificate ends after a year; the same command makes the next, the agent takes it
at a reload, and phones need not change anything. Whoever has authority.key can
pretend to be the agent: keep it to yourself.`,
		Example: "  arcdrift certificate --host van-4.example --host 192.168.7.4\n  arcdrift certificate --host van-4.example --dir /etc/arcdrift",
	}
	hosts := cmd.Flags().StringSlice("host", nil, "`NAME` or address by which the agent is called; may be repeated")
	dir := cmd.Flags().String("dir", ".", "`DIRECTORY` in which the files are kept")
	cmd.RunE = func(*cobra.Command, []string) error {
		if len(*hosts) == 0 {
			return usagef("--host is missing: the name or address by which phones call the agent")
		}
		if err := auth.CheckHosts(*hosts); err != nil {
			return usageError{err}
		}
		if err := os.MkdirAll(*dir, 0o700); err != nil {
			return fmt.Errorf("the directory %s cannot be made: %w", *dir, err)
		}
		made, err := auth.Certify(*dir, *hosts, env.Now())
		if err != nil {
			return err
		}
		in := func(file string) string { return filepath.Join(*dir, file) }
		if made.New {
			fmt.Fprintf(env.Stderr, "Give every phone %s, and nothing else. The authority ends on %s.\n", in(auth.AuthorityFile), phrase.Date(env.local(made.AuthorityEnds)))
		}
		fmt.Fprintf(env.Stderr, "Start the agent with --tls-cert %s --tls-key %s.\nThe certificate ends on %s: run this again before, then have the agent read it (kill -HUP, or with the systemd unit systemctl restart arcdrift).\nThe authority's fingerprint (SHA-256), to compare on each phone:\n",
			in(auth.ServerFile), in(auth.ServerKeyFile), phrase.Moment(env.local(made.Ends)))
		_, err = fmt.Fprintln(env.Stdout, made.Fingerprint)
		return err
	}
	return cmd
}
