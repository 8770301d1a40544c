package manual_test

import (
	"context"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent"
	"arcdrift/agent/agenttest"
)

// TestMain makes the program a command of the shell.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"arcdrift": func() {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		code := agent.Run(ctx, agent.Env{
			Program: "arcdrift", Args: os.Args[1:], Environ: os.Environ(),
			Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr,
			Reloads: func() <-chan os.Signal { return make(chan os.Signal) },
			Now:     time.Now,
		})
		stop()
		os.Exit(code)
	}})
}

// documents are the topics and the two texts that send people here.
func documents(t *testing.T) map[string]source {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(topicsDir, "*.md"))
	require.NoError(t, err)
	out := map[string]source{}
	for _, file := range append(files, readme, filepath.Join(root, "CHANGELOG.md")) {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		out[filepath.Base(file)] = parse(raw)
	}
	return out
}

// Every block of commands does what it says: those marked sh are run, line by line,
// each document in a directory of its own with the files that it names. serve goes on
// in the background until the next one.
func TestCommandsRun(t *testing.T) {
	for name, doc := range documents(t) {
		var script strings.Builder
		for _, b := range doc.blocks() {
			if b.info == "sh" {
				script.WriteString(b.text)
			}
		}
		if script.Len() == 0 {
			continue
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			runScript(t, script.String())
		})
	}
}

// asks is whether a command only asks an agent over HTTP.
func asks(line string) bool {
	return strings.HasPrefix(line, "curl ") && !strings.Contains(line, "--data")
}

func runScript(t *testing.T, script string) {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS("testdata")))
	pages, mqtt := agenttest.FreePort(t), agenttest.FreePort(t)
	script = strings.NewReplacer(":8470", ":"+pages, "-p 1883", "-p "+mqtt, ":1883", ":"+mqtt).Replace(script)
	shell := func(line string) *exec.Cmd {
		cmd := exec.Command("sh", "-euc", "exec "+line)
		if strings.Contains(line, " | ") {
			cmd = exec.Command("sh", "-euc", line)
		}
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "ARCDRIFT_HTTP_LISTEN=127.0.0.1:"+pages)
		return cmd
	}
	stop := func() {}
	defer func() { stop() }()
	for line := range strings.Lines(script) {
		if line = strings.TrimSpace(line); strings.HasPrefix(line, "arcdrift serve") {
			stop()
			stop = serve(t, shell(line), "http://127.0.0.1:"+pages)
			continue
		}
		out, err := shell(line).CombinedOutput()
		// A record is durable when it is acknowledged, and in the answers soon after:
		// whoever asks at once may have to ask again.
		for end := time.Now().Add(2 * time.Minute); err != nil && asks(line) && time.Now().Before(end); {
			time.Sleep(50 * time.Millisecond)
			out, err = shell(line).CombinedOutput()
		}
		require.NoError(t, err, "%s\n%s", line, out)
	}
}

// serve starts an agent and waits until it is ready.
func serve(t *testing.T, cmd *exec.Cmd, url string) (stop func()) {
	t.Helper()
	var said strings.Builder
	cmd.Stdout, cmd.Stderr = &said, &said
	require.NoError(t, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	require.Eventually(t, func() bool {
		answer, err := http.Get(url + "/readyz")
		if err != nil {
			return len(ended) > 0
		}
		_ = answer.Body.Close() // its status says all
		return answer.StatusCode == http.StatusOK
	}, 5*time.Minute, 20*time.Millisecond)
	require.Empty(t, ended, "%s ended: %s", cmd, &said)
	return func() {
		require.NoError(t, cmd.Process.Signal(os.Interrupt))
		assert.NoError(t, <-ended, "%s: %s", cmd, &said)
	}
}

var flagWord = regexp.MustCompile(`^--[a-z][a-z-]*`)

// Commands that are not run, as they need root, a container engine or another
// computer, are at least those of the program: each exists and has these flags.
func TestCommandsOfTheProgramExist(t *testing.T) {
	found := 0
	for name, doc := range documents(t) {
		for _, b := range append(doc.blocks(), doc.spans()...) {
			if b.info != "sh" && b.info != "sh host" {
				assert.NotContains(t, b.text, "arcdrift serve", "%s: mark the block as sh or sh host", name)
				continue
			}
			for line := range strings.Lines(b.text) {
				for command := range strings.SplitSeq(line, " | ") {
					if words := strings.Fields(command); len(words) > 1 && words[0] == "arcdrift" {
						found++
						exists(t, name, words[1:])
					}
				}
			}
		}
	}
	assert.Greater(t, found, 40)
}

var commandWord = regexp.MustCompile(`^[a-z][a-z-]*$`)

// helpOf is the help of the command with this name, "" if there is none.
func helpOf(t *testing.T, name []string) string {
	t.Helper()
	help := said(t, append(slices.Clone(name), "--help")...)
	if !strings.Contains(help, "\n  arcdrift "+strings.Join(name, " ")) {
		return ""
	}
	return help
}

// exists holds the words of a command line to the help of that command.
func exists(t *testing.T, in string, words []string) {
	t.Helper()
	if words[0] == "help" || !commandWord.MatchString(words[0]) {
		return // any topic, or COMMAND for any
	}
	// The words before the first flag that name a command: the longest run whose help
	// is its own.
	end := slices.IndexFunc(words, func(w string) bool { return !commandWord.MatchString(w) })
	if end < 0 {
		end = len(words)
	}
	help := ""
	for ; end > 0 && help == ""; end-- {
		help = helpOf(t, words[:end])
	}
	require.NotEmpty(t, help, "%s: arcdrift %s is no command", in, strings.Join(words, " "))
	for _, w := range words {
		if flag := flagWord.FindString(w); flag != "" {
			assert.Contains(t, help, flag+" ", "%s: arcdrift %s", in, strings.Join(words, " "))
		}
	}
}
