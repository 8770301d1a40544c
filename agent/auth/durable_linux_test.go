package auth

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What an operator was told is done stays done through a power cut: every file that was
// renamed into place was flushed before, and its directory after. Before, an account that
// was removed could be back, and the authority's key, which phones know, be empty.
func TestAccountsAndCertificatesOutliveAPowerCut(t *testing.T) {
	if dir := os.Getenv("ARCDRIFT_TEST_DIR"); dir != "" {
		keys, err := Open(filepath.Join(dir, "access"))
		require.NoError(t, err)
		_, err = keys.Add(Account{Name: "van-3", Role: Device, Machines: Machines{"K-07"}}, noon)
		require.NoError(t, err)
		require.NoError(t, keys.Remove("van-3"))
		_, err = Certify(dir, []string{"localhost"}, noon)
		require.NoError(t, err)
		return
	}
	dir := t.TempDir()
	log := filepath.Join(t.TempDir(), "calls")
	program, err := os.Executable()
	require.NoError(t, err)
	child := exec.Command("strace", "-f", "-y", "-o", log, "-e", "trace=fsync,rename,renameat,renameat2", program, "-test.run", "^"+t.Name()+"$", "-test.count", "1")
	child.Env = append(os.Environ(), "ARCDRIFT_TEST_DIR="+dir)
	out, err := child.CombinedOutput()
	require.NoError(t, err, "strace is needed: %s", out)
	raw, err := os.ReadFile(log)
	require.NoError(t, err)

	flushed, named, renamed := map[string]bool{}, map[string]bool{}, 0
	flush, rename := regexp.MustCompile(`fsync\(\d+<([^>]+)>`), regexp.MustCompile(`rename.*"([^"]+)".*"([^"]+)"`)
	for line := range strings.SplitSeq(string(raw), "\n") {
		if m := flush.FindStringSubmatch(line); m != nil {
			flushed[m[1]] = true
			if m[1] == dir {
				clear(named)
			}
		}
		if m := rename.FindStringSubmatch(line); m != nil && strings.HasPrefix(m[2], dir) {
			renamed++
			assert.True(t, flushed[m[1]], "not flushed before it was renamed to %s", m[2])
			named[m[2]] = true
		}
	}
	assert.Empty(t, named, "the directory was not flushed after these were renamed")
	assert.Equal(t, 6, renamed, "the accounts twice, and two certificates with their keys")
}
