package manual_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/manual"
)

var update = flag.Bool("update", false, "write manual.json.gz, the tables of the topics and the answers of README again")

const (
	topicsDir = "topics"
	packed    = "manual.json.gz"
)

var readme = filepath.Join(root, "README.md")

// What the program carries is what the topics say.
func TestTheManualIsInStep(t *testing.T) {
	for name, table := range tables(t) {
		inStep(t, name, table)
	}
	want := render(t)
	if *update {
		var out bytes.Buffer
		w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
		require.NoError(t, err)
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		require.NoError(t, enc.Encode(want))
		require.NoError(t, w.Close())
		require.NoError(t, os.WriteFile(packed, out.Bytes(), 0o644))
		return
	}
	has, err := manual.Open()
	require.NoError(t, err)
	if !assert.ObjectsAreEqual(want, has) {
		t.Fatalf("%s is not what the topics say: go test ./agent/manual -run InStep -update", packed)
	}
}

// render makes the manual from its sources.
func render(t *testing.T) *manual.Manual {
	t.Helper()
	index := read(t, "index.md")
	m := &manual.Manual{OpenAPI: openAPI(t)}
	for _, link := range index.links() {
		s := read(t, link)
		name := strings.TrimSuffix(link, ".md")
		m.Topics = append(m.Topics, manual.Topic{Name: name, Title: s.title(), Text: s.terminal(), HTML: s.html()})
	}
	m.Index = index.html()
	return m
}

func read(t *testing.T, file string) source {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(topicsDir, file))
	require.NoError(t, err)
	return parse(raw)
}

// Each topic is in the table of contents, once; it has a title, and every line for a
// terminal fits, but for examples, which nobody may break.
func TestEveryTopicIsInTheIndex(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(topicsDir, "*.md"))
	require.NoError(t, err)
	index := read(t, "index.md").links()
	for _, file := range files {
		name := filepath.Base(file)
		if name == "index.md" {
			continue
		}
		assert.Equal(t, 1, count(index, name), "%s in index.md", name)
		s := read(t, name)
		assert.NotEmpty(t, s.title(), "%s begins with no title", name)
		for line := range strings.Lines(s.terminal()) {
			one := strings.Fields(line)
			if !strings.HasPrefix(line, "    ") && len(one) > 1 {
				assert.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), columns, "%s: %s", name, line)
			}
		}
	}
	assert.Len(t, index, len(files)-1)
}

func count(all []string, one string) (n int) {
	for _, s := range all {
		if s == one {
			n++
		}
	}
	return n
}

// root is the top of the sources, seen from here.
var root = filepath.Join("..", "..")

// Links lead somewhere: those of a topic to topics and their headings, those of
// README, DEVELOPERS and CHANGELOG to files and theirs.
func TestLinksLeadSomewhere(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join(topicsDir, "*.md"))
	require.NoError(t, err)
	for _, name := range []string{"README.md", "DEVELOPERS.md", "CHANGELOG.md"} {
		pages = append(pages, filepath.Join(root, name))
	}
	for _, page := range pages {
		raw, err := os.ReadFile(page)
		require.NoError(t, err)
		for _, link := range parse(raw).links() {
			if strings.Contains(link, "://") {
				continue
			}
			file, anchor, _ := strings.Cut(link, "#")
			if strings.HasPrefix(file, "/") {
				assert.True(t, servedPath(file), "%s: %s is no page of the agent", page, link)
				continue
			}
			target := page
			if file != "" {
				target = filepath.Join(filepath.Dir(page), file)
			}
			if filepath.Dir(page) == topicsDir {
				assert.NotContains(t, file, "/", "%s: a topic is read where there are no sources", page)
			}
			text, err := os.ReadFile(target)
			if info, statErr := os.Stat(target); statErr == nil && info.IsDir() && anchor == "" {
				continue
			}
			if assert.NoError(t, err, "%s: %s", page, link) && anchor != "" {
				assert.True(t, slices.Contains(parse(text).anchors(), anchor), "%s: %s has no heading %s", page, target, anchor)
			}
		}
	}
}

// servedPath says whether a page of the agent is meant; package web serves them.
func servedPath(path string) bool {
	return slices.Contains([]string{"/", "/morning", "/alerts", "/moved", "/log", "/service", "/correct", "/rules", "/compare", "/refused", "/spares", "/look-back", "/phone", "/accounts", "/help", "/metrics", "/readyz", "/healthz", "/api/v1/openapi.json"}, path)
}

// The renderer for the terminal: closed cases.
func TestTerminal(t *testing.T) {
	for markdown, want := range map[string]string{
		"# Title\n\nA [link](alerts.md#stop), `code` and *stress*.\n": "Title\n=====\n\nA link (arcdrift help alerts), code and stress.\n",
		"- one\n- two\n  more\n":                            "- one\n- two more\n",
		"1. one\n2. two\n\n   ```sh\n   arcdrift\n   ```\n": "1. one\n2. two\n       arcdrift\n",
		"| a | b |\n|---|---|\n| x | y\\|z |\n":             "a  b\n-  ---\nx  y|z\n",
		"<!-- a mark -->\n\ntext\n":                         "text\n",
		"[here](https://example.org)":                       "here (https://example.org)\n",
		strings.Repeat("word ", 20):                         strings.TrimSpace(strings.Repeat("word ", 15)) + "\n" + strings.TrimSpace(strings.Repeat("word ", 5)) + "\n",
	} {
		assert.Equal(t, want, parse([]byte(markdown)).terminal(), markdown)
	}
}

// DEVELOPERS names files that exist: a file that moves takes its row along.
func TestDevelopersNamesRealFiles(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	require.NoError(t, err)
	paths := regexp.MustCompile("`((?:agent|cmd|drift|dashboards|testdata|\\.ci)/[\\w./-]+)`").FindAllSubmatch(raw, -1)
	require.Greater(t, len(paths), 30)
	for _, path := range paths {
		if strings.Contains(string(path[1]), "NAME") {
			continue // stands for any
		}
		_, err := os.Stat(filepath.Join(root, string(path[1])))
		assert.NoError(t, err)
	}
}

// The tests that DEVELOPERS names are there.
func TestDevelopersNamesRealTests(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(raw), "\n## What is broken on purpose\n")
	require.True(t, found)
	table, _, _ := strings.Cut(rest, "\n## ")
	var all strings.Builder
	require.NoError(t, filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		all.Write(text)
		return err
	}))
	names := regexp.MustCompile(`\b[A-Z][a-zA-Z]*[a-z][A-Z]\w*\b`).FindAllString(table, -1)
	require.Greater(t, len(names), 40)
	for _, name := range names {
		if name != "QoS" {
			assert.True(t, regexp.MustCompile(`func (Test|Fuzz)?`+name+`\(`).MatchString(all.String()), "no test is named %s", name)
		}
	}
}
