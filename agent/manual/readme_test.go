package manual_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The answers in README are real: what the program says of the demo's fleet at
// moment. A block that ends with an ellipsis shows the first lines.
func TestReadmeAnswersAreInStep(t *testing.T) {
	raw, err := os.ReadFile(readme)
	require.NoError(t, err)
	answers := map[string][]string{}
	for one := range strings.SplitSeq("\n"+said(t, "demo", "--answers"), "\n$ ") {
		lines := strings.Split(strings.TrimSpace(one), "\n")
		answers["$ "+lines[0]] = lines[1:]
	}
	shown := 0
	text := regexp.MustCompile("(?s)```text\n.*?\n```\n").ReplaceAllStringFunc(string(raw), func(block string) string {
		lines := strings.Split(strings.TrimSuffix(block, "\n```\n"), "\n")[1:]
		answer, found := answers[lines[0]]
		if !assert.True(t, found, "arcdrift demo --answers does not ask %s", lines[0]) {
			return block
		}
		shown++
		if lines[len(lines)-1] == "…" {
			answer = append(answer[:len(lines)-2:len(lines)-2], "…")
		}
		return "```text\n" + lines[0] + "\n" + strings.Join(answer, "\n") + "\n```\n"
	})
	assert.Equal(t, 3, shown)
	if *update {
		require.NoError(t, os.WriteFile(readme, []byte(text), 0o644))
		return
	}
	assert.Equal(t, text, string(raw), "go test ./agent/manual -run InStep -update writes the answers again")
}

// README is short, and its picture too: who is in a hurry reads it whole.
func TestReadmeIsShort(t *testing.T) {
	raw, err := os.ReadFile(readme)
	require.NoError(t, err)
	assert.LessOrEqual(t, len(strings.Fields(string(raw))), 900)
	for _, link := range parse(raw).links() {
		if strings.HasSuffix(link, ".webp") {
			info, err := os.Stat(filepath.Join(root, link))
			require.NoError(t, err)
			assert.LessOrEqual(t, info.Size(), int64(60_000))
		}
	}
}

// README's figures of the model are those of the manual, which names their command.
func TestReadmeFiguresAreTheManuals(t *testing.T) {
	manual, err := os.ReadFile(filepath.Join(topicsDir, "model.md"))
	require.NoError(t, err)
	raw, err := os.ReadFile(readme)
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(raw), "\n## How good it is\n")
	require.True(t, found)
	rows := 0
	for line := range strings.Lines(rest) {
		if _, figures, ok := strings.Cut(line, " | "); ok && regexp.MustCompile(` / −?\d`).MatchString(figures) {
			rows++
			assert.Contains(t, string(manual), strings.TrimRight(figures, " |\n"))
		}
	}
	assert.Equal(t, 5, rows)
}
