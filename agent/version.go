package agent

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"

	"github.com/spf13/cobra"

	"arcdrift/agent/metrics"
)

func versionCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "Which arcdrift this is",
		Example: "  arcdrift version",
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

// buildName names this very program: what it works out from the records another
// may work out otherwise. One built from a clean checkout says all that it was
// made of; any other is named by its own bytes.
func buildName() (string, error) {
	sum := sha256.New()
	if info, ok := debug.ReadBuildInfo(); ok && slices.Contains(info.Settings, debug.BuildSetting{Key: "vcs.modified", Value: "false"}) {
		fmt.Fprint(sum, info)
		return hex.EncodeToString(sum.Sum(nil)), nil
	}
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	_, err = io.Copy(sum, f)
	return hex.EncodeToString(sum.Sum(nil)), errors.Join(err, f.Close())
}
