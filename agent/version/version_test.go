package version

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A program says its version and its revision, from git where it was built in a
// checkout, from the archive's own word where it was not.
func TestAProgramSaysWhichItIs(t *testing.T) {
	const revision = "91f895e0000000000000000000000000000000ab"
	checkout := &debug.BuildInfo{GoVersion: "go1.26", Settings: []debug.BuildSetting{{Key: "vcs.revision", Value: revision}, {Key: "vcs.modified", Value: "false"}}}
	changed := &debug.BuildInfo{GoVersion: "go1.26", Settings: []debug.BuildSetting{{Key: "vcs.revision", Value: revision}, {Key: "vcs.modified", Value: "true"}}}
	archive := &debug.BuildInfo{GoVersion: "go1.26"}
	assert.Equal(t, Info{Version: Release, Revision: revision, Go: "go1.26"}, infoOf(checkout, "$Format:%H$\n"))
	assert.Equal(t, revision+"-changed", infoOf(changed, "$Format:%H$\n").Revision)
	assert.Equal(t, revision, infoOf(archive, revision+"\n").Revision)
	assert.Equal(t, "unknown", infoOf(archive, "$Format:%H$\n").Revision)
}

// Git puts the revision into an archive of the sources.
func TestAnArchiveSaysItsRevision(t *testing.T) {
	archive := exec.Command("sh", "-c", "git -C ../.. archive HEAD .gitattributes agent/version/revision.txt | tar -xO agent/version/revision.txt")
	out, err := archive.Output()
	require.NoError(t, err)
	assert.Regexp(t, `^[0-9a-f]{40}\n$`, string(out))
}

// The changelog begins with this version.
func TestTheChangelogHasThisVersion(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "CHANGELOG.md"))
	require.NoError(t, err)
	first := regexp.MustCompile(`(?m)^## (\S+)`).FindSubmatch(text)
	require.NotNil(t, first)
	assert.Equal(t, Release, string(first[1]))
}
