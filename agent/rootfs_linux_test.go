package agent_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/version"
	"encoding/json"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// image is the last stage of the Dockerfile: a root directory and what is run
// there, by whom.
type image struct {
	root        string
	environ     []string
	user        uint32
	run, health []string
}

// assemble carries the last stage out as a container engine would. from is where
// the file of a build stage is found here.
func assemble(t *testing.T, dockerfile string, from func(path string) string) image {
	t.Helper()
	im := image{root: t.TempDir()}
	require.NoError(t, os.Chmod(im.root, 0o755))
	_, stage, found := strings.Cut(dockerfile, "\nFROM scratch\n")
	require.True(t, found, "the last stage is empty at first")
	var entry, command []string
	for line := range strings.Lines(stage) {
		line = strings.TrimSpace(line)
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "COPY":
			im.copy(t, strings.Fields(rest), from)
		case "ARG":
		case "LABEL":
			require.Contains(t, rest, `image.version="`+version.Release+`"`)
		case "USER":
			id, err := strconv.ParseUint(strings.Split(rest, ":")[0], 10, 32)
			require.NoError(t, err)
			im.user = uint32(id)
		case "ENV":
			im.environ = append(im.environ, strings.Fields(rest)...)
		case "VOLUME":
			require.DirExists(t, filepath.Join(im.root, rest))
		case "ENTRYPOINT":
			require.NoError(t, json.Unmarshal([]byte(rest), &entry))
		case "CMD":
			require.NoError(t, json.Unmarshal([]byte(rest), &command))
		case "HEALTHCHECK":
			_, list, _ := strings.Cut(rest, "CMD ")
			require.NoError(t, json.Unmarshal([]byte(list), &im.health))
		default:
			require.Fail(t, "nobody here knows "+word)
		}
	}
	im.run = append(entry, command...)
	return im
}

func (im *image) copy(t *testing.T, words []string, from func(string) string) {
	t.Helper()
	owner := 0
	for strings.HasPrefix(words[0], "--") {
		if id, ok := strings.CutPrefix(words[0], "--chown="); ok {
			n, err := strconv.Atoi(strings.Split(id, ":")[0])
			require.NoError(t, err)
			owner = n
		}
		words = words[1:]
	}
	require.Len(t, words, 2)
	source, to := from(words[0]), filepath.Join(im.root, words[1])
	info, err := os.Stat(source)
	require.NoError(t, err)
	if strings.HasSuffix(words[1], "/") {
		to = filepath.Join(to, filepath.Base(words[0]))
	}
	require.NoError(t, os.MkdirAll(filepath.Dir(to), 0o755))
	if info.IsDir() {
		require.NoError(t, os.Mkdir(to, info.Mode().Perm()))
	} else {
		raw, err := os.ReadFile(source)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(to, raw, info.Mode().Perm()))
	}
	require.NoError(t, os.Chown(to, owner, owner))
}

// command is a command line in the image, as the image's user.
func (im *image) command(args []string, environ ...string) *exec.Cmd {
	return &exec.Cmd{
		Path: args[0], Args: args, Dir: "/", Env: append(environ, im.environ...),
		SysProcAttr: &syscall.SysProcAttr{Chroot: im.root, Credential: &syscall.Credential{Uid: im.user, Gid: im.user}},
	}
}

// files lists what lies in the image, without what a volume or /tmp may hold.
func (im *image) files(t *testing.T) (all []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(im.root, func(path string, d fs.DirEntry, err error) error {
		inside := strings.TrimPrefix(path, im.root)
		all = append(all, inside)
		if err == nil && (inside == "/data" || inside == "/tmp") {
			return fs.SkipDir
		}
		return err
	}))
	return all
}

// The image's file system, put together by its own recipe, is enough for an
// agent without rights: it starts, knows time zones, keeps what it is told, says
// that it is well, and leaves the rest alone. It takes root to change the root
// directory.
func TestImageAsARootDirectory(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join("..", "Dockerfile"))
	require.NoError(t, err)
	built := t.TempDir()
	recipe := regexp.MustCompile(`(?m)^RUN (GOOS=.* CGO_ENABLED=0 go build .*?) -o /out/arcdrift (\S+) && mkdir -m 0700 /out/data /out/tmp$`).FindStringSubmatch(string(raw))
	require.NotNil(t, recipe, "the recipe of the program is not the one known here")
	build := exec.Command("sh", "-c", recipe[1]+` -o "$OUT/arcdrift" `+recipe[2]+` && mkdir -m 0700 "$OUT/data" "$OUT/tmp"`)
	build.Dir, build.Env = "..", append(os.Environ(), "OUT="+built)
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	im := assemble(t, string(raw), func(path string) string {
		switch {
		case strings.HasPrefix(path, "/out/"):
			return filepath.Join(built, strings.TrimPrefix(path, "/out/"))
		case strings.HasPrefix(path, "/usr/local/go/"):
			return filepath.Join(strings.TrimSpace(string(goroot)), strings.TrimPrefix(path, "/usr/local/go/"))
		}
		return path
	})
	before := im.files(t)
	assert.NotZero(t, im.user, "not as root")

	agent := im.command(im.run, "ARCDRIFT_HTTP_LISTEN=127.0.0.1:0", "ARCDRIFT_ALERT_ZONE=Europe/Oslo")
	said := &agenttest.Buffer{}
	agent.Stderr = said
	require.NoError(t, agent.Start(), "this takes root")
	t.Cleanup(func() { _ = agent.Process.Kill() }) // where the test broke off; else it has ended
	healthy := func() bool { return im.command(im.health).Run() == nil }
	require.Eventually(t, healthy, time.Minute, 100*time.Millisecond, "%s", said)
	taken, err := im.command([]string{im.run[0], "log", "usage", "--machine", "K-07", "--arc-count", "5"}).CombinedOutput()
	require.NoError(t, err, "%s", taken)
	require.NoError(t, agent.Process.Signal(syscall.SIGTERM))
	require.NoError(t, agent.Wait(), "%s", said)
	assert.False(t, healthy(), "nobody is there to be healthy")

	kept, err := im.command([]string{im.run[0], "export"}).CombinedOutput()
	require.NoError(t, err, "%s", kept)
	assert.Contains(t, string(kept), `"machine":"K-07"`)
	assert.FileExists(t, filepath.Join(im.root, "data", "arcdrift.db"))
	assert.Equal(t, before, im.files(t))
	entries, err := os.ReadDir(filepath.Join(im.root, "tmp"))
	require.NoError(t, err)
	assert.Empty(t, entries)
}
