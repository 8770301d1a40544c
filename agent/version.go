package agent

import (
	"fmt"
	"runtime/debug"

	"github.com/spf13/cobra"

	"arcdrift/agent/metrics"
)

func versionCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "Which arcdrift this is",
		Example: "  arcdrift version",
		Args:    cobra.NoArgs,
	}
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(*cobra.Command, []string) error {
		b := buildFacts()
		if format.value == formatJSON {
			return writeJSON(env.Stdout, struct {
				Version  string `json:"version"`
				Revision string `json:"revision"`
				Go       string `json:"go"`
			}{b.Version, b.Revision, b.Go})
		}
		_, err := fmt.Fprintf(env.Stdout, "arcdrift %s, revision %s, built with %s\n", b.Version, b.Revision, b.Go)
		return err
	}
	return cmd
}

// buildFacts are what the linker knows of this program.
func buildFacts() metrics.Build {
	out := metrics.Build{Version: "unknown", Revision: "unknown", Go: "unknown"}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return out
	}
	out.Version, out.Go = info.Main.Version, info.GoVersion
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			out.Revision = s.Value
		}
	}
	return out
}
