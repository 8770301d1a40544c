package agent

import (
	"crypto/sha256"
	_ "embed" // the revision
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"

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

// release is the version: the first one that CHANGELOG.md has.
const release = "0.1.0"

// archived is the revision that git puts into an archive of the sources, and the
// image's recipe into its copy of them; else it stands for itself.
//
//go:embed revision.txt
var archived string

// buildFacts are what is known of this program.
func buildFacts() metrics.Build {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = &debug.BuildInfo{GoVersion: runtime.Version()}
	}
	return factsOf(info, archived)
}

// factsOf takes the revision from git where the program was built in a checkout, else
// from the archive.
func factsOf(info *debug.BuildInfo, archived string) metrics.Build {
	out := metrics.Build{Version: release, Revision: "unknown", Go: info.GoVersion}
	if said := strings.TrimSpace(archived); said != "" && !strings.HasPrefix(said, "$") {
		out.Revision = said
	}
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	if revision := set["vcs.revision"]; revision != "" {
		out.Revision = revision
		if set["vcs.modified"] == "true" {
			out.Revision += "-changed"
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
