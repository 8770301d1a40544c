package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"arcdrift/agent/version"
)

func versionCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "Which arcdrift this is",
		Example: "  arcdrift version",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(*cobra.Command, []string) error {
		v := version.Running()
		if format.value == formatJSON {
			return writeJSON(env.Stdout, struct {
				Version  string `json:"version"`
				Revision string `json:"revision"`
				Go       string `json:"go"`
			}{v.Version, v.Revision, v.Go})
		}
		_, err := fmt.Fprintf(env.Stdout, "arcdrift %s, revision %s, built with %s\n", v.Version, v.Revision, v.Go)
		return err
	}
	return cmd
}
