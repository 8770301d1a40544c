// Package version says which program this is: its release, the revision of its
// sources, and a name for its answers.
package version

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
)

// Release is the version: the first one that CHANGELOG.md has.
const Release = "0.1.0"

// archived is the revision that git puts into an archive of the sources, and the
// image's recipe into its copy of them; otherwise it is git's placeholder.
//
//go:embed revision.txt
var archived string

// Info is what is known of a program.
type Info struct{ Version, Revision, Go string }

// Running is what is known of this program.
func Running() Info {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = &debug.BuildInfo{GoVersion: runtime.Version()}
	}
	return infoOf(info, archived)
}

// infoOf takes the revision from git where the program was built in a checkout,
// otherwise from the archive.
func infoOf(info *debug.BuildInfo, archived string) Info {
	out := Info{Version: Release, Revision: "unknown", Go: info.GoVersion}
	if revision := strings.TrimSpace(archived); revision != "" && !strings.HasPrefix(revision, "$") {
		out.Revision = revision
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

// Build names this very program: another may work out other answers from the same
// records. The name of one built from a clean checkout follows from its build
// information, that of any other from its own bytes.
func Build() (string, error) {
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
